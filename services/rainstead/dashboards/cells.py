"""The dashboards: which questions they answer, each with its query."""

from dataclasses import dataclass
from typing import Literal

from rainstead.forward import measurement

from .flux import SHOWN_BUCKET, SHOWN_SITE, Source, field_of, source, tag_of, unit_of
from .rollups import rolled

__all__ = ["BOARDS", "Board", "Cell"]

Look = Literal["number", "line", "bar", "table", "words"]


@dataclass(frozen=True, slots=True)
class Cell:
    """One answer. unit: of its numbers. query: empty for words. wide, high: of a grid twelve wide."""

    name: str
    look: Look
    wide: int
    high: int
    query: Source = ""
    unit: str = ""
    words: str = ""


@dataclass(frozen=True, slots=True)
class Board:
    """One dashboard, its cells in the order of reading."""

    key: str
    name: str
    description: str
    cells: tuple[Cell, ...]


_WINDOW = "v.windowPeriod"


def _by_window(of: str, field: str, fn: str, every: str = _WINDOW) -> Source:
    """A line a series, without the tags that all share."""
    tags = ", ".join(f'"{tag_of(of, tag)}"' for tag in measurement(of).tags)
    return (
        f"{source(of, field)}\n"
        f"  |> group(columns: [{tags}])\n"
        f"  |> aggregateWindow(every: {every}, fn: {fn}, createEmpty: false)"
    )


def _table(of: str, fields: tuple[str, ...], *, last: bool = False) -> Source:
    """A row a point, newest first; or the newest of each series."""
    columns = ", ".join(f'"{name}"' for name in ("_time", *(tag_of(of, t) for t in measurement(of).tags), *fields))
    newest = "\n  |> last()" if last else ""
    return (
        f"{source(of, *fields)}{newest}\n"
        '  |> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")\n'
        "  |> group()\n"
        '  |> sort(columns: ["_time"], desc: true)\n'
        f"  |> keep(columns: [{columns}])"
    )


def _all_tanks(field: str) -> Source:
    return f"{source('tank', field)}\n  |> last()\n  |> group()\n  |> sum()"


_ABOVE_RESERVE = (
    f"{source('site', 'usable_l', 'fire_reserve_l')}\n"
    "  |> last()\n"
    '  |> pivot(rowKey: ["site"], columnKey: ["_field"], valueColumn: "_value")\n'
    f"  |> map(fn: (r) => ({{r with _value: r.{field_of('site', 'usable_l')} - "
    f"r.{field_of('site', 'fire_reserve_l')}}}))\n"
    '  |> keep(columns: ["site", "_value"])'
)

_SITES = (
    f"{source('tank', 'volume_l', 'freeboard_l', every_site=True)}\n"
    "  |> last()\n"
    f'  |> group(columns: ["{tag_of("tank", "site")}", "_field"])\n'
    "  |> reduce(identity: {total: 0.0, seen: 1970-01-01T00:00:00Z}, fn: (r, accumulator) => "
    "({total: accumulator.total + r._value, "
    "seen: if r._time > accumulator.seen then r._time else accumulator.seen}))\n"
    '  |> pivot(rowKey: ["site", "seen"], columnKey: ["_field"], valueColumn: "total")\n'
    "  |> group()\n"
    '  |> sort(columns: ["seen"])\n'
    f'  |> keep(columns: ["site", "seen", "{field_of("tank", "volume_l")}", "{field_of("tank", "freeboard_l")}"])'
)

_RESERVES = (
    f"{source('site', 'usable_l', 'fire_reserve_l', 'capacity_l', every_site=True)}\n"
    "  |> last()\n"
    '  |> pivot(rowKey: ["site"], columnKey: ["_field"], valueColumn: "_value")\n'
    "  |> group()\n"
    f"  |> map(fn: (r) => ({{r with above_reserve_l: r.{field_of('site', 'usable_l')} - "
    f"r.{field_of('site', 'fire_reserve_l')}}}))\n"
    '  |> sort(columns: ["above_reserve_l"])\n'
    f'  |> keep(columns: ["site", "above_reserve_l", "{field_of("site", "usable_l")}", '
    f'"{field_of("site", "fire_reserve_l")}", "{field_of("site", "capacity_l")}"])'
)

_ALARM_COUNT = (
    f"{source('alarm', 'value', every_site=True)}\n"
    f'  |> filter(fn: (r) => r.{tag_of("alarm", "state")} != "normal")\n'
    f'  |> group(columns: ["site", "{tag_of("alarm", "alarm")}"])\n'
    "  |> count()\n"
    "  |> group()\n"
    '  |> rename(columns: {_value: "raised"})\n'
    '  |> sort(columns: ["raised"], desc: true)'
)

_UNUSABLE = (
    f"from(bucket: {SHOWN_BUCKET})\n"
    f"  |> range(start: v.timeRangeStart, stop: v.timeRangeStop)\n"
    f'  |> filter(fn: (r) => r._field == "{field_of("level", "quality")}" and r.site == {SHOWN_SITE})\n'
    "  |> map(fn: (r) => ({r with _value: if r._value == 0.0 then 0 else 1}))\n"
    f'  |> group(columns: ["{tag_of("level", "sensor")}"])\n'
    f"  |> aggregateWindow(every: {_WINDOW}, fn: sum, createEmpty: false)"
)

_LAST_SEEN = (
    f"from(bucket: {SHOWN_BUCKET})\n"
    f"  |> range(start: v.timeRangeStart, stop: v.timeRangeStop)\n"
    f'  |> filter(fn: (r) => r._field == "{field_of("level", "quality")}" and r.site == {SHOWN_SITE})\n'
    "  |> last()\n"
    "  |> group()\n"
    '  |> rename(columns: {_value: "quality"})\n'
    f'  |> keep(columns: ["{tag_of("level", "sensor")}", "_measurement", "_time", "quality"])\n'
    '  |> sort(columns: ["_time"])'
)

_CAUTION = (
    "How much water must stay for fire is for the local fire authority to say; no figure here is advice to stay and "
    "defend. Untreated rainwater is not drinking water. Roofs, open tanks and petrol pumps have killed: follow the "
    "local codes."
)

BOARDS = (
    Board(
        "rainstead-water",
        "Water",
        "One site: litres in its tanks, the reserve, what was raised.",
        (
            Cell("In all tanks", "number", 3, 3, _all_tanks("volume_l"), unit_of("tank", "volume_l")),
            Cell("To go before the brims", "number", 3, 3, _all_tanks("freeboard_l"), unit_of("tank", "freeboard_l")),
            Cell("Above the fire reserve", "number", 3, 3, _ABOVE_RESERVE, unit_of("site", "usable_l")),
            Cell("A word of care", "words", 3, 3, words=_CAUTION),
            Cell("Litres by tank", "line", 12, 4, _by_window("tank", "volume_l", "mean"), unit_of("tank", "volume_l")),
            Cell(
                "Tanks now",
                "table",
                6,
                4,
                _table("tank", ("depth_m", "volume_l", "volume_u_l", "freeboard_l", "usable_l"), last=True),
            ),
            Cell("Alarms", "table", 6, 4, _table("alarm", ("value", "limit", "unit", "reason"))),
        ),
    ),
    Board(
        "rainstead-rain-and-pump",
        "Rain and pump",
        "One site: what fell, each storm, what was pumped, each run.",
        (
            Cell(
                "Rain by the hour", "bar", 8, 4, _by_window("rain", "rain_mm", "sum", "1h"), unit_of("rain", "rain_mm")
            ),
            Cell(
                "Hardest rain",
                "number",
                4,
                4,
                f"{source('rain', 'intensity_mm_h')}\n  |> group()\n  |> max()",
                unit_of("rain", "intensity_mm_h"),
            ),
            Cell("Storms", "table", 12, 4, _table("storm", ("rain_mm", "rain_u_mm", "duration_s", "tips"))),
            Cell("Flow", "line", 8, 4, _by_window("flow", "flow_l_min", "max"), unit_of("flow", "flow_l_min")),
            Cell(
                "Pumped",
                "number",
                4,
                4,
                f"{source('flow', 'volume_l')}\n  |> group()\n  |> sum()",
                unit_of("flow", "volume_l"),
            ),
            Cell(
                "Pump runs", "table", 12, 4, _table("pump_run", ("volume_l", "volume_u_l", "flow_l_min", "duration_s"))
            ),
        ),
    ),
    Board(
        "rainstead-sensors",
        "Sensors",
        "One site: is every sensor there, and does it say something that can be used.",
        (
            Cell("Last word of each sensor", "table", 6, 4, _LAST_SEEN),
            Cell("Readings that cannot be used", "bar", 6, 4, _UNUSABLE),
            Cell(
                "From the sensor to the water",
                "line",
                12,
                4,
                _by_window("level", "range_mm", "mean"),
                unit_of("level", "range_mm"),
            ),
            Cell(
                "Scatter of the echoes",
                "line",
                6,
                4,
                _by_window("level", "spread_mm", "max"),
                unit_of("level", "spread_mm"),
            ),
            Cell(
                "Temperatures",
                "line",
                6,
                4,
                _by_window("temperature", "temperature_c", "mean"),
                unit_of("temperature", "temperature_c"),
            ),
        ),
    ),
    Board(
        "rainstead-sites",
        "All sites",
        "Every site that sends here: last seen, litres, reserve, alarms.",
        (
            Cell("Sites, the longest unheard of first", "table", 12, 4, _SITES),
            Cell("Reserves, the least first", "table", 6, 4, _RESERVES),
            Cell("Alarms raised", "table", 6, 4, _ALARM_COUNT),
        ),
    ),
    Board(
        "rainstead-long-run",
        "Long run",
        "One site by the UTC day, from the rollups: it stays when old points are let go.",
        (
            Cell(
                "Least litres of each day",
                "line",
                12,
                4,
                rolled("tank", "volume_l", "min", "1d"),
                unit_of("tank", "volume_l"),
            ),
            Cell("Rain of each day", "bar", 6, 4, rolled("rain", "rain_mm", "sum", "1d"), unit_of("rain", "rain_mm")),
            Cell("Pumped each day", "bar", 6, 4, rolled("flow", "volume_l", "sum", "1d"), unit_of("flow", "volume_l")),
        ),
    ),
)
