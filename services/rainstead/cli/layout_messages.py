"""How `messages` is laid out. Nothing is worked out here."""

from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from rainstead.answers import MessagesAnswer

from .words import channel_wait, moment, span

__all__ = ["messages"]


def messages(answer: MessagesAnswer) -> Group:
    """The channels, then what was given up."""
    parts: list[Any] = []
    parts.append(_runs(answer))
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name in ("channel", "gets alarms", "sign of life", "waiting", "given up", "last taken", "last error"):
        table.add_column(name, no_wrap=name != "last error")
    for one in answer.channels:
        waiting = str(one.waiting) + (f" ({one.tries} tries)" if one.tries > 1 else " (1 try)" if one.tries else "")
        waiting += f", {one.held} held" if one.held else ""
        error = ""
        if one.last_error is not None and one.last_error_ms is not None:
            error = f"{moment(one.last_error_ms, answer.time_zone)}: {one.last_error}"
        fails = one.waiting and one.tries
        table.add_row(
            Text(one.name),
            "at once" if one.after_s is None else f"after {span(one.after_s)}",
            "never" if one.heartbeat_every_s is None else f"every {span(one.heartbeat_every_s)}",
            Text(waiting, style="yellow" if fails else ""),
            Text(str(one.given_up), style="bold red" if one.given_up else ""),
            "never" if one.last_handed_over_ms is None else moment(one.last_handed_over_ms, answer.time_zone),
            Text(error, style="yellow" if fails else "dim"),
        )
    parts.append(table)
    parts += [
        Text(f"{channel_wait(one, answer.as_of_ms)}.", style="yellow" if one.tries else "")
        for one in answer.channels
        if one.waiting
    ]
    if answer.last_test_ms is not None:
        parts.append(Text(f"The last regular test was sent {moment(answer.last_test_ms, answer.time_zone)}."))
    if answer.given_up:
        parts.append(Text("Given up, newest first:", style="bold red"))
        parts += [
            Text(f"  {moment(one.at_ms, answer.time_zone)}  {one.channel}: {one.title} ({one.because or 'no reason'})")
            for one in answer.given_up
        ]
    parts.append(Text("Taken is what the first server on the way has accepted; only the receiver knows what came."))
    return Group(*parts)


def _runs(answer: MessagesAnswer) -> Text:
    if answer.is_running:
        return Text("A messenger runs on this machine.")
    if not answer.has_run:
        return Text("No messenger has run for this site; start rainstead-messenger.", style="yellow")
    if answer.is_running is None:
        return Text("Whether a messenger runs on this machine cannot be seen from here.", style="yellow")
    return Text(
        "No messenger runs on this machine now, so NOBODY is told; start rainstead-messenger.", style="bold red"
    )
