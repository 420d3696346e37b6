"""Pump runs: what the meter counted."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rainstead import calc
from rainstead.derive import Deriver, FlowRows
from rainstead.errors import RainsteadError
from rainstead.log import ReadingSource
from rainstead.readings import F64, I64, U8
from rainstead.settings import Settings
from rainstead.sickness import doubtful_words, doubts_of

from .answer import Answer, head
from .levels import Z_95

__all__ = ["NoMeter", "PumpAnswer", "RunLine", "pump"]

Progress = Callable[[int], None]


class NoMeter(RainsteadError, ValueError):
    """The settings have no pump with a flow meter."""


@dataclass(frozen=True, slots=True)
class RunLine:
    """One run. fuel_estimate_l: by the rate in the settings, not measured; None where the settings have none.

    doubtful_l: of volume_l, what may be no water; doubt: why, mostly.
    """

    run: calc.PumpRun
    duration_s: float
    volume_low_l: float
    volume_high_l: float
    fuel_estimate_l: float | None
    doubtful_l: float
    doubt: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpAnswer(Answer):
    """Runs in order of time; the last may be going on."""

    meter: str
    source: str
    runs: tuple[RunLine, ...]
    total_l: float
    doubtful_l: float


def pump(
    settings: Settings,
    reader: ReadingSource,
    as_of_ms: int,
    *,
    since_ms: int | None = None,
    progress: Progress | None = None,
) -> PumpAnswer:
    """Runs that end after a time. Raises NoMeter."""
    if settings.pump is None or settings.pump.meter is None:
        raise NoMeter("the settings have no [pump] table with a meter; add one to ask about pump runs")
    deriver = Deriver(settings)
    state = deriver.start()
    found: list[calc.PumpRun] = []
    flow: list[FlowRows] = []
    for batch in reader.batches(upto_ms=as_of_ms, sensors=[settings.pump.meter]):
        state, derived = deriver.advance(state, batch)
        found += derived.runs
        flow += derived.flow
        if progress is not None:
            progress(len(batch))
    last = deriver.open_run(state)
    if last is not None:
        over = as_of_ms - last.end_ms > settings.pump.run_gap_s * 1000
        found.append(replace(last, complete=over))
    fuel = settings.pump.fuel
    doubt = _Doubt.of(settings, flow)
    runs = tuple(
        RunLine(
            run=run,
            duration_s=(run.end_ms - run.start_ms) / 1000,
            volume_low_l=max(0.0, run.volume_l - Z_95 * run.volume_u_l),
            volume_high_l=run.volume_l + Z_95 * run.volume_u_l,
            fuel_estimate_l=None if fuel is None else fuel.rate_l_h * (run.end_ms - run.start_ms) / 3_600_000,
            doubtful_l=doubt.litres(run),
            doubt=doubt.words(run),
        )
        for run in found
        if since_ms is None or run.end_ms >= since_ms
    )
    return PumpAnswer(
        **head(settings, reader, as_of_ms),
        meter=settings.pump.meter,
        source=settings.pump.source,
        runs=runs,
        total_l=sum(line.run.volume_l for line in runs),
        doubtful_l=sum(line.doubtful_l for line in runs),
    )


@dataclass(frozen=True, slots=True)
class _Doubt:
    """The meter's rows that are in doubt."""

    t_ms: I64
    volume_l: F64
    doubts: U8

    @staticmethod
    def of(settings: Settings, flow: Sequence[FlowRows]) -> "_Doubt":
        parts = [rows for rows in flow if len(rows.t_ms)]
        if not parts:
            return _Doubt(np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8))
        t_ms = np.concatenate([rows.t_ms for rows in parts])
        start_ms = np.concatenate([rows.start_ms for rows in parts])
        pulses = np.concatenate([rows.pulses for rows in parts])
        doubts = doubts_of(settings, start_ms, t_ms, pulses)
        odd = doubts != calc.PulseDoubt.NONE
        return _Doubt(t_ms[odd], np.concatenate([rows.volume_l for rows in parts])[odd], doubts[odd])

    def _of_run(self, run: calc.PumpRun) -> slice:
        return slice(*np.searchsorted(self.t_ms, [run.start_ms, run.end_ms + 1]).tolist())

    def litres(self, run: calc.PumpRun) -> float:
        return float(self.volume_l[self._of_run(run)].sum())

    def words(self, run: calc.PumpRun) -> str | None:
        return doubtful_words(self.doubts[self._of_run(run)])
