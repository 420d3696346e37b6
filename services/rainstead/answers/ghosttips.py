"""Tips in doubt, gathered while the log is read: shown beside the rain, never taken out of it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rainstead import calc
from rainstead.calc import TipDoubt
from rainstead.derive import Derived
from rainstead.readings import F64, I64, U8, Batch, Quality
from rainstead.settings import Settings, TippingBucket

__all__ = ["DOUBT_WORDS", "DoubtfulTips", "TipDoubts", "TipGathering"]

DOUBT_WORDS = {
    TipDoubt.ALONE: "alone for hours",
    TipDoubt.SWITCHING: "as the pump was switched",
    TipDoubt.TOO_HARD: "closer than any rain",
    TipDoubt.TOGETHER: "in one moment with another gauge",
}


@dataclass(frozen=True, slots=True)
class DoubtfulTips:
    """Tips of one doubt. doubt: alone, switching, too_hard or together."""

    doubt: str
    because: str
    tips: int
    rain_mm: float


@dataclass(frozen=True, slots=True)
class TipDoubts:
    """All tips in doubt, in order of time."""

    t_ms: I64
    tips: I64
    rain_mm: F64
    doubts: U8

    def count(self, after_ms: int, upto_ms: int) -> tuple[int, float]:
        """Tips in doubt, and their rain, after a time and up to another."""
        inside = (self.t_ms > after_ms) & (self.t_ms <= upto_ms)
        return int(self.tips[inside].sum()), round(float(self.rain_mm[inside].sum()), 6)

    def by_doubt(self, after_ms: int) -> tuple[DoubtfulTips, ...]:
        """The same by their doubts."""
        lines = []
        for doubt, because in DOUBT_WORDS.items():
            mine = (self.doubts == doubt) & (self.t_ms > after_ms)
            if mine.any():
                rain_mm = round(float(self.rain_mm[mine].sum()), 6)
                lines.append(DoubtfulTips(doubt.name.lower(), because, int(self.tips[mine].sum()), rain_mm))
        return tuple(lines)


class TipGathering:
    """Takes in each batch with what followed from it. `sensors`: what must be read for it."""

    def __init__(self, settings: Settings) -> None:
        assert settings.rain is not None
        gauge = settings.sensors[settings.rain.gauge]
        assert isinstance(gauge, TippingBucket)
        self._hardest_mm_h = gauge.hardest_mm_h
        self._others = [
            name
            for name, sensor in settings.sensors.items()
            if isinstance(sensor, TippingBucket) and name != settings.rain.gauge
        ]
        meter = [] if settings.pump is None or settings.pump.meter is None else [settings.pump.meter]
        self.sensors: Sequence[str] = (settings.rain.gauge, *self._others, *meter)
        self._t_ms, self._tips, self._rain_mm = [np.empty(0, np.int64)], [np.empty(0, np.int64)], [np.empty(0)]
        self._others_ms = [np.empty(0, np.int64)]
        self._switched_ms: list[int] = []

    def take(self, batch: Batch, derived: Derived) -> None:
        """See the class."""
        for rows in derived.rain:
            tipped = rows.tips > 0
            self._t_ms.append(rows.t_ms[tipped])
            self._tips.append(rows.tips[tipped])
            self._rain_mm.append(rows.rain_mm[tipped])
        for name in self._others:
            other = batch.of(name)
            self._others_ms.append(other.t_ms[(other.quality == Quality.OK) & (other.value > 0)])
        self.switched(*derived.runs)

    def switched(self, *runs: calc.PumpRun) -> None:
        """The pump began and ended."""
        for run in runs:
            self._switched_ms += [run.start_ms, run.end_ms]

    def finish(self, as_of_ms: int) -> TipDoubts:
        """The tips in doubt, of all that was taken in."""
        t_ms, tips, rain_mm = np.concatenate(self._t_ms), np.concatenate(self._tips), np.concatenate(self._rain_mm)
        doubts = calc.tip_doubts(
            t_ms,
            rain_mm / np.maximum(tips, 1),
            others_ms=np.sort(np.concatenate(self._others_ms)),
            switched_ms=np.sort(np.array(self._switched_ms, dtype=np.int64)),
            upto_ms=as_of_ms,
            hardest_mm_h=self._hardest_mm_h,
        )
        odd = doubts != TipDoubt.NONE
        return TipDoubts(t_ms[odd], tips[odd], rain_mm[odd], doubts[odd])
