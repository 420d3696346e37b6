"""Running the calculation over a log: the whole of it, or on from a kept state."""

from collections.abc import Callable, Iterator

from rainstead.derive import Derived, Deriver, State
from rainstead.log import ReadingSource
from rainstead.statekeeping import state_from_text

__all__ = ["replay", "resume", "state_at"]

Progress = Callable[[int], None]
"""Called with the number of readings taken in since the last call."""


def replay(
    reader: ReadingSource,
    deriver: Deriver,
    *,
    state: State | None = None,
    upto_ms: int | None = None,
    progress: Progress | None = None,
    size: int = 200_000,
) -> Iterator[tuple[State, Derived]]:
    """The calculation, batch by batch, over all readings later than the state (or from the first) up to a time."""
    state = deriver.start() if state is None else state
    for batch in reader.batches(after_ms=state.upto_ms, upto_ms=upto_ms, size=size):
        state, derived = deriver.advance(state, batch)
        if progress is not None:
            progress(len(batch))
        yield state, derived


def resume(reader: ReadingSource, deriver: Deriver, *, upto_ms: int | None = None) -> State:
    """The newest kept state that fits these settings, at or before a time; the start where there is none."""
    kept = reader.checkpoint(deriver.digest, upto_ms=upto_ms)
    if kept is None:
        return deriver.start()
    try:
        return state_from_text(kept[1])
    except ValueError:
        # A damaged state costs time, nothing else: the readings are all there.
        return deriver.start()


def state_at(
    reader: ReadingSource, deriver: Deriver, *, upto_ms: int | None = None, progress: Progress | None = None
) -> State:
    """The state after all readings at or before a time, by the shortest way."""
    state = resume(reader, deriver, upto_ms=upto_ms)
    for newer, _ in replay(reader, deriver, state=state, upto_ms=upto_ms, progress=progress):
        state = newer
    return state
