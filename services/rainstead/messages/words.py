"""What a message says: first what to do and where, then what is known. Plain text."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from rainstead.events import AlarmEvent
from rainstead.localtime import local

from .changes import AlarmTold, Notice
from .outbox import Message

__all__ = ["Text", "alarm_name", "gathered_text", "given_up_text", "notice_text", "test_text", "told_at"]

DEFENCE: Final = (
    "This is no advice to stay and defend. Leave early: what the fire authority says comes before any figure here."
)
_NOW: Final = "What is known now: `rainstead alarms` and `rainstead health`."


@dataclass(frozen=True, slots=True)
class Text:
    """title: the first line, which says what to do and where."""

    title: str
    body: str


# For each alarm: what to do while it is active (about its subject), and what it means.
_DO: Final = {
    "overflow_risk": (
        "make room in tank {subject}: it is near its brim",
        "Rain or a pump may soon run over the brim and be lost. `rainstead transfer` finds where there is room.",
    ),
    "low_reserve": (
        "save water or have some carted: the reserve is nearly touched",
        "Usable water is down to the fire reserve and its margin.",
    ),
    "low_space": (
        "make room on the disk of the board",
        "Without room readings wait in memory, and are lost in the end.",
    ),
    "spare_room_used": (
        "make room on the disk of the board NOW: it was full",
        "Readings go into the room that was kept for this. When that is full too they wait in memory.",
    ),
    "disk_fault": (
        "see to the disk of the board: readings cannot be stored",
        "They wait in memory; a power cut now would lose them.",
    ),
    "sensor_fault": (
        "see to sensor {subject}",
        "What depends on it is not watched while it is in trouble, and alarms that stand stay as they are.",
    ),
    "clock_unset": (
        "set the clock of the board",
        "Until then the times of its readings are a guess.",
    ),
    "calculation_fault": (
        "see to the logger: its calculation fails",
        "Tanks and reserve are NOT watched meanwhile.",
    ),
    "log_damaged": (
        "see to the card of the board: its log was damaged",
        "A new log was begun, and the old one was moved aside whole.",
    ),
    "settings_refused": (
        "mend the settings: site.toml cannot be used",
        "The logger goes on with the last good ones.",
    ),
    "supply_low": (
        "see to the supply of the board: its voltage is too low",
        "Cards, USB adapters and sensors fail of it first. A better supply or a shorter, thicker lead helps.",
    ),
    "no_backup": (
        "see to the backup of the log: there is none that is new",
        "A card that fails takes all that was measured since the last one. Is the stick plugged in, and has it room?",
    ),
    "damage_found": (
        "see to the card of the board: a part of its log cannot be read",
        "The rest is read as before, and logging goes on. Keep the backups of before: they may have that part.",
    ),
    "logger_silent": (
        "see to the board: the logger is silent",
        "Nothing is measured and NO alarm can be raised by it. `systemctl status rainstead-logger` on the board says "
        "more.",
    ),
    "log_unreadable": (
        "see to the board: its log cannot be read",
        "Alarms that are raised now do not reach you.",
    ),
}
_OTHER: Final = ("see to {alarm} of {subject}", "")


def alarm_name(event: AlarmEvent) -> str:
    """An alarm and whose it is, as people say it."""
    name = event.alarm.replace("_", " ")
    match event.alarm:
        case "overflow_risk":
            return f"{name}, tank {event.subject}"
        case "sensor_fault":
            return f"{name}, {event.subject}"
    return name if event.subject == "site" else f"{name}, {event.subject}"


def told_at(t_ms: int, zone: str, *, is_guess: bool = False) -> str:
    """The site's own time."""
    here = local(t_ms, zone)
    said = f"{here:%Y-%m-%d %H:%M} {here.tzname() or ''}".rstrip()
    return f"{said} (a guess: the board's clock was not set)" if is_guess else said


def _value(event: AlarmEvent) -> str:
    unit = f" {event.unit}" if event.unit else ""
    number = (
        f"{event.value:z,.0f}" if abs(event.value) >= 10 or event.value == int(event.value) else f"{event.value:z.2f}"
    )
    limit = (
        f"{event.limit:z,.0f}" if abs(event.limit) >= 10 or event.limit == int(event.limit) else f"{event.limit:z.2f}"
    )
    return f"{number}{unit} (limit {limit}{unit})" if event.unit else ""


def notice_text(site: str, zone: str, notice: Notice, standing: Iterable[AlarmTold]) -> Text:
    """A change of an alarm. standing: all that is active now, this one too if it is."""
    event, name = notice.event, alarm_name(notice.event)
    do, means = _DO.get(event.alarm, _OTHER)
    to_do = do.format(subject=event.subject, alarm=event.alarm.replace("_", " "))
    since = told_at(event.t_ms, zone, is_guess=notice.is_guess)
    others = [one for one in standing if (one.event.alarm, one.event.subject) != (event.alarm, event.subject)]
    # Nobody may lie down again for this one's end while another stands.
    over = f"{name} is over, but other alarms stand" if others else f"nothing to do any more: {name} is over"
    lines = []
    match notice.kind:
        case "raised":
            title = to_do
            lines += [f"Alarm: {name}", f"Since: {since}"]
        case "cleared":
            title = over
            lines += [f"Back to normal: {name}", f"Since: {since}"]
        case "chatters":
            title = f"look at {name}: it comes and goes"
            lines += [
                f"Alarm: {name} changed three times within a minute, {'on' if notice.is_active else 'off'} at last",
                f"Last at: {since}",
                "Its changes are not told one by one until it has been quiet for ten minutes.",
            ]
        case "settled":
            title = to_do if notice.is_active else over
            state = "It stands" if notice.is_active else "It is over"
            lines += [f"Alarm: {name} came and went, and has settled. {state} since {since}"]
        case "not_raised_again":
            title = f"look at {name}: the new log has not raised it again"
            lines += [
                f"Alarm: {name}, which stood since {since} in a log that is gone",
                "The log that was begun in its place has not raised it within an hour.",
            ]
    if value := _value(event):
        lines.append(f"Value: {value}")
    lines.append(f"Why: {event.reason}")
    if notice.untold:
        lines.append(f"Before that it changed {notice.untold} times more than a day ago, which was not told.")
    if notice.is_active and means:
        lines.append(f"What it means: {means}")
    if event.alarm == "low_reserve" and notice.is_active:
        lines.append(DEFENCE)
    if others:
        lines.append("Also standing: " + "; ".join(alarm_name(one.event) for one in others))
    return _text(site, title, lines)


def test_text(site: str, zone: str, at_ms: int, channel: str | None, *, is_asked: bool) -> Text:
    """A test, asked for or of the week."""
    lines = [
        "This is a test: nothing has happened, and nothing is to be done.",
        f"Sent: {told_at(at_ms, zone)}" + (f", to {channel}" if channel else ""),
        "It took the way that alarms take. It was asked for at the site."
        if is_asked
        else "It took the way that alarms take. If such a test stays out, alarms would stay out too.",
    ]
    return _text(site, "test of the messages, nothing to do", lines)


def given_up_text(site: str, zone: str, channel: str, given_up: Sequence[Message], because: str | None) -> Text:
    """Messages that a channel did not take."""
    lines = [
        f"{len(given_up)} {'message' if len(given_up) == 1 else 'messages'} could not be handed over: {because}",
        *(f"- {told_at(one.at_ms, zone)}  {one.title}" for one in given_up[:20]),
        "They are not tried again. `rainstead messages` shows the channel.",
    ]
    return _text(site, f"see to the channel {channel}: messages are given up", lines)


def gathered_text(site: str, zone: str, messages: Sequence[Message]) -> Text:
    """Several messages as one, because there were too many of them for one each."""
    first, last = messages[0], messages[-1]
    lines = [
        f"{len(messages)} messages from {told_at(first.at_ms, zone)} to {told_at(last.at_ms, zone)}, gathered because "
        "there were so many:",
        "",
    ]
    for one in messages:
        is_guess = one.alarm is not None and bool(one.alarm.get("time_is_a_guess"))
        lines += [f"* {told_at(one.at_ms, zone, is_guess=is_guess)}  {one.title}"]
        why = next((line for line in one.body.splitlines() if line.startswith("Why: ")), None)
        lines += [f"  {why}"] if why else []
    if any(DEFENCE in one.body for one in messages):
        lines.append(DEFENCE)
    return _text(site, f"{len(messages)} messages; the last: {last.title.removeprefix(f'{site}: ')}", lines)


def _text(site: str, title: str, lines: Iterable[str]) -> Text:
    first = _line(f"{site}: {title}")
    return Text(first, "\n".join([*(_line(line) for line in lines), "", _NOW]) + "\n")


def _line(text: str) -> str:
    """One line, whatever a reason held: a line break in a title would be a header of its own in a mail."""
    return "".join(one if one.isprintable() else " " for one in text)
