"""Rain expected, from where it was told: typed, a file, the notebook."""

from dataclasses import dataclass
from pathlib import Path

from rainstead.calc.desk import RainExpected
from rainstead.derive import Deriver
from rainstead.errors import OutOfDomain
from rainstead.log import ReadingSource
from rainstead.notebook import Forecast, Notes
from rainstead.rainfiles import read_forecast
from rainstead.settings import Settings
from rainstead.units import DEPTH_MM, parse_quantity

from .typed import Refused

__all__ = ["RainAhead", "rain_ahead", "read_rain"]

_MOST_MM = 5000.0


@dataclass(frozen=True, slots=True)
class RainAhead:
    """Rain expected and where it was told: `typed`, `file` or `notebook`.

    low, likely and high are 10, 50 and 90 % quantiles; all alike where one figure was given. from_ms, upto_ms: the
    time it is expected in; None where it was typed. fallen_mm: what has fallen of it already, by the gauge; None where
    that time has begun and there is no gauge to tell.
    """

    told_by: str
    from_ms: int | None
    upto_ms: int | None
    fallen_mm: float | None
    low_mm: float
    likely_mm: float
    high_mm: float

    @property
    def expected(self) -> RainExpected:
        """What is still to come: what has fallen is taken off each of the three."""
        fallen_mm = self.fallen_mm or 0.0
        return RainExpected(*(max(mm - fallen_mm, 0.0) for mm in (self.low_mm, self.likely_mm, self.high_mm)))


def read_rain(text: str) -> RainExpected:
    """`25mm`, `1 in`, or low,likely,high; plain numbers are millimetres, a unit at the end holds for all of them."""
    parts = [part.strip() for part in text.split(",")]
    if len(parts) not in (1, 3) or not all(parts):
        raise Refused(f"--rain {text!r}: write one figure, as in 25mm, or low,likely,high, as in 10,25,40mm")
    unit = parts[-1].lstrip("+-.0123456789").strip()
    try:
        # A unit alone may follow the last of the three; each of the others may have its own.
        values = [parse_quantity(part if part[-1].isalpha() else f"{part} {unit or 'mm'}", DEPTH_MM) for part in parts]
    except ValueError as error:
        raise Refused(f"--rain {text!r}: {error}") from None
    if max(values) > _MOST_MM:
        raise Refused(f"--rain {text!r}: {max(values):g} mm cannot be; no storm has brought more than {_MOST_MM:g} mm")
    try:
        return RainExpected(values[0], values[len(values) // 2], values[-1])
    except OutOfDomain as error:
        raise Refused(f"--rain {text!r}: {error}") from None


def rain_ahead(
    settings: Settings, reader: ReadingSource, notes: Notes, as_of_ms: int, typed: str | None, file: Path | None
) -> RainAhead:
    """What was typed, else the file, else the newest forecast of the notebook that is not over. Raises Refused."""
    if typed is not None and file is not None:
        raise Refused("--rain and --forecast: give one of them, or neither for the newest forecast of the notebook")
    if typed is not None:
        rain = read_rain(typed)
        return RainAhead("typed", None, None, 0.0, rain.low_mm, rain.likely_mm, rain.high_mm)
    if file is not None:
        return _told("file", read_forecast(file, settings.site.time_zone, as_of_ms), settings, reader, as_of_ms)
    ahead = [one for one in notes.forecasts if one.upto_ms > as_of_ms]
    if not ahead:
        raise Refused(
            "no rain was told, and the notebook has no forecast that is not over; give --rain 25mm, or "
            "--rain low,likely,high, or --forecast FILE, or note one with `rainstead note forecast`"
        )
    return _told("notebook", max(ahead, key=lambda one: one.t_ms), settings, reader, as_of_ms)


def _told(by: str, forecast: Forecast, settings: Settings, reader: ReadingSource, as_of_ms: int) -> RainAhead:
    return RainAhead(
        told_by=by,
        from_ms=forecast.from_ms,
        upto_ms=forecast.upto_ms,
        fallen_mm=_fallen_mm(settings, reader, forecast.from_ms, as_of_ms),
        low_mm=forecast.low_mm,
        likely_mm=forecast.likely_mm,
        high_mm=forecast.high_mm,
    )


def _fallen_mm(settings: Settings, reader: ReadingSource, from_ms: int, as_of_ms: int) -> float | None:
    if from_ms >= as_of_ms:
        return 0.0
    if settings.rain is None:
        return None
    deriver = Deriver(settings)
    state, fallen_mm = deriver.start(), 0.0
    for batch in reader.batches(after_ms=from_ms, upto_ms=as_of_ms, sensors=[settings.rain.gauge]):
        state, derived = deriver.advance(state, batch)
        fallen_mm += sum(float(rows.rain_mm.sum()) for rows in derived.rain)
    return fallen_mm
