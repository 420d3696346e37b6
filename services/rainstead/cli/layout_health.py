"""How `health` is laid out."""

from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from rainstead.answers import BoardHealth, ForwarderHealth, HealthAnswer, MessengerHealth

from .words import age, channel_wait, late_account, moment, span, upkeep_lines

__all__ = ["health"]


def health(answer: HealthAnswer) -> Group:
    """The logger, then its sensors, then the board's alarms that are active."""
    parts: list[Any] = []
    if answer.logger_is_running is False:
        last = "" if answer.logger is None else " What the last one said stands below."
        parts.append(Text(f"No logger runs on this machine: start rainstead-logger.{last}", style="bold red"))
    if answer.logger is None:
        parts.append(Text(f"The logger: not enough to say, because {answer.logger_because}.", style="yellow"))
    else:
        if answer.logger.is_late:
            parts.append(Text(late_account(answer.logger, answer.time_zone), style="bold red"))
        parts += _logger(answer.logger, has_ended=answer.logger_is_running is False)
    if answer.forwarder is not None:
        parts += _forwarder(answer.forwarder)
    if answer.messenger is not None:
        parts += _messenger(answer.messenger, answer.as_of_ms)
    looks = {"well": "", "doubtful": "yellow", "bad": "bold red"}
    parts += [Text(line, style=looks[how]) for how, line in upkeep_lines(answer.backup, answer.check, answer.time_zone)]
    if not answer.clock_is_trusted:
        parts.append(Text("The newest stamps are a guess: the board's clock is not set.", style="yellow"))
    for name in answer.damaged_logs:
        if name in answer.brought_in:
            parts.append(Text(f"What can be read of {name} is in the log again; the file may be taken away."))
            continue
        parts.append(
            Text(
                f"A log was damaged, and stands aside as {name}: while the logger is stopped, `rainstead salvage` with "
                "its name brings what can be read of it into the log; look after the card, and take the file away.",
                style="bold red",
            )
        )
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name in ("sensor", "state", "last heard", "since", "counts", "why"):
        table.add_column(name, no_wrap=name != "why")
    for one in answer.sensors:
        told = one.health
        counts = ", ".join(f"{count.number:,} {count.what.replace('_', ' ')}" for count in one.counts if count.number)
        why = "; ".join(reason for reason in (one.logger_says, told.because) if reason)
        style = "yellow" if told.is_in_trouble or one.logger_says else ""
        table.add_row(
            told.name,
            Text(told.state.replace("_", " "), style=style),
            "never" if told.age_s is None else f"{age(told.age_s)} ago",
            "" if told.since_ms is None else moment(told.since_ms, answer.time_zone),
            counts,
            Text(why, style=style),
        )
    parts += [Text(""), table]
    parts += [
        Text(f"Advice, {one.health.name}: {line}.".replace("?.", "?"), style="yellow")
        for one in answer.sensors
        for line in one.advice
    ]
    active = [one for one in answer.alarms if one.state != "normal"]
    parts += [
        Text(f"ALARM {one.alarm.replace('_', ' ')}, {one.subject}: {one.reason}", style="bold red") for one in active
    ]
    return Group(*parts)


def _logger(board: BoardHealth, *, has_ended: bool) -> list[Any]:
    is_past = has_ended or board.is_late
    said = [f"The logger ({board.version}) said {'last, ' if is_past else ''}{age(board.age_s)} ago:"]
    if board.uptime_s is not None:
        said.append(f"up {span(board.uptime_s)}{' then' if is_past else ''};")
    if board.last_commit_age_s is not None:
        said.append(f"last commit {age(board.last_commit_age_s)} before;")
    said.append(f"{board.waiting or 0:,} readings {'waited' if is_past else 'wait'}")
    lines = [Text(" ".join(said))]
    more = []
    if board.free_mb is not None:
        more.append(f"{board.free_mb:z,.0f} MB free")
    if board.resident_bytes is not None:
        more.append(f"{board.resident_bytes / 1e6:.0f} MB of memory")
    if board.slowest_commit_s is not None:
        more.append(f"slowest commit {board.slowest_commit_s:.1f} s")
    if board.written_mb_a_day is not None:
        more.append(f"{board.written_mb_a_day:,.0f} MB a day to the disk")
    if board.open_files is not None:
        more.append(f"{board.open_files:,} files open")
    if board.sqlite_version is not None:
        only = " (let no other program write to readings.db)" if board.sqlite_wants_one_writer else ""
        more.append(f"SQLite {board.sqlite_version}{only}")
    if board.board_temperature_c is not None:
        more.append(f"board at {board.board_temperature_c:.0f} °C")
    if board.supply_is_low is None:
        more.append("its supply voltage is not known")
    lines.append(Text("; ".join(more)))
    if board.disk_trouble:
        lines.append(Text(f"Readings cannot be stored: {board.disk_trouble}", style="bold red"))
    if board.dropped:
        lines.append(Text(f"{board.dropped:,} readings were lost for want of room", style="bold red"))
    if board.spare_room == "used":
        lines.append(Text("The disk was full: the room that was kept for this is used now.", style="bold red"))
    elif board.spare_room == "missing":
        lines.append(
            Text("No room is kept for a full disk: too little is free, or the journal says why.", style="yellow")
        )
    if board.supply_is_low:
        lines.append(Text("The board's supply voltage is too low: cards and USB fail of it first.", style="bold red"))
    elif board.supply_low_age_s is not None:
        lines.append(Text(f"The board's supply voltage was too low {age(board.supply_low_age_s)} ago.", style="yellow"))
    if board.began:
        lines.append(Text(f"When it began: {board.began}.", style="yellow"))
    lines += [Text(f"Advice: {line}.", style="yellow") for line in board.advice]
    if board.calculation_failed:
        lines.append(
            Text(f"The calculation fails, so alarms are not watched: {board.calculation_failed}", style="bold red")
        )
    return lines


def _forwarder(told: ForwarderHealth) -> list[Text]:
    waiting = f"; {told.waiting_readings:,} readings wait for it" if told.waiting_readings else ""
    if told.is_running is False and told.word != "never_run":
        return [Text(f"No forwarder runs on this machine{waiting}: start rainstead-forwarder.", style="bold red")]
    runs = Text("A forwarder runs on this machine.")
    if told.is_running is None:
        runs = Text("Whether a forwarder runs on this machine cannot be seen from here.", style="yellow")
    if told.word == "stored" and told.last_stored_age_s is not None:
        behind = "" if told.lag_s is None else f"; the newest there is {span(told.lag_s)} behind the log"
        return [runs, Text(f"The server last stored something {age(told.last_stored_age_s)} ago{behind}{waiting}.")]
    words = {
        "later": "The server is away or busy",
        "forbidden": "The server refuses until somebody mends it",
        "silent": "The server has said nothing yet",
        "never_run": "Nothing is sent to the server",
        "unknown": "How sending to the server goes is not known",
    }
    because = f": {told.because}" if told.because else ""
    said = Text(f"{words.get(told.word, told.word)}{because}{waiting}.", style="yellow")
    return [said] if told.word == "never_run" else [runs, said]


def _messenger(told: MessengerHealth, as_of_ms: int) -> list[Text]:
    if told.is_running is False:
        start = "No messenger runs on this machine, so NOBODY is told of alarms: start rainstead-messenger."
        lines = [Text(start, style="bold red")]
    elif told.is_running is None:
        lines = [Text("Whether a messenger runs on this machine cannot be seen from here.", style="yellow")]
    else:
        lines = [Text("A messenger runs on this machine.")]
    if told.because is not None:
        lines.append(Text(f"What it has to tell is not known: {told.because}.", style="yellow"))
    for one in told.channels:
        lines.append(Text(f"{channel_wait(one, as_of_ms)}.", style="yellow" if one.tries else ""))
    if told.given_up:
        lines.append(
            Text(f"{told.given_up:,} messages were given up; `rainstead messages` shows them.", style="yellow")
        )
    return lines
