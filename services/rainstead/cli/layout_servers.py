"""How `forwarding` and `sites` are laid out. Nothing is worked out here."""

from typing import Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from rainstead.answers import ForwardingAnswer, SiteLine, SitesAnswer

from .words import age, litres, span, when

__all__ = ["forwarding", "sites"]

_WORDS = {
    "stored": ("The server took what was last sent.", ""),
    "silent": ("The server has not said anything yet.", "yellow"),
    "later": ("The server does not take points now; it is tried again, ever more seldom.", "yellow"),
    "forbidden": ("The server refuses all points until somebody mends it.", "bold red"),
    "never_run": ("Nothing was ever sent.", "yellow"),
}
_RESERVE_CAUTION = "Not advice to stay and defend: the fire authority decides what a property needs."


def forwarding(answer: ForwardingAnswer) -> Group:
    """The server's word, what waits, what was refused."""
    words, style = _WORDS.get(answer.word, (answer.word, "yellow"))
    parts: list[Any] = [Text(f"To {answer.server}")]
    told = f"{words.removesuffix('.')}: {answer.because}" if answer.because else words
    parts.append(Text(told, style=style))
    if answer.is_running:
        parts.append(Text("A forwarder runs on this machine."))
    elif answer.is_running is None:
        parts.append(Text("Whether a forwarder runs on this machine cannot be seen from here.", style="yellow"))
    elif answer.word != "never_run":
        parts.append(Text("No forwarder runs on this machine now; start rainstead-forwarder.", style="bold red"))
    if answer.last_stored_ms is not None and answer.last_stored_age_s is not None:
        parts.append(Text(f"Last stored {age(answer.last_stored_age_s)} ago."))
    if answer.sent_upto_ms is not None:
        newer = "; of what is newer, some still waits" if answer.waiting_readings or answer.backlog_s else ""
        parts.append(Text(f"All of the log up to {when(answer.sent_upto_ms, answer.time_zone)} is there{newer}."))
    lag = ""
    if answer.waiting_readings and answer.lag_s is not None:
        lag = f", the oldest of them {span(answer.lag_s)} behind the newest"
    parts.append(Text(f"{answer.waiting_readings:,} of the newest readings wait{lag}."))
    if answer.backlog_s:
        told = f"{answer.backlog_readings:,} older readings wait, of {span(answer.backlog_s)}; the newest go first."
        parts.append(Text(told))
    if answer.refused:
        parts.append(Text(f"{answer.refused:,} points were refused for good and set aside; the newest:", style="red"))
        parts += [Text(f"  {one.line}\n    {one.reason}") for one in answer.refused_points[:10]]
    return Group(*parts)


def sites(answer: SitesAnswer, zone: str) -> Group:
    """A line for each site, then their alarms."""
    head = Text(f"{answer.server}  {when(answer.as_of_ms, zone)}", style="bold")
    if not answer.sites:
        return Group(head, Text("No site has sent anything up to then.", style="yellow"))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for name, left in (("site", True), ("last seen", True), ("in all tanks", False), ("of", False)):
        table.add_column(name, justify="left" if left else "right", no_wrap=True)
    for name in ("fire reserve", "usable above it"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("alarms", no_wrap=True)
    for one in answer.sites:
        table.add_row(*_cells(one))
    alarms = [
        Text(f"{one.site}: ALARM {alarm.alarm.replace('_', ' ')}, {alarm.subject}: {alarm.reason}", style="bold red")
        for one in answer.sites
        for alarm in one.alarms
    ]
    return Group(head, table, *alarms, Text(_RESERVE_CAUTION, style="dim"))


def _cells(one: SiteLine) -> list[Any]:
    seen = "never" if one.last_seen_age_s is None else f"{age(one.last_seen_age_s)} ago"
    short = one.above_l is not None and one.above_l <= 0
    return [
        Text(one.site),
        Text(seen, style="" if one.state == "reports" else "yellow"),
        Text(litres(one.volume_l)),
        Text("" if one.capacity_l is None else litres(one.capacity_l)),
        Text("none" if one.fire_reserve_l is None else litres(one.fire_reserve_l)),
        Text("" if one.fire_reserve_l is None else litres(one.above_l), style="bold red" if short else ""),
        Text(str(len(one.alarms)) if one.alarms else "", style="bold red"),
    ]
