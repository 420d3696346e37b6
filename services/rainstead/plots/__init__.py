"""Answers as pictures: a function for each takes the answer and gives a figure. Desk only."""

from .look import COLOURS, NotWritten, days, new_figure, time_axis, write
from .outlook import outlook
from .run import run
from .storm import storm
from .yields import yields

__all__ = ["COLOURS", "NotWritten", "days", "new_figure", "outlook", "run", "storm", "time_axis", "write", "yields"]
