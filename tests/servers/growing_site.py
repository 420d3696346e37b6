"""A site whose log grows piece by piece as a logger's does: readings, alarm events and the kept state of each piece."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rainstead.derive import Deriver
from rainstead.events import AlarmEvent
from rainstead.log import Columns, LogWriter, Row
from rainstead.readings import Batch
from rainstead.settings import Settings, parse_settings, sensor_kind
from rainstead.statekeeping import state_to_text

__all__ = ["GrowingSite", "Piece", "begin_log", "pieces"]

_SEGMENT = 1
"""Of the one boot that writes such a log."""


@dataclass(frozen=True, slots=True)
class Piece:
    """What a logger commits for a stretch of time. state: the calculation's at its last reading, as text."""

    rows: list[Row]
    events: tuple[AlarmEvent, ...]
    state_ms: int
    state: str


def pieces(settings: Settings, columns: Sequence[Columns], edges_ms: Sequence[int]) -> Iterator[Piece]:
    """The columns cut at these times, each piece up to its edge and with it; pieces without a reading are left out.

    Holds for every log that `begin_log` began with settings of the same sensors.
    """
    deriver = Deriver(settings)
    names = tuple(sorted(settings.sensors))
    position = {name: k for k, name in enumerate(names)}
    t_ms = np.concatenate([one.t_ms for one in columns])
    sensor = np.concatenate([np.full(len(one.t_ms), position[one.sensor], np.int16) for one in columns])
    order = np.lexsort((sensor, t_ms))
    value, quality, spread = (
        np.concatenate([getattr(one, name) for one in columns])[order] for name in ("value", "quality", "spread")
    )
    t_ms, sensor = t_ms[order], sensor[order]
    state = deriver.start()
    first = 0
    for last in np.searchsorted(t_ms, np.asarray(edges_ms), side="right").tolist():
        if last > first:
            cut = slice(first, last)
            batch = Batch(names, t_ms[cut], sensor[cut], value[cut], quality[cut], spread[cut])
            state, derived = deriver.advance(state, batch)
            columns_of_rows = (t_ms[cut], sensor[cut] + 1, value[cut], quality[cut], spread[cut])
            told = zip(*(column.tolist() for column in columns_of_rows), strict=True)
            rows: list[Row] = [(t, n, _SEGMENT, v, q, s, None) for t, n, v, q, s in told]
            yield Piece(rows, tuple(derived.events), int(t_ms[last - 1]), state_to_text(state))
            first = last


def begin_log(path: Path, text: str, settings: Settings, t_ms: int) -> None:
    """An empty log that pieces fit into. t_ms: from when on the settings are in force."""
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers({name: sensor_kind(sensor) for name, sensor in settings.sensors.items()})
        assert numbers == {name: k + 1 for k, name in enumerate(sorted(settings.sensors))}
        segment = writer.begin_segment(writer.begin_boot("logger", "growing", 0), 0, trusted=True)
        assert segment == _SEGMENT
        writer.keep_settings(t_ms, Deriver(settings).digest, text)


class GrowingSite:
    """A site's folder, and the one writer of its log."""

    def __init__(self, folder: Path, text: str, token: str, t_ms: int) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.settings = folder, parse_settings(text, "site.toml")
        (folder / "site.toml").write_text(text, encoding="utf-8")
        secret = folder / "server.token"
        secret.write_text(token, encoding="utf-8")
        secret.chmod(0o600)
        self.newest_ms = 0
        self._digest = Deriver(self.settings).digest
        if not (folder / "readings.db").exists():
            begin_log(folder / "readings.db", text, self.settings, t_ms)
        self._writer = LogWriter(folder / "readings.db")

    def add(self, piece: Piece, *, keep_state: bool = True, seal: bool = True) -> None:
        """Commit a piece, and do what a logger does after it."""
        with self._writer.transaction():
            self._writer.append(piece.rows)
            self._writer.append_events(_SEGMENT, piece.events)
            if keep_state:
                self._writer.save_checkpoint(piece.state_ms, self._digest, piece.state)
        self.newest_ms = piece.state_ms
        if seal:
            self.seal()

    def seal(self) -> int:
        """One closed hour; 0 where there is none."""
        return self._writer.seal_some(self.newest_ms)

    def close(self) -> None:
        """Let go of the log."""
        self._writer.close()
