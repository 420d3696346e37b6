"""Dashboards, tasks and a check for a time-series server, all from the description of what is sent to it."""

from .cells import BOARDS, Board, Cell
from .rollups import PERIODS, ROLLUPS, Period, Rollup, task_query
from .sending import NotSent, send
from .template import BUCKET, template, template_text

__all__ = [
    "BOARDS",
    "BUCKET",
    "PERIODS",
    "ROLLUPS",
    "Board",
    "Cell",
    "NotSent",
    "Period",
    "Rollup",
    "send",
    "task_query",
    "template",
    "template_text",
]
