"""What another log has, and this one has not, comes in: within one transaction of the writer, all of it or nothing.

A reading is known by its boot of the machine, its boot clock and its sensor. Runs that come before this log's first
get numbers below 1, so that the log stays known by its own first run; segments that come in get numbers below 0, so
that the newest stays the newest, and whoever tells of alarms knows what was brought in.
"""

import itertools
import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from rainstead.readings import Kind

from .. import block
from ..rows import Rows
from ..sealed import DamagedHour, insert_block
from ..thinning import MINUTE_MS
from .clocks import Settled, Stretch, settle
from .oldlog import OldLog, OldMinutes, OldRun, OldSegment, Piece, Unread
from .order import Place, in_order
from .present import OfBoot, keys_of, place_of
from .undated import keep_apart

__all__ = ["Other", "TakenIn", "take_in"]

UNKNOWN_BOOT: Final = "unknown"
"""What stands for the kernel's boot id where it gives none: two such runs may be of different boots."""
MOST_NAMED: Final = 20
_INSERT_EVENT = "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
Progress = Callable[[int], None]
_Key = tuple[object, ...]


@dataclass(frozen=True, slots=True)
class Other:
    """A reading that both logs have and that differs: this log's stays."""

    t_ms: int
    sensor: str
    kept: float
    other: float


@dataclass(slots=True)
class TakenIn:
    """What came in. added, known: readings, new in this log or there already; differing: of those known ones that have
    another value here, `others` names the first; let_go: of which this log has minutes alone, on purpose.

    minutes_of: readings that stand in minutes alone in the other log too, and came so. dated: boots whose clock was set
    in one of the two logs only, or never, and that were dated anew. mended: damaged hours of this log that the other
    one had whole. unsure: of those added, readings of which it was lost whether their clock was known to be right: they
    are marked as not. lost: what could not be read of the other log and is not here either. first_ms, last_ms: stamps
    of what was added.
    """

    added: int = 0
    known: int = 0
    differing: int = 0
    let_go: int = 0
    minutes_of: int = 0
    events: int = 0
    settings: int = 0
    dated: int = 0
    mended: int = 0
    unsure: int = 0
    first_ms: int | None = None
    last_ms: int | None = None
    others: list[Other] = field(default_factory=list)
    lost: list[DamagedHour] = field(default_factory=list)

    @property
    def is_done(self) -> bool:
        """Whether anything of it could be read, or there was nothing in it."""
        return bool(self.added or self.known or self.differing or self.let_go or self.minutes_of or not self.lost)

    @property
    def is_anything(self) -> bool:
        """Whether this log has changed."""
        return bool(self.added or self.minutes_of or self.events or self.settings or self.dated)


class Writer(Protocol):
    """What is asked of the log's writer."""

    def sensor_numbers(self, kinds: Mapping[str, Kind]) -> dict[str, int]: ...

    def correct_boot(self, boot: int, offset_ms: int, *, trusted: bool = True) -> int | None: ...

    def put_back_untrusted(self, boot: int, before_ms: int) -> int | None: ...


def take_in(writer: Writer, db: sqlite3.Connection, old: OldLog, kinds: Mapping[str, Kind], step: Progress) -> TakenIn:
    """Bring in what `old` has. Within a transaction; kinds: of its sensors. step: called for each piece."""
    return _Merge(writer, db, old, kinds).run(step)


def _key(run: OldRun, offset_ms: int, was_offset_ms: int | None) -> _Key:
    """Which boot of the machine; where nobody knows, a run that began with this offset."""
    if run.boot_uuid != UNKNOWN_BOOT:
        return (run.source, run.boot_uuid)
    return (run.source, run.boot_uuid, run.started_ms, offset_ms if was_offset_ms is None else was_offset_ms)


class _Merge:
    def __init__(self, writer: Writer, db: sqlite3.Connection, old: OldLog, kinds: Mapping[str, Kind]) -> None:
        self._writer, self._db, self._old = writer, db, old
        self._done = TakenIn()
        numbers = writer.sensor_numbers(kinds)
        self._sensor = {number: numbers[name] for number, (name, _) in old.sensors.items() if name in numbers}
        self._name = {number: name for name, number in numbers.items()}
        self._runs: dict[OldRun, int] = {}
        """This log's number of each run that it has."""
        self._of_boot: dict[_Key, OfBoot] = {}
        self._settled: dict[_Key, Settled] = {}
        self._segments: dict[int, int] = {}
        """By the old log's number, which is this log's, of those that something was brought into."""
        self._new_runs: set[int] = set()
        self._dated: set[_Key] = set()
        """Boots of which something was dated anew."""
        self._from_ms: list[int] = []
        self._moved = False

    def run(self, step: Progress) -> TakenIn:
        """All of it; see take_in."""
        old_spans = self._old.spans()
        self._newest_ms = self._newest()
        self._meet(old_spans)
        had = set(self._of_boot)
        (lowest,) = self._db.execute("SELECT min(min(id), 0) FROM segment").fetchone()
        numbers = sorted(self._old.segment_numbers())
        self._free = (lowest or 0) - len(numbers) - 1
        """A number for a segment that only minutes or events still name."""
        self._number = {number: self._free + 1 + k for k, number in enumerate(numbers)}
        for piece in self._old.pieces():
            self._take(piece, may_be_known=piece.body is None or self._key_of(piece.segment) in had)
            step(1)
        for minutes in self._old.minutes():
            self._take_minutes(minutes)
            step(1)
        self._take_events()
        self._take_settings()
        self._mend()
        self._done.lost = self._lost()
        self._set_in_order()
        self._note()
        return self._done

    # --- boots, segments, clocks ------------------------------------------------------------------------------

    def _run_of(self, segment: OldSegment) -> OldRun:
        return self._old.runs[segment.run]

    def _key_of(self, segment: OldSegment) -> _Key:
        return _key(self._run_of(segment), segment.offset_ms, segment.was_offset_ms)

    def _newest(self) -> int | None:
        row = self._db.execute(
            "SELECT max(newest) FROM (SELECT max(t_ms) AS newest FROM reading UNION ALL SELECT max(last_ms) FROM block)"
        ).fetchone()
        return None if row[0] is None else int(row[0])

    def _meet(self, old_spans: Mapping[int, tuple[OldSegment, int, int]]) -> None:
        """Find the boots that both logs know, and date them by one clock."""
        present = self._stretches()
        old: dict[_Key, list[Stretch]] = {}
        for segment, first_ms, last_ms in old_spans.values():
            stretch = Stretch(segment.offset_ms, segment.trusted, first_ms, last_ms, segment.was_offset_ms)
            old.setdefault(self._key_of(segment), []).append(stretch)
        for key, stretches in old.items():
            if key not in present or key[0] != "logger":
                continue
            settled = self._settled[key] = settle(stretches, [one for _, one in present[key]])
            if settled.present is not None:
                for boot in sorted({boot for boot, _ in present[key]}):
                    moved_ms = self._writer.correct_boot(boot, settled.present)
                    self._from_ms += [] if moved_ms is None else [moved_ms]
                self._dated.add(key)
        self._learn()

    def _boots(self) -> dict[int, OldRun]:
        rows = self._db.execute("SELECT id, source, boot_uuid, started_ms FROM boot ORDER BY id")
        return {number: OldRun(*rest) for number, *rest in rows}

    def _stretches(self) -> dict[_Key, list[tuple[int, Stretch]]]:
        """By boot of the machine: this log's runs and segments that have readings."""
        boots = self._boots()
        found: dict[_Key, list[tuple[int, Stretch]]] = {}
        for boot, offset_ms, trusted, was_ms, first_ms, last_ms in self._db.execute(
            "SELECT boot, offset_ms, trusted, was_offset_ms, min(first_ms), max(last_ms) FROM segment JOIN"
            " (SELECT segment, t_ms AS first_ms, t_ms AS last_ms FROM reading"
            " UNION ALL SELECT segment, first_ms, last_ms FROM block"
            " UNION ALL SELECT segment, first_ms, last_ms FROM summary) ON segment = segment.id GROUP BY segment.id"
        ).fetchall():
            if boot in boots:
                stretch = Stretch(offset_ms, bool(trusted), first_ms - offset_ms, last_ms - offset_ms, was_ms)
                found.setdefault(_key(boots[boot], offset_ms, was_ms), []).append((boot, stretch))
        return found

    def _learn(self) -> None:
        """What there is of each boot, after its clock was settled."""
        boots = self._boots()
        self._runs = {OldRun(run.source, run.boot_uuid, run.started_ms): number for number, run in boots.items()}
        thinned = {number for (number,) in self._db.execute("SELECT DISTINCT segment FROM summary")}
        for number, boot, offset_ms, was_ms in self._db.execute(
            "SELECT id, boot, offset_ms, was_offset_ms FROM segment"
        ).fetchall():
            if boot in boots:
                key = _key(boots[boot], offset_ms, was_ms)
                of_boot = self._of_boot.setdefault(key, OfBoot(self._db, {}, has_summaries=False))
                of_boot.offsets[number] = offset_ms
                of_boot.has_summaries |= number in thinned

    def _offset_ms(self, segment: OldSegment) -> tuple[int, bool]:
        """By which its readings are dated here, and whether that is known to be right."""
        settled = self._settled.get(self._key_of(segment))
        return (segment.offset_ms, segment.trusted) if settled is None or settled.old is None else settled.old

    def _segment(self, segment: OldSegment) -> int:
        """This log's number for it, given when something is brought in."""
        if segment.number not in self._segments:
            boot = self._boot(self._run_of(segment))
            offset_ms, trusted = self._offset_ms(segment)
            was_ms = segment.was_offset_ms if offset_ms == segment.offset_ms else segment.offset_ms
            row = self._db.execute(
                "SELECT id FROM segment WHERE id < 0 AND boot = ? AND offset_ms = ? AND trusted = ?",
                (boot, offset_ms, trusted),
            ).fetchone()
            if row is not None:
                number = row[0]
            else:
                number = self._number.setdefault(segment.number, self._free)
                self._free -= number == self._free
                self._db.execute(
                    "INSERT INTO segment VALUES (?, ?, ?, ?, ?)", (number, boot, offset_ms, int(trusted), was_ms)
                )
            key = self._key_of(segment)
            if (offset_ms, trusted) != (segment.offset_ms, segment.trusted):
                self._dated.add(key)
            self._of_boot.setdefault(key, OfBoot(self._db, {}, has_summaries=False)).offsets[number] = offset_ms
            self._segments[segment.number] = number
        return self._segments[segment.number]

    def _boot(self, run: OldRun) -> int:
        known = OldRun(run.source, run.boot_uuid, run.started_ms)
        if known not in self._runs:
            # Out of the way; its place is found when all are there.
            (lowest,) = self._db.execute("SELECT min(id) FROM boot").fetchone()
            number = min(lowest or 0, 0) - 1
            self._db.execute(
                "INSERT INTO boot VALUES (?, ?, ?, ?)", (number, run.source, run.boot_uuid, run.started_ms)
            )
            if run.has_stop:
                self._db.execute("INSERT INTO stop VALUES (?, ?)", (number, run.stop_ms))
            self._runs[known] = number
            self._new_runs.add(number)
        return self._runs[known]

    # --- readings ----------------------------------------------------------------------------------------------

    def _take(self, piece: Piece, *, may_be_known: bool) -> None:
        segment, rows = piece.segment, piece.rows.copy()
        sensor = np.array([self._sensor.get(number, -1) for number in rows["sensor"].tolist()], dtype=np.int32)
        is_same = bool((sensor == rows["sensor"]).all())
        rows["sensor"] = sensor
        rows["t_ms"] -= segment.offset_ms
        rows = rows[sensor >= 0]
        of_boot = self._of_boot.get(self._key_of(segment))
        many = len(piece.rows)
        if may_be_known and of_boot is not None and len(rows):
            rows = self._unknown(rows, of_boot, segment)
        if not len(rows):
            return
        offset_ms, _ = self._offset_ms(segment)
        number = self._segment(segment)
        if is_same and len(rows) == many and piece.body is not None:
            first_ms, last_ms = (int(rows["t_ms"][at]) + offset_ms for at in (0, -1))
            self._db.execute(
                "INSERT INTO block (first_ms, last_ms, segment, count, whole, body) VALUES (?, ?, ?, ?, ?, ?)",
                (first_ms, last_ms, number, many, int(piece.whole), piece.body),
            )
        else:
            rows["t_ms"] += offset_ms
            rows["segment"] = number
            rows = rows[np.lexsort((rows["sensor"], rows["t_ms"]))]
            insert_block(self._db, rows, offset_ms, whole=piece.whole)
            first_ms, last_ms = int(rows["t_ms"][0]), int(rows["t_ms"][-1])
            rows["t_ms"] -= offset_ms
        if of_boot is not None:
            of_boot.brought(rows["t_ms"])
        self._done.added += len(rows)
        self._done.unsure += len(rows) if segment.is_made_up else 0
        self._reaches(first_ms, last_ms)
        if segment.trusted and offset_ms != segment.offset_ms:
            # A server may have had them where they stood.
            self._moved = True
            self._from_ms.append(first_ms - offset_ms + segment.offset_ms)

    def _reaches(self, first_ms: int, last_ms: int) -> None:
        done = self._done
        done.first_ms = first_ms if done.first_ms is None else min(done.first_ms, first_ms)
        done.last_ms = last_ms if done.last_ms is None else max(done.last_ms, last_ms)

    def _unknown(self, rows: Rows, of_boot: OfBoot, segment: OldSegment) -> Rows:
        """Those that this log does not have, nor has let go; stamps are boot clocks."""
        have = of_boot.readings(int(rows["t_ms"][0]), int(rows["t_ms"][-1]))
        rows = rows[np.lexsort((rows["sensor"], rows["t_ms"]))]
        place, there = place_of(keys_of(have), keys_of(rows))
        ours, theirs = have[place[there]], rows[there]
        differ = ~_are_same(ours, theirs)
        offset_ms, _ = self._offset_ms(segment)
        self._done.known += len(theirs) - int(np.count_nonzero(differ))
        self._done.differing += int(np.count_nonzero(differ))
        for kept, other in zip(ours[differ], theirs[differ], strict=True):
            if len(self._done.others) == MOST_NAMED:
                break
            self._done.others.append(
                Other(
                    int(other["t_ms"]) + offset_ms,
                    self._name[int(other["sensor"])],
                    float(kept["value"]),
                    float(other["value"]),
                )
            )
        left = rows[~there]
        gone = of_boot.is_minutes_alone(left["t_ms"], left["sensor"])
        self._done.let_go += int(np.count_nonzero(gone))
        unknown: Rows = left[~gone]
        return unknown

    def _take_minutes(self, minutes: OldMinutes) -> None:
        segment, groups, stands_for = minutes.segment, [], 0
        of_boot = self._of_boot.get(self._key_of(segment))
        for group in minutes.groups:
            if group.sensor not in self._sensor:
                continue
            sensor = self._sensor[group.sensor]
            begins = group.ms + minutes.origin_ms
            new = np.ones(len(begins), dtype=bool)
            if of_boot is not None and len(begins):
                new = ~of_boot.is_minutes_alone(begins, np.full(len(begins), sensor))
                have = of_boot.readings(int(begins[0]), int(begins[-1]) + MINUTE_MS - 1)
                mine = have["t_ms"][have["sensor"] == sensor]
                new &= np.searchsorted(mine, begins) == np.searchsorted(mine, begins + MINUTE_MS)
            if new.any():
                columns = tuple(column[new] for column in group.columns)
                groups.append(block.Group(sensor, group.ms[new], columns))
                stands_for += int(columns[0].sum() + columns[4].sum())
        if not groups:
            return
        offset_ms, _ = self._offset_ms(segment)
        number = self._segment(segment)
        groups.sort(key=lambda group: group.sensor)
        first, last = (int(pick([group.ms[at] for group in groups])) for pick, at in ((min, 0), (max, -1)))
        origin_ms = minutes.origin_ms + first
        body = block.pack(block.MINUTES, origin_ms, [block.Group(g.sensor, g.ms - first, g.columns) for g in groups])
        self._db.execute(
            "INSERT INTO summary (first_ms, last_ms, segment, count, forwarded, body) VALUES (?, ?, ?, ?, ?, ?)",
            (origin_ms + offset_ms, origin_ms + last - first + offset_ms, number, stands_for, minutes.forwarded, body),
        )
        self._of_boot[self._key_of(segment)].has_summaries = True
        self._done.minutes_of += stands_for
        self._reaches(origin_ms + offset_ms, origin_ms + last - first + offset_ms)

    # --- what is not readings ----------------------------------------------------------------------------------

    def _take_events(self) -> None:
        known = {
            tuple(row)
            for row in self._db.execute(
                "SELECT source, boot_uuid, t_ms - offset_ms, alarm, subject, state FROM event"
                " JOIN segment ON segment.id = segment JOIN boot ON boot.id = segment.boot"
            )
        }
        for segment, (t_ms, *rest) in self._old.events():
            run, boot_ms = self._run_of(segment), t_ms - segment.offset_ms
            if (run.source, run.boot_uuid, boot_ms, *rest[:3]) in known:
                continue
            new_ms = boot_ms + self._offset_ms(segment)[0]
            taken = self._db.execute(
                "SELECT 1 FROM event WHERE t_ms = ? AND alarm = ? AND subject = ? AND state = ?", (new_ms, *rest[:3])
            ).fetchone()
            if taken is None:
                self._db.execute(_INSERT_EVENT, (new_ms, self._segment(segment), *rest))
                self._done.events += 1

    def _take_settings(self) -> None:
        """Those from before this log's newest, which stay the newest."""
        (newest_ms,) = self._db.execute("SELECT max(t_ms) FROM settings_kept").fetchone()
        for t_ms, digest, text in self._old.settings():
            if newest_ms is None or t_ms < newest_ms:
                self._done.settings += self._db.execute(
                    "INSERT INTO settings_kept VALUES (?, ?, ?) ON CONFLICT DO NOTHING", (t_ms, digest, text)
                ).rowcount

    def _mend(self) -> None:
        """A damaged hour of this log that the other one had whole stands in its place now."""
        for of_boot in self._of_boot.values():
            for found, brought in of_boot.unreadable.items():
                if brought >= found.count:
                    try:
                        self._db.execute("DELETE FROM block WHERE id = ?", (found.number,))
                    except sqlite3.DatabaseError as error:
                        if isinstance(error, sqlite3.OperationalError):
                            raise
                        continue  # its page is damaged too; it cannot be read either way
                    self._done.mended += 1

    def _lost(self) -> list[DamagedHour]:
        """What could not be read, but for what this log has all the same."""
        return sorted({one.hour for one in self._old.unread if not self._has(one)})

    def _has(self, one: Unread) -> bool:
        if one.segment is None or not one.hour.readings:
            return False
        of_boot = self._of_boot.get(self._key_of(one.segment))
        if of_boot is None:
            return False
        first_ms, last_ms = (stamp - one.segment.offset_ms for stamp in (one.hour.first_ms, one.hour.last_ms))
        return len(of_boot.readings(first_ms, last_ms)) >= one.hour.readings

    # --- their order, and who has to look again ----------------------------------------------------------------

    def _set_in_order(self) -> None:
        self._done.dated = len(self._dated)
        if not self._new_runs and not self._dated:
            return
        first_ms = dict(
            self._db.execute(
                "SELECT boot, min(first_ms) FROM segment JOIN (SELECT segment, t_ms AS first_ms FROM reading"
                " UNION ALL SELECT segment, first_ms FROM block UNION ALL SELECT segment, first_ms FROM summary)"
                " ON segment = segment.id GROUP BY boot HAVING max(trusted) = 1"
            )
        )

        def place(number: int, run: OldRun) -> Place:
            boot = None if run.boot_uuid == UNKNOWN_BOOT else f"{run.source} {run.boot_uuid}"
            return Place(number, boot, run.started_ms, first_ms.get(number))

        boots = self._boots()
        old = [
            place(self._runs[known], run)
            for run in self._old.runs
            if (known := OldRun(run.source, run.boot_uuid, run.started_ms)) in self._runs
        ]
        present = [place(number, run) for number, run in boots.items() if number not in self._new_runs]
        order = in_order(list({one.number: one for one in old}.values()), present)
        own = [number for number in order if number > 0 and number not in self._new_runs]
        at = order.index(min(own)) if own else 0
        zero = min(own) - at if own else 1
        self._number_anew({number: zero + k for k, number in enumerate(order)})
        met = set()
        numbers = [(zero + k, number in self._new_runs) for k, number in enumerate(order)]
        for (one, is_new), (other, is_new_too) in itertools.pairwise(numbers):
            met |= {one, other} if is_new != is_new_too else set()
        self._done.dated += keep_apart(self._writer, self._db, met)

    def _number_anew(self, numbers: Mapping[int, int]) -> None:
        changed = {old: new for old, new in numbers.items() if old != new}
        if not changed:
            return
        rows = self._db.execute("SELECT id, source, boot_uuid, started_ms FROM boot").fetchall()
        stops = self._db.execute("SELECT boot, boot_ms FROM stop").fetchall()
        segments = self._db.execute("SELECT boot, id FROM segment").fetchall()
        self._db.execute("DELETE FROM stop")
        self._db.execute("DELETE FROM boot")
        self._db.executemany("INSERT INTO boot VALUES (?, ?, ?, ?)", [(numbers[n], *rest) for n, *rest in rows])
        self._db.executemany("INSERT INTO stop VALUES (?, ?)", [(numbers.get(n, n), ms) for n, ms in stops])
        self._db.executemany(
            "UPDATE segment SET boot = ? WHERE id = ?",
            [(changed[boot], number) for boot, number in segments if boot in changed],
        )

    def _note(self) -> None:
        """Whoever has read on has to look again; states that do not know of what came are no use."""
        done = self._done
        if done.first_ms is not None:
            self._from_ms.append(done.first_ms)
        if not self._from_ms:
            return
        from_ms = min(self._from_ms)
        self._db.execute("DELETE FROM checkpoint WHERE t_ms >= ?", (from_ms,))
        if self._newest_ms is not None and from_ms <= self._newest_ms:
            self._db.execute("INSERT INTO behind (from_ms, moved) VALUES (?, ?)", (from_ms, int(self._moved)))


def _are_same(one: Rows, other: Rows) -> npt.NDArray[np.bool_]:
    """Row by row: whether value, quality, spread and count are the same to the last bit; missing is missing."""
    same: npt.NDArray[np.bool_] = one["quality"] == other["quality"]
    for name in ("value", "spread", "count"):
        a, b = one[name], other[name]
        same &= (a == b) | (np.isnan(a) & np.isnan(b))
    return same
