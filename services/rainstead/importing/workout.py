"""What follows from readings that came in behind: the calculation's state, and alarms of a log that nobody watched."""

from rainstead.derive import Deriver
from rainstead.events import AlarmEvent
from rainstead.log import LogReader, LogWriter
from rainstead.replay import replay, resume
from rainstead.settings import Settings
from rainstead.statekeeping import state_to_text

__all__ = ["work_out"]


def work_out(writer: LogWriter, settings: Settings, *, changed: bool) -> None:
    """Leave the calculation's state behind, and the alarms of a log that nobody has watched.

    Done again where an import was cut off between its readings and this.
    """
    deriver = Deriver(settings)
    with LogReader(writer.path) as reader:
        kept, span_ms = reader.checkpoint(deriver.digest), reader.span_ms()
        if not changed and kept is not None and span_ms is not None and kept[0] == span_ms[1]:
            return
        unwatched = reader.sources() == {"import"}
        state = deriver.start() if unwatched else resume(reader, deriver)
        events: list[AlarmEvent] = []
        # A small board has little memory beside its services.
        for newer, derived in replay(reader, deriver, state=state, size=50_000):
            state = newer
            events += derived.events if unwatched else ()
    with writer.transaction():
        if unwatched:
            writer.replace_events(writer.newest_segment(), events)
        if state.upto_ms is not None:
            writer.save_checkpoint(state.upto_ms, deriver.digest, state_to_text(state))
