"""Closures of a bucket's switch to tips: bounce taken out, and what no bucket can do refused and counted."""

__all__ = ["TipFilter"]


class TipFilter:
    """Fed each closing edge in order of time; says which are tips. Times in microseconds of the boot clock.

    The first edge of a closure is the tip, and the lock runs from it; it is not begun again by what comes within it.
    A switch that was held closed longer than the lock bounces when it opens: what closes this soon after an opening is
    the same closure still. An edge that never came (two alike in a row) costs the tip that it would have been, at most.
    """

    def __init__(self, bounce_us: int, closest_us: int) -> None:
        self.bounces = 0
        self.too_close = 0
        self.missed_edges = 0
        """Twice the same edge in a row: the one between them did not come."""
        self._was_closed: bool | None = None
        self._bounce_us, self._closest_us = bounce_us, closest_us
        self._last_us: int | None = None
        self._opened_us: int | None = None

    def begins(self, at_us: int) -> None:
        """The line is watched from now on. It may be in mid-closure, so that counts as an opening: its bounce is none.

        The level says too little: within a bounce it is as often open as closed.
        """
        self._opened_us, self._was_closed = at_us, None

    def opened(self, at_us: int) -> None:
        """The switch opened."""
        self.missed_edges += self._was_closed is False
        self._opened_us, self._was_closed = at_us, False

    def is_tip(self, at_us: int) -> bool:
        """Whether this closing edge is a tip."""
        self.missed_edges += self._was_closed is True
        self._was_closed = True
        if self._opened_us is not None and at_us - self._opened_us < self._bounce_us:
            self.bounces += 1
            return False
        if self._last_us is not None:
            since_us = at_us - self._last_us
            if since_us < self._bounce_us:
                self.bounces += 1
                return False
            if since_us < self._closest_us:
                self.too_close += 1
                return False
        self._last_us = at_us
        return True
