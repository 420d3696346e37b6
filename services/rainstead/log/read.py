"""Reading a log's readings, whether they are sealed or not yet, thinned, or partly damaged."""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from rainstead.errors import LogDamaged, LogMalformed
from rainstead.readings import F64, I64, Batch

from .block import COLUMNS, MINUTES
from .books import FAR_MS, LogBooks
from .fresh import read_fresh
from .rows import ROW, Rows, in_order
from .schema import LONGEST_BLOCK_MS
from .sealed import DamagedHour, Found, blocks_over, read_block
from .thinning import Minutes, read_minutes

__all__ = ["LogReader"]


class LogReader(LogBooks):
    """The readings of a log, sealed and fresh, around what is damaged.

    Raises LogMissing, NotALog, LogTooNew, DiskRefuses.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._damaged: set[DamagedHour] = set()
        self._decoded: dict[Found, Rows] = {}

    @property
    def damaged(self) -> tuple[DamagedHour, ...]:
        """What could not be read so far: it is left out of every answer, and nothing else is."""
        return tuple(sorted(self._damaged))

    def span_ms(self) -> tuple[int, int] | None:
        """First and last stamp; None for a log without readings."""
        with self._snapshot() as has_blocks:
            # One at a time: asked for both at once, SQLite looks at every row.
            spans = [
                self._db.execute("SELECT (SELECT min(t_ms) FROM reading), (SELECT max(t_ms) FROM reading)").fetchone()
            ]
            if has_blocks:
                # A block is short, so the last stamp is in one of the last to begin.
                spans.append(
                    self._db.execute(
                        "SELECT (SELECT min(first_ms) FROM block), (SELECT max(last_ms) FROM block"
                        " WHERE first_ms > (SELECT max(first_ms) FROM block) - ?)",
                        (LONGEST_BLOCK_MS,),
                    ).fetchone()
                )
        # Of damaged rows anything may come.
        known = [(first, last if isinstance(last, int) else first) for first, last in spans if isinstance(first, int)]
        return (min(first for first, _ in known), max(last for _, last in known)) if known else None

    def last_before_ms(self, upto_ms: int) -> int | None:
        """Stamp of the newest reading at or before a time."""
        with self._snapshot() as has_blocks:
            (last_ms,) = self._db.execute("SELECT max(t_ms) FROM reading WHERE t_ms <= ?", (upto_ms,)).fetchone()
            if not has_blocks:
                return None if last_ms is None else int(last_ms)
            found = self._db.execute(
                "SELECT id, first_ms, last_ms, segment, count FROM block WHERE first_ms <= ? AND first_ms >"
                " (SELECT max(first_ms) FROM block WHERE first_ms <= ?) - ?",
                (upto_ms, upto_ms, LONGEST_BLOCK_MS),
            ).fetchall()
            offsets = self._offsets()
            for one in (Found(*row) for row in found):
                stamp: int | None = one.last_ms
                if one.last_ms > upto_ms:
                    stamps = self._readings_of(one, offsets)["t_ms"]
                    stamp = max(stamps[stamps <= upto_ms].tolist(), default=None)
                if stamp is not None and (last_ms is None or stamp > last_ms):
                    last_ms = stamp
            self._decoded = {}
        return None if last_ms is None else int(last_ms)

    def batches(
        self,
        *,
        after_ms: int | None = None,
        upto_ms: int | None = None,
        sensors: Sequence[str] | None = None,
        size: int = 200_000,
    ) -> Iterator[Batch]:
        """Readings with after_ms < t_ms <= upto_ms in the log's order, of these sensors or of all, sealed or fresh.

        A batch has about `size` readings and never ends between two of one stamp. `Batch.names` is the same for all.
        What is damaged is left out, and is in `damaged` from then on.
        """
        for batch, _ in self.batches_with_trust(after_ms=after_ms, upto_ms=upto_ms, sensors=sensors, size=size):
            yield batch

    def batches_with_trust(
        self,
        *,
        after_ms: int | None = None,
        upto_ms: int | None = None,
        sensors: Sequence[str] | None = None,
        size: int = 200_000,
    ) -> Iterator[tuple[Batch, npt.NDArray[np.bool_]]]:
        """The same, and for each reading whether its stamp is by a clock that was known to be right."""
        known = self.sensors()
        names = tuple(row.name for row in known)
        position = np.zeros(max((row.number for row in known), default=0) + 1, dtype=np.int16)
        for k, row in enumerate(known):
            position[row.number] = k
        for readings in self.rows(after_ms=after_ms, upto_ms=upto_ms, sensors=sensors, size=size):
            doubtful = self.doubtful_segments()
            batch = Batch(
                names,
                readings["t_ms"].copy(),
                position[readings["sensor"]],
                # Infinity is no raw value of any sensor; it counts as missing.
                np.where(np.isinf(readings["value"]), np.nan, readings["value"]),
                readings["quality"].copy(),
                np.where(np.isinf(readings["spread"]), np.nan, readings["spread"]),
            )
            yield batch, ~np.isin(readings["segment"], doubtful)

    def rows(
        self,
        *,
        after_ms: int | None = None,
        upto_ms: int | None = None,
        sensors: Sequence[str] | None = None,
        size: int = 200_000,
    ) -> Iterator[Rows]:
        """What `batches` gives, as the log has it: with segments, and infinity for what is missing in fresh rows.

        The batches are made of it, so that who overrides this bounds them too.
        """
        known = self.sensors()
        wanted = [row.number for row in known if sensors is None or row.name in sensors]
        some = None if len(wanted) == len(known) else wanted
        is_known = np.zeros(max((row.number for row in known), default=0) + 1, dtype=np.bool_)
        is_known[[row.number for row in known]] = True
        low, high = (-FAR_MS if after_ms is None else after_ms), (FAR_MS if upto_ms is None else upto_ms)
        while low < high:
            # Each batch is a snapshot of its own: one held for minutes would make the write-ahead log grow.
            with self._snapshot() as has_blocks:
                readings, upto_ms = self._window(low, high, some, size, has_blocks)
                if upto_ms <= low:
                    raise LogMalformed(f"{self.path}: this log is damaged (reading it comes to no end)", "no end")
                low = upto_ms
                readings = self._of_named(readings, is_known)
            if len(readings):
                yield readings

    def _of_named(self, readings: Rows, is_known: npt.NDArray[np.bool_]) -> Rows:
        """Those of sensors that had a name when the reading began; a note where the log has none for the others now.

        A logger may have been started with a new sensor meanwhile; else the name is damaged.
        """
        sensor = readings["sensor"]
        within = (sensor >= 0) & (sensor < len(is_known))
        named = within & is_known[np.where(within, sensor, 0)]
        if named.all():
            return readings
        nameless = readings[~named & ~np.isin(sensor, [row.number for row in self.sensors()])]
        if len(nameless):
            first_ms, last_ms = int(nameless["t_ms"].min()), int(nameless["t_ms"].max())
            self._damaged.add(DamagedHour(first_ms, last_ms, len(nameless), "its sensor has no name in this log"))
        return readings[named]

    def _window(self, low: int, high: int, some: list[int] | None, size: int, has_blocks: bool) -> tuple[Rows, int]:
        """The next readings after `low`, about `size` of them, and the stamp up to which they are all."""
        taken: list[Found] = []
        many, bound = 0, high
        for found in blocks_over(self._db, low, high) if has_blocks else ():
            if many >= size and found.first_ms - 1 > max(low, taken[0].first_ms):
                bound = found.first_ms - 1
                break
            taken.append(found)
            many += found.count
        fresh, bound = self._fresh(low, bound, some, size)
        parts = [fresh]
        offsets = self._offsets() if taken else {}
        for found in taken:
            if found.first_ms <= bound:
                readings = self._readings_of(found, offsets)
                if found.first_ms <= low or found.last_ms > bound:
                    readings = readings[(readings["t_ms"] > low) & (readings["t_ms"] <= bound)]
                parts.append(readings if some is None else readings[np.isin(readings["sensor"], some)])
        # Those that begin behind the bound have not been decoded.
        ahead = [found for found in taken if found.first_ms <= bound < found.last_ms]
        self._decoded = {found: self._decoded[found] for found in ahead}
        return in_order(parts), bound

    def _fresh(self, low: int, high: int, some: list[int] | None, size: int) -> tuple[Rows, int]:
        """Rows that are not sealed yet, at most about `size`, and the stamp up to which they are all."""
        found = read_fresh(self._db, low, high, some, size)
        if found.damaged is not None:
            self._damaged.add(found.damaged)
        return found.rows, found.upto_ms

    def _readings_of(self, found: Found, offsets: Mapping[int, int]) -> Rows:
        """A block's readings; none, and a note of it, where it is damaged."""
        if found not in self._decoded:
            try:
                self._decoded[found] = read_block(self._db, found, offsets.get(found.segment))
            except LogDamaged as error:
                self._damaged.add(DamagedHour(found.first_ms, found.last_ms, found.count, str(error)))
                self._decoded[found] = np.empty(0, dtype=ROW)
        return self._decoded[found]

    def minutes(self, *, after_ms: int | None = None, upto_ms: int | None = None) -> Minutes:
        """What is left of thinned hours: their minutes with after_ms < t_ms <= upto_ms."""
        names = tuple(row.name for row in self.sensors())
        position = {row.number: k for k, row in enumerate(self.sensors())}
        low, high = (-FAR_MS if after_ms is None else after_ms), (FAR_MS if upto_ms is None else upto_ms)
        parts: list[F64] = []
        stamps: list[I64] = []
        with self._snapshot() as has_blocks:
            for found, origin_ms, groups in read_minutes(self._db, low, high) if has_blocks else ():
                if not groups:
                    self._damaged.add(DamagedHour(found.first_ms, found.last_ms, found.count, "its minutes"))
                for group in groups:
                    if group.sensor not in position:
                        self._damaged.add(
                            DamagedHour(
                                found.first_ms, found.last_ms, found.count, "its sensor has no name in this log"
                            )
                        )
                        continue
                    stamps.append(group.ms + origin_ms)
                    parts.append(np.vstack([np.full(len(group.ms), position[group.sensor]), *group.columns]))
        t_ms = np.concatenate([np.empty(0, dtype=np.int64), *stamps])
        rest = np.concatenate([np.empty((len(COLUMNS[MINUTES]) + 1, 0)), *parts], axis=1)
        order = np.lexsort((rest[0], t_ms))
        order = order[(t_ms[order] > low) & (t_ms[order] <= high)]
        sensor, count, lowest, highest, mean, unusable = rest[:, order]
        return Minutes(
            names,
            t_ms[order],
            sensor.astype(np.int16),
            count.astype(np.int64),
            lowest,
            highest,
            mean,
            unusable.astype(np.int64),
        )

    def count(self, *, after_ms: int | None = None, upto_ms: int | None = None) -> int:
        """How many readings there are with after_ms < t_ms <= upto_ms, damaged ones too."""
        low, high = (-FAR_MS if after_ms is None else after_ms), (FAR_MS if upto_ms is None else upto_ms)
        with self._snapshot() as has_blocks:
            (count,) = self._db.execute(
                "SELECT count(*) FROM reading WHERE t_ms > ? AND t_ms <= ?", (low, high)
            ).fetchone()
            if has_blocks:
                offsets = self._offsets()
                for found in blocks_over(self._db, low, high):
                    if found.first_ms > low and found.last_ms <= high:
                        count += found.count
                    else:
                        stamps = self._readings_of(found, offsets)["t_ms"]
                        count += int(np.count_nonzero((stamps > low) & (stamps <= high)))
            self._decoded = {}
        return int(count)

    def thinned_from_ms(self) -> int | None:
        """Where the first hour begins of which only minutes are left; None where there is none."""
        with self._snapshot() as has_blocks:
            row = self._db.execute("SELECT min(first_ms) FROM summary").fetchone() if has_blocks else (None,)
        return None if row[0] is None else int(row[0])
