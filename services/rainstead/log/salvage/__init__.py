"""What another log of the same site holds comes into this one: a damaged one that was moved aside, or an old backup.

`oldlog` reads it around its damage and never writes it; `clocks` and `order` decide, from numbers alone, by which clock
a boot is dated that both logs know and in which order runs stand; `undated` keeps runs apart that nobody dated;
`present` tells what this log has already; `merging` brings the rest in, within the writer's one transaction.
"""

from .merging import Other, TakenIn, take_in
from .oldlog import OldLog

__all__ = ["OldLog", "Other", "TakenIn", "take_in"]
