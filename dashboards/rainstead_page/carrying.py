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
        self._settings: Settings | None = None
        self._log_of: tuple[object, ...] | None = None
        self._deriver: Deriver | None = None
        self._state: State | None = None
        self._seen = 0

    def brought_up(self, settings: Settings, log: LogReader, as_of_ms: int) -> tuple[Deriver, State]:
        """The state after all readings at or before a time."""
        if self._deriver is None or self._settings is not settings:
            self._deriver, self._settings, self._state = Deriver(settings), settings, None
        place = log.path.stat()
        # A clock that is set right moves stamps that were read before: then a doubtful segment is doubtful no more.
        log_of = (place.st_dev, place.st_ino, log.identity(), *log.doubtful_segments())
        if log_of != self._log_of:
            # Of what changed before, the states that the log keeps know already.
            self._log_of, self._state = log_of, None
            self._seen = max((note.number for note in log.behind(0)), default=0)
        notes = log.behind(self._seen)
        changed_ms = min((note.from_ms for note in notes), default=as_of_ms + 1)
        state = self._state
        if state is None or state.upto_ms is None or state.upto_ms >= min(changed_ms, as_of_ms + 1):
            # A state that the log keeps may be older than the change, and not know of it.
            state = resume(log, self._deriver, upto_ms=min(as_of_ms, changed_ms - 1))
        # Nothing that is half brought up is kept where the log fails meanwhile.
        self._state = None
        for newer, _ in replay(log, self._deriver, state=state, upto_ms=as_of_ms):
            state = newer
        self._state = state
        self._seen = max([self._seen, *(note.number for note in notes)])
        return self._deriver, state
