"""The one importable file: dashboards, tasks, a dead-man check, in the template format of the InfluxDB 2 interface."""

import json
from collections.abc import Iterator
from typing import Any

from rainstead.forward import measurement

from .cells import BOARDS, Board, Cell
from .flux import BUCKET_VARIABLE, SITE_VARIABLE, quoted, source, tag_of
from .rollups import PERIODS, task_query

__all__ = ["BUCKET", "template", "template_text"]

BUCKET = "rainstead"
_COLOURS = ("#2b6f8a", "#c97b2d", "#5d8a3a", "#8a4a6b")
_TOLD = "${r.site}: ${r._level} (crit: silent for an hour; look at its board, then at its network)"
_LABEL = [{"kind": "Label", "name": "rainstead"}]


def template_text(bucket: str = BUCKET) -> str:
    """As it stands in a file."""
    return json.dumps(template(bucket), indent=2, ensure_ascii=False) + "\n"


def template(bucket: str = BUCKET) -> list[dict[str, Any]]:
    """All objects. bucket: where the forwarder writes; `BUCKET_rollup` is made beside it."""
    return [
        _object("Label", "rainstead", {"color": _COLOURS[0], "description": "Made for rainstead's points."}),
        _object(
            "Bucket",
            "rainstead-rollup",
            {
                "name": f"{bucket}_rollup",
                "description": "Hours and days of rainstead's points.",
                "associations": _LABEL,
            },
        ),
        _object(
            "Variable",
            "rainstead-bucket",
            {"name": BUCKET_VARIABLE, "type": "constant", "values": [bucket], "associations": _LABEL},
        ),
        _object(
            "Variable",
            "rainstead-site",
            {
                "name": SITE_VARIABLE,
                "type": "query",
                "language": "flux",
                "query": _sites(bucket),
                "associations": _LABEL,
            },
        ),
        *(_dashboard(board) for board in BOARDS),
        *(
            _object(
                "Task",
                period.key,
                {
                    "name": period.name,
                    "description": f"Counts the last {period.again} anew each time.",
                    "every": period.every,
                    "offset": period.offset,
                    "query": task_query(period, bucket),
                    "associations": _LABEL,
                },
            )
            for period in PERIODS
        ),
        _object("CheckDeadman", "rainstead-silent", _silent(bucket)),
    ]


def _sites(bucket: str) -> str:
    """However long ago a site was heard: a silent one is just what somebody looks for."""
    return (
        'import "influxdata/influxdb/schema"\n\n'
        f'schema.measurementTagValues(bucket: {quoted(bucket)}, measurement: "{measurement("site").name}", '
        f'tag: "{tag_of("site", "site")}", start: 1970-01-01T00:00:00Z)'
    )


def _silent(bucket: str) -> dict[str, Any]:
    """Told for each site that was heard within a day and has been silent for an hour."""
    return {
        "name": "A site is silent",
        "description": "Nothing has come from a site for an hour.",
        "every": "5m",
        "offset": "0s",
        "level": "CRIT",
        "timeSince": "1h",
        "staleTime": "24h",
        "reportZero": False,
        "statusMessageTemplate": _TOLD,
        "query": f"{source('site', 'schema', bucket=quoted(bucket), every_site=True)}",
        "associations": _LABEL,
    }


def _object(kind: str, name: str, spec: dict[str, Any]) -> dict[str, Any]:
    return {"apiVersion": "influxdata.com/v2alpha1", "kind": kind, "metadata": {"name": name}, "spec": spec}


def _dashboard(board: Board) -> dict[str, Any]:
    charts = list(_charts(board.cells))
    spec = {"name": board.name, "description": board.description, "charts": charts, "associations": _LABEL}
    return _object("Dashboard", board.key, spec)


def _charts(cells: tuple[Cell, ...]) -> Iterator[dict[str, Any]]:
    """Left to right, then a row further down."""
    x = y = high = 0
    for cell in cells:
        if x + cell.wide > 12:
            x, y, high = 0, y + high, 0
        yield {**_look(cell), "name": cell.name, "xPos": x, "yPos": y, "width": cell.wide, "height": cell.high}
        x, high = x + cell.wide, max(high, cell.high)


def _look(cell: Cell) -> dict[str, Any]:
    queries = [{"query": cell.query}]
    unit = f" {cell.unit}" if cell.unit else ""
    match cell.look:
        case "words":
            return {"kind": "Markdown", "note": cell.words}
        case "number":
            colours = [{"name": "water", "type": "text", "hex": _COLOURS[0], "value": 0}]
            return {
                "kind": "Single_Stat",
                "queries": queries,
                "colors": colours,
                "suffix": unit,
                "decimalPlaces": 1,
            }
        case "table":
            return {
                "kind": "Table",
                "queries": queries,
                "timeFormat": "YYYY-MM-DD HH:mm:ss",
                "decimalPlaces": 1,
                "tableOptions": {"verticalTimeAxis": True, "wrapping": "truncate", "fixFirstColumn": True},
            }
        case "line" | "bar":
            return {
                "kind": "Xy",
                "queries": queries,
                "geom": cell.look,
                "position": "overlaid",
                "xCol": "_time",
                "yCol": "_value",
                "colors": [{"name": f"tone {k}", "type": "scale", "hex": c} for k, c in enumerate(_COLOURS)],
                "axes": [
                    {"name": "x", "scale": "linear", "base": "10"},
                    {"name": "y", "scale": "linear", "base": "10", "suffix": unit},
                ],
            }
