"""The calculation's state from one look to the next, so that each look reads what is new and no more."""

from rainstead.derive import Deriver, State
from rainstead.log import LogReader
from rainstead.replay import replay, resume
from rainstead.settings import Settings

__all__ = ["Carried"]


class Carried:
    """A state that is carried for one log under one set of settings; begun anew when either is another.

    For one thread at a time.
    """

    def __init__(self) -> None:
        self._of: tuple[object, ...] | None = None
        self._deriver: Deriver | None = None
        self._state: State | None = None
        self._seen = 0

    def brought_up(self, settings: Settings, log: LogReader, as_of_ms: int) -> tuple[Deriver, State]:
        """The state after all readings at or before a time."""
        if self._deriver is None or self._of is None or self._of[0] is not settings:
            self._deriver, self._state = Deriver(settings), None
        # A clock that is set right moves stamps that were read before: then a doubtful segment is doubtful no more.
        now_of = (settings, log.identity(), tuple(log.doubtful_segments()))
        notes = log.behind(self._seen)
        self._seen = max([self._seen, *(note.number for note in notes)])
        state = self._state
        if now_of != self._of or state is None or _is_behind(state, [note.from_ms for note in notes], as_of_ms):
            if self._of is not None and now_of[1] != self._of[1]:
                self._seen = max((note.number for note in log.behind(0)), default=0)
            state = resume(log, self._deriver, upto_ms=as_of_ms)
        # Nothing that is half brought up is kept where the log fails meanwhile.
        self._of, self._state = None, None
        for newer, _ in replay(log, self._deriver, state=state, upto_ms=as_of_ms):
            state = newer
        self._of, self._state = now_of, state
        return self._deriver, state


def _is_behind(state: State, changed_ms: list[int], as_of_ms: int) -> bool:
    upto_ms = state.upto_ms
    return upto_ms is not None and (upto_ms > as_of_ms or any(from_ms <= upto_ms for from_ms in changed_ms))
