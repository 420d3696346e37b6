"""Answers as pictures: a function for each takes the answer and gives a figure. Desk only."""

from .book import book
from .look import COLOURS, NotWritten, days, new_figure, time_axis, write
from .losses import losses
from .outlook import outlook
from .run import run
from .sizing import sizing
from .storm import storm
from .strapping import strapping
from .yields import yields

__all__ = [
    "COLOURS",
    "NotWritten",
    "book",
    "days",
    "losses",
    "new_figure",
    "outlook",
    "run",
    "sizing",
    "storm",
    "strapping",
    "time_axis",
    "write",
    "yields",
]
