"""One site's readings from a server, as the log has them: same values, same order, same batches for the calculation."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from rainstead.events import AlarmEvent
from rainstead.forward import tag_text
from rainstead.log import DamagedHour
from rainstead.readings import F64, I64, Batch, Kind

from .connection import Connection, flux_text, stamps_ms

__all__ = ["ServerSource"]

VALUE_FIELD: Final = {Kind.LEVEL: "range_mm", Kind.TIP: "tips", Kind.PULSE: "pulses", Kind.TEMPERATURE: "temperature_c"}
_HOUR_MS: Final = 3_600_000
_LONGEST_MS: Final = 64 * 24 * _HOUR_MS
_FAR_MS: Final = 9_000_000_000_000


@dataclass(frozen=True, slots=True)
class _Sensor:
    name: str
    kind: Kind
    first_ms: int
    last_ms: int


class ServerSource:
    """A ReadingSource. order: sensors in the log's order as far as it is known, others come after them by name.

    A reading whose clock nobody ever set was never sent, and is not here. Raises ServerUnreadable.
    """

    def __init__(self, connection: Connection, site: str, order: Sequence[str]) -> None:
        self._connection, self._site = connection, tag_text(site)
        self._order = {name: position for position, name in enumerate(order)}
        self._known: tuple[_Sensor, ...] | None = None

    @property
    def damaged(self) -> tuple[DamagedHour, ...]:
        """A server tells of none."""
        return ()

    def span_ms(self) -> tuple[int, int] | None:
        """See LogReader."""
        known = self._sensors()
        return (min(one.first_ms for one in known), max(one.last_ms for one in known)) if known else None

    def last_before_ms(self, upto_ms: int) -> int | None:
        """See LogReader."""
        found = self._ends("last", upto_ms)
        return max((last_ms for _, _, last_ms in found), default=None)

    def batches(
        self,
        *,
        after_ms: int | None = None,
        upto_ms: int | None = None,
        sensors: Sequence[str] | None = None,
        size: int = 200_000,
    ) -> Iterator[Batch]:
        """See LogReader. Fetched in windows of time of about `size` readings, so that a year takes no more room."""
        known = self._sensors()
        wanted = [one for one in known if sensors is None or one.name in sensors]
        if not wanted:
            return
        low = min(one.first_ms for one in wanted) - 1
        high = max(one.last_ms for one in wanted)
        low = low if after_ms is None else max(low, after_ms)
        high = high if upto_ms is None else min(high, upto_ms)
        window_ms = _HOUR_MS
        while low < high:
            end_ms = min(low + window_ms, high)
            batch = self._window(known, wanted, low, end_ms)
            low = end_ms
            if len(batch):
                yield batch
            if len(batch) < size // 8:
                window_ms = min(window_ms * 4, _LONGEST_MS)
            elif len(batch) < size // 2:
                window_ms = min(window_ms * 2, _LONGEST_MS)
            elif len(batch) > size:
                window_ms = max(window_ms // 2, 60_000)

    def count(self, *, after_ms: int | None = None, upto_ms: int | None = None) -> int:
        """See LogReader."""
        steps = f'{self._of_sensors()} |> filter(fn: (r) => r._field == "quality") |> count()'
        low = 0 if after_ms is None else after_ms + 1
        tables = self._connection.tables(steps, from_ms=low, upto_ms=_FAR_MS if upto_ms is None else upto_ms)
        return sum(int(row[columns.index("_value")]) for columns, rows in tables for row in rows)

    def events(self, *, after_ms: int | None = None, upto_ms: int | None = None) -> list[AlarmEvent]:
        """See LogReader."""
        steps = f'|> filter(fn: (r) => r._measurement == "alarm" and r.site == {flux_text(self._site)})'
        low = 0 if after_ms is None else after_ms + 1
        found: dict[tuple[int, str, str, str], dict[str, str]] = {}
        for columns, rows in self._connection.tables(
            steps, from_ms=low, upto_ms=_FAR_MS if upto_ms is None else upto_ms
        ):
            at = {name: position for position, name in enumerate(columns)}
            for row, t_ms in zip(rows, stamps_ms([row[at["_time"]] for row in rows]).tolist(), strict=True):
                key = (t_ms, row[at["alarm"]], row[at["subject"]], row[at["state"]])
                found.setdefault(key, {})[row[at["_field"]]] = row[at["_value"]]
        return [
            AlarmEvent(
                *key,
                float(fields.get("value", "nan")),
                float(fields.get("limit", "nan")),
                fields.get("unit", ""),
                fields.get("reason", ""),
            )
            for key, fields in sorted(found.items())
        ]

    def checkpoint(self, digest: str, *, upto_ms: int | None = None) -> tuple[int, str] | None:  # noqa: ARG002
        """A server keeps no states: it is all worked out from the first reading."""
        return None

    def clock_is_trusted(self) -> bool:
        """Nothing else is sent."""
        return True

    def run_starts_ms(self) -> list[int]:
        """A server has not got them: a silence of the gauge tells most of what they would."""
        return []

    def settings_have_changed(self, digest: str) -> bool:  # noqa: ARG002
        """Nobody knows here, so they may have."""
        return True

    # --- questions ---------------------------------------------------------------------------------------------

    def _sensors(self) -> tuple[_Sensor, ...]:
        if self._known is None:
            first = {(kind, name): t_ms for kind, name, t_ms in self._ends("first", _FAR_MS)}
            last = {(kind, name): t_ms for kind, name, t_ms in self._ends("last", _FAR_MS)}
            found = [_Sensor(name, Kind(kind), first[kind, name], last[kind, name]) for kind, name in first]
            many = len(self._order)
            self._known = tuple(sorted(found, key=lambda one: (self._order.get(one.name, many), one.name)))
        return self._known

    def _ends(self, which: str, upto_ms: int) -> list[tuple[str, str, int]]:
        """Kind, sensor and stamp of each sensor's first or last reading up to a time."""
        steps = f'{self._of_sensors()} |> filter(fn: (r) => r._field == "quality") |> {which}()'
        found = []
        for columns, rows in self._connection.tables(steps, from_ms=0, upto_ms=upto_ms):
            at = {name: position for position, name in enumerate(columns)}
            stamps = stamps_ms([row[at["_time"]] for row in rows]).tolist()
            found += [(row[at["_measurement"]], row[at["sensor"]], t) for row, t in zip(rows, stamps, strict=True)]
        return found

    def _of_sensors(self, kinds: Sequence[str] = tuple(Kind)) -> str:
        one_of = " or ".join(f'r._measurement == "{kind}"' for kind in kinds)
        return f"|> filter(fn: (r) => r.site == {flux_text(self._site)} and ({one_of}))"

    def _window(self, known: Sequence[_Sensor], wanted: Sequence[_Sensor], low: int, high: int) -> Batch:
        steps = self._of_sensors(sorted({str(one.kind) for one in wanted}))
        if len(wanted) < len(known):
            names = " or ".join(f"r.sensor == {flux_text(one.name)}" for one in wanted)
            steps += f" |> filter(fn: (r) => {names})"
        steps += ' |> keep(columns: ["_time", "_value", "_field", "_measurement", "sensor"])'
        columns_of: dict[tuple[str, str], tuple[I64, F64]] = {}
        for columns, rows in self._connection.tables(steps, from_ms=low + 1, upto_ms=high):
            at = {name: position for position, name in enumerate(columns)}
            values = np.array([float(row[at["_value"]]) for row in rows])
            key = rows[0][at["sensor"]], rows[0][at["_field"]]
            columns_of[key] = stamps_ms([row[at["_time"]] for row in rows]), values
        parts = []
        for position, one in enumerate(known):
            if (one.name, "quality") in columns_of:
                t_ms, quality = columns_of[one.name, "quality"]
                value = _beside(t_ms, columns_of.get((one.name, VALUE_FIELD[one.kind])))
                spread = _beside(t_ms, columns_of.get((one.name, "spread_mm")))
                parts.append((t_ms, np.full(len(t_ms), position, dtype=np.int16), value, quality, spread))
        return _in_order(tuple(one.name for one in known), parts)


def _beside(t_ms: I64, column: tuple[I64, F64] | None) -> F64:
    """A field's values at these stamps; NaN where it has none."""
    found = np.full(len(t_ms), np.nan)
    if column is not None:
        found[np.searchsorted(t_ms, column[0])] = column[1]
    return found


def _in_order(names: tuple[str, ...], parts: list[tuple[I64, npt.NDArray[np.int16], F64, F64, F64]]) -> Batch:
    if not parts:
        return Batch.from_rows(names, [])
    t_ms, sensor, value, quality, spread = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.lexsort((sensor, t_ms))
    return Batch(names, t_ms[order], sensor[order], value[order], quality[order].astype(np.uint8), spread[order])
