"""The notebook laid out for people."""

from rich.console import Group
from rich.table import Table
from rich.text import Text

from rainstead.answers import NoteLine, NotesAnswer

from .words import moment, when

__all__ = ["entry", "notes"]

_KINDS = {
    "dip": "dip",
    "delivery": "delivery",
    "known_volume": "known volume",
    "fuel": "fuel",
    "run": "pump run",
    "forecast": "forecast",
}


def entry(line: NoteLine, zone: str) -> str:
    """How an entry was understood, in one line."""
    told = f"{_KINDS[line.kind]} {line.tank or ''}".rstrip()
    if line.from_ms is None or line.upto_ms is None:
        time = when(line.t_ms, zone)
    else:
        time = f"{moment(line.from_ms, zone)} to {when(line.upto_ms, zone)}"
    return f"{told}, {_said(line)}; {time}"


def notes(answer: NotesAnswer) -> Group:
    """A line an entry."""
    left = answer.struck_count - sum(line.struck_ms is not None for line in answer.entries)
    hidden = f"{left} struck out; --struck lists them too." if left else ""
    if not answer.entries:
        return Group(Text(f"Nothing is noted. {hidden}".rstrip()))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for column in ("no.", "when", "what", "tank", "", ""):
        table.add_column(column, justify="right" if column == "no." else "left", no_wrap=True)
    for line in answer.entries:
        lasted = line.from_ms is not None and line.upto_ms is not None
        time = moment(line.t_ms if line.from_ms is None else line.from_ms, answer.time_zone)
        if lasted and line.upto_ms is not None:
            time += f" to {moment(line.upto_ms, answer.time_zone)}"
        struck = "" if line.struck_ms is None else "struck out"
        style = "dim" if struck else ""
        table.add_row(
            str(line.number), time, _KINDS[line.kind], Text(line.tank or ""), Text(_said(line)), struck, style=style
        )
    return Group(table, Text(""), Text(hidden, style="dim")) if hidden else Group(table)


def _said(line: NoteLine) -> str:
    match line.kind:
        case "dip":
            assert line.depth_m is not None and line.depth_u_m is not None
            return f"{line.depth_m:.3f} m ±{1960 * line.depth_u_m:.0f} mm"
        case "fuel":
            assert line.fuel_l is not None and line.fuel_u_l is not None
            return f"{line.fuel_l:.2f} L ±{1.96 * line.fuel_u_l:.2f}"
        case "run":
            parts = [f"nozzle {line.nozzle}"] if line.nozzle is not None else []
            parts += [f"to {line.to}"] if line.to is not None else []
            return ", ".join(parts)
        case "forecast":
            return f"{line.low_mm:g}, {line.likely_mm:g}, {line.high_mm:g} mm (low, likely, high)"
        case _:
            assert line.volume_l is not None and line.volume_u_l is not None
            digits = 0 if abs(line.volume_l) >= 100 else 1
            return f"{line.volume_l:z,.{digits}f} L ±{1.96 * line.volume_u_l:z,.{digits}f}"
