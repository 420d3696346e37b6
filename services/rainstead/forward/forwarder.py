"""The forwarder: the log is its queue. The newest readings go first; what an outage left goes when they are through.

`due = step(now)`, then wait. A package is a few thousand readings with what follows from them. Only when the server has
stored (or finally refused) all of it is the cursor moved: a kill at any moment sends it again and loses nothing.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from rainstead.derive import Derived, Deriver, State
from rainstead.events import AlarmEvent
from rainstead.log import LogReader
from rainstead.replay import state_at
from rainstead.settings import Settings, since_ms

from .cursor import Cursor, CursorFile, Stretch, joined, without
from .lines import Lines, tag_text
from .outbox import Outbox
from .points import SCHEMA_VERSION
from .server import Server, Word

__all__ = ["Forwarder", "Health"]

Tell = Callable[[str], None]

_PACKAGE = 4000
"""Readings in one package."""
_BEHIND_MS = 600_000
"""A live lane further behind than this has become a backlog."""
_DAY_MS = 86_400_000
_EVENTS_BACK_MS = 3_600_000
"""Alarm events are stored after the readings that raised them, so those of the last hour go again."""
_IDLE_MS = 5000
_HEED_AGAIN_S = 60.0
"""Between two tries to take away points that stand elsewhere now."""


@dataclass(frozen=True, slots=True)
class Health:
    """How forwarding goes. lag_ms: age of the oldest live reading not sent; 0 when all are."""

    lag_ms: int
    backlog_ms: int
    stored: int
    refused: int
    word: Word
    reason: str


@dataclass(frozen=True, slots=True)
class _Job:
    """A package on its way: what the cursor is once it is through."""

    after: Cursor
    live: bool


@dataclass(slots=True)
class _Lane:
    """The calculation's state at the end of what one lane has made into packages."""

    upto_ms: int | None = None
    state: State | None = None


class Forwarder:
    """One site's. order: which end of the backlog goes first. tell: a line for the journal at each change."""

    def __init__(
        self,
        settings: Settings,
        folder: Path,
        server: Server,
        *,
        order: Literal["newest", "oldest"] = "newest",
        most_lines: int = 5000,
        tell: Tell = lambda _: None,
        rng: random.Random | None = None,
    ) -> None:
        self._settings, self._server, self._order, self._tell = settings, server, order, tell
        self._reader = LogReader(folder / "readings.db")
        self._log_is_known = False
        self._file = CursorFile(folder / "forwarder.db")
        self._cursor = self._file.load(server.name)
        self._deriver = Deriver(settings)
        self._lines = _lines(settings)
        self._outbox = Outbox(most_lines, rng or random.Random())
        self._job: _Job | None = None
        self._live, self._old = _Lane(), _Lane()
        self._alarms_ahead = False
        self._due_ms = self._heed_due_ms = 0
        self._word, self._reason = Word.STORED, ""

    def close(self) -> None:
        """Let go of log and cursor; what was on its way goes again."""
        self._reader.close()
        self._file.close()

    def step(self, boot_ms: int, wall_ms: int) -> int:
        """Do one thing: one write, or make the next package. Returns the boot clock of the next step."""
        if boot_ms < self._due_ms:
            return self._due_ms
        if self._job is None:
            self._job = self._next_job(boot_ms)
        if self._job is None:
            return self._after(boot_ms, _IDLE_MS)
        if not self._outbox.empty:
            answer, wait_s = self._outbox.send(self._server)
            self._hear(answer.word, answer.reason)
            if wait_s:
                return self._after(boot_ms, round(wait_s * 1000))
        if self._outbox.empty:
            self._through(self._job, wall_ms)
        return self._after(boot_ms, 0)

    @property
    def is_idle(self) -> bool:
        """Nothing is on its way."""
        return self._job is None

    def health(self) -> Health:
        """How it goes."""
        last_ms = self._reader.last_before_ms(2**62)
        live_ms = self._cursor.live_ms
        lag_ms = 0 if last_ms is None or live_ms is None else max(last_ms - live_ms, 0)
        backlog_ms = sum(upto - after for after, upto in self._cursor.stretches)
        return Health(lag_ms, backlog_ms, self._outbox.stored, self._file.refused_count(), self._word, self._reason)

    # --- packages ----------------------------------------------------------------------------------------------

    def _heed_new_log(self) -> None:
        """The logger moves a damaged log aside and begins a new one, which is then sent from its start."""
        if self._reader.is_replaced():
            fresh = LogReader(self._reader.path)
            self._reader.close()
            self._reader, self._log_is_known = fresh, False
        log = None if self._log_is_known else self._reader.identity()
        if log is None:
            return
        known = self._file.told().get("log")
        if known not in (None, log):
            self._cursor, self._live, self._old = Cursor(None, 0, ()), _Lane(), _Lane()
            self._file.save(self._server.name, self._cursor, [], 0)
            self._tell("a new log has begun, and is sent from its start; what was left of the old one is not sent")
        if known != log:
            self._file.tell(log=log)
        self._log_is_known = True

    def _next_job(self, boot_ms: int) -> _Job | None:
        self._heed_new_log()
        span = self._reader.span_ms()
        if span is None:
            return None
        first_ms, last_ms = span
        self._heed_changes(boot_ms)
        cursor = self._cursor
        live_ms = first_ms - 1 if cursor.live_ms is None else cursor.live_ms
        if last_ms - live_ms > _BEHIND_MS:
            # What came meanwhile waits its turn: the newest readings are what somebody looks at.
            cut_ms = last_ms - _BEHIND_MS
            stretches = joined([*cursor.stretches, (live_ms, cut_ms)])
            self._cursor = cursor = Cursor(cut_ms, cursor.seen, stretches)
            live_ms = cut_ms
            self._alarms_ahead = True
        if last_ms > live_ms:
            return self._package(self._live, (live_ms, last_ms), live=True)
        if cursor.stretches:
            return self._package(self._old, self._of_backlog(cursor.stretches), live=False)
        return None

    def _heed_changes(self, boot_ms: int) -> None:
        """Send again from where the log changed behind, once what may not stand there any more is taken away."""
        if boot_ms < self._heed_due_ms:
            return  # the newest readings go on meanwhile
        for note in self._reader.behind(self._cursor.seen):
            cursor, live_ms = self._cursor, self._cursor.live_ms
            stretches = cursor.stretches
            if live_ms is not None and note.from_ms <= live_ms:
                # A late tip may make one storm of two: then the second's start names nothing any more.
                only = () if note.moved else ("storm", "pump_run")
                answer = self._server.delete(tag_text(self._settings.site.name), note.from_ms, live_ms, only)
                self._hear(answer.word, answer.reason)
                if answer.word in (Word.LATER, Word.FORBIDDEN):
                    self._heed_due_ms = boot_ms + round((answer.wait_s or _HEED_AGAIN_S) * 1000)
                    return
                if answer.word is Word.REFUSED:
                    self._tell(f"old points cannot be taken away, and some may stand beside new ones: {answer.reason}")
                stretches = joined([*stretches, (note.from_ms - 1, live_ms)])
                self._live.state = self._old.state = None
                self._alarms_ahead = True
            self._cursor = Cursor(live_ms, note.number, stretches)

    def _of_backlog(self, stretches: tuple[Stretch, ...]) -> Stretch:
        if self._order == "newest":
            after_ms, upto_ms = stretches[-1]
            after_ms = max(after_ms, (upto_ms - 1) // _DAY_MS * _DAY_MS)
            # What follows from a day needs the state before it. Where none was kept near, as after a change of the
            # settings, beginning in the middle would work all the log out again for each day.
            kept = self._reader.checkpoint(self._deriver.digest, upto_ms=after_ms)
            if self._old.upto_ms == after_ms or (kept is not None and after_ms - kept[0] < 2 * _DAY_MS):
                return (after_ms, upto_ms)
        return stretches[0]

    def _package(self, lane: _Lane, stretch: Stretch, *, live: bool, is_second_look: bool = False) -> _Job:
        after_ms, upto_ms = stretch
        known = self._reader.damaged
        if lane.state is None or lane.upto_ms != after_ms:
            lane.state = state_at(self._reader, self._deriver, upto_ms=after_ms)
        found = next(self._reader.batches_with_trust(after_ms=after_ms, upto_ms=upto_ms, size=_PACKAGE), None)
        if self._reader.damaged != known and not is_second_look:
            # A card may misread once, and what the cursor has passed is not looked at again.
            fresh = LogReader(self._reader.path)
            self._reader.close()
            self._reader, self._log_is_known, lane.state = fresh, False, None
            return self._package(lane, stretch, live=live, is_second_look=True)
        if found is None:
            lane.upto_ms = upto_ms
            return self._on_its_way([], stretch, live=live)
        batch, trusted = found
        reached_ms = int(batch.t_ms[-1])
        lane.state, derived = self._deriver.advance(lane.state, batch)
        lane.upto_ms = reached_ms
        doubtful_ms = batch.t_ms[~trusted]
        lines = self._lines.raw(batch, {row.name: row.kind for row in self._reader.sensors()}, trusted)
        lines += self._lines.derived(derived, lambda t_ms: ~np.isin(t_ms, doubtful_ms))
        lines += self._spells(derived)
        lines += self._lines.events(
            self._reader.events(after_ms=after_ms - _EVENTS_BACK_MS, upto_ms=reached_ms, only_trusted=True)
        )
        if live and self._alarms_ahead:
            # What was raised or cleared within the backlog is true now, and must not wait for all of it.
            lines += self._lines.events(self._newest_events_of_backlog())
            self._alarms_ahead = False
        if live and trusted[-1]:
            lines.append(self._site(reached_ms, lane.state))
        return self._on_its_way(lines, (after_ms, reached_ms), live=live)

    def _newest_events_of_backlog(self) -> list[AlarmEvent]:
        """How each alarm stood at its end, of those that changed in it; older ones the server has had."""
        stretches = self._cursor.stretches
        if not stretches:
            return []
        after_ms, upto_ms = stretches[0][0] - _EVENTS_BACK_MS, stretches[-1][1]
        events = self._reader.events(after_ms=after_ms, upto_ms=upto_ms, only_trusted=True)
        return list({(event.alarm, event.subject): event for event in events}.values())

    def _spells(self, derived: Derived) -> list[str]:
        rain, pump = self._settings.rain, self._settings.pump
        lines: list[str] = []
        if rain is not None:
            lines += self._lines.storms(rain.gauge, (s for s in derived.storms if self._is_trusted(s.start_ms)))
        if pump is not None and pump.meter is not None:
            lines += self._lines.runs(pump.meter, (r for r in derived.runs if self._is_trusted(r.end_ms)))
        return lines

    def _is_trusted(self, t_ms: int) -> bool:
        """Whether the reading at a stamp is by a clock that was known to be right."""
        found = next(self._reader.batches_with_trust(after_ms=t_ms - 1, upto_ms=t_ms), None)
        return found is not None and bool(found[1].all())

    def _site(self, t_ms: int, state: State) -> str:
        reserve = self._settings.reserve
        capacity_l = sum(
            float(self._deriver.litres_at(tank.name, tank.tank.brim_m, t_ms).volume_l[0])
            for tank in self._deriver.tanks
        )
        return self._lines.site(
            t_ms,
            float("nan") if reserve is None else reserve.fire_l,
            float("nan") if state.reserve_usable_l is None else state.reserve_usable_l,
            capacity_l,
            float(SCHEMA_VERSION),
        )

    def _on_its_way(self, lines: list[str], done: Stretch, *, live: bool) -> _Job:
        self._outbox.put(lines)
        cursor = self._cursor
        if live:
            return _Job(Cursor(done[1], cursor.seen, cursor.stretches), live)
        return _Job(Cursor(cursor.live_ms, cursor.seen, without(cursor.stretches, done)), live)

    def _through(self, job: _Job, wall_ms: int) -> None:
        self._cursor, self._job = job.after, None
        refused = self._outbox.refused
        self._file.save(self._server.name, self._cursor, refused, wall_ms)
        for one in refused[:3]:
            self._tell(f"the server will never take this point, it is set aside: {one.line} ({one.reason})")
        if len(refused) > 3:
            self._tell(f"and {len(refused) - 3} more points; `rainstead forwarding` lists them")
        self._file.tell(last_stored_ms=str(wall_ms))

    # --- waiting and telling -----------------------------------------------------------------------------------

    def _after(self, boot_ms: int, wait_ms: int) -> int:
        self._due_ms = boot_ms + wait_ms
        return self._due_ms

    def _hear(self, word: Word, reason: str) -> None:
        if word in (Word.REFUSED, Word.TOO_LARGE):
            word, reason = Word.STORED, ""  # it answers, and what it will not have is told apart
        if word is self._word and (word is not Word.FORBIDDEN or reason == self._reason):
            return
        self._word, self._reason = word, reason
        self._tell("the server takes points again" if word is Word.STORED else f"nothing is sent: {reason}")
        self._file.tell(word=word.value, reason=reason)


def _lines(settings: Settings) -> Lines:
    zone = settings.site.time_zone

    def dated(calibrations: object) -> list[int]:
        assert isinstance(calibrations, tuple)
        return sorted(since_ms(one.since, zone) for one in calibrations)

    since = {
        name: dated(sensor.calibrations) for name, sensor in settings.sensors.items() if hasattr(sensor, "calibrations")
    }
    since |= {f"tank {name}": dated(tank.calibrations) for name, tank in settings.tanks.items()}
    return Lines(settings.site.name, since)
