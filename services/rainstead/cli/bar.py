"""A bar for work that knows how much of it is left."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

__all__ = ["Advance", "bar"]

Advance = Callable[[int, int], None]
"""Called with how many are left, and how many there are."""


@contextmanager
def bar(what: str) -> Iterator[Advance | None]:
    """On a terminal; otherwise nothing."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task(what)
        yield lambda left, total: shown.update(task, total=total, completed=total - left)
