"""Rain expected, from where it was told: typed, a file, the notebook."""

from dataclasses import dataclass
from pathlib import Path

from rainstead.calc.desk import RainExpected
from rainstead.errors import OutOfDomain
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
    time it is expected in; None where it was typed. has_begun: some of it may have fallen already.
    """

    told_by: str
    from_ms: int | None
    upto_ms: int | None
    has_begun: bool
    low_mm: float
    likely_mm: float
    high_mm: float

    @property
    def expected(self) -> RainExpected:
        """For the calculation."""
        return RainExpected(self.low_mm, self.likely_mm, self.high_mm)


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


def rain_ahead(settings: Settings, notes: Notes, as_of_ms: int, typed: str | None, file: Path | None) -> RainAhead:
    """What was typed, else the file, else the newest forecast of the notebook that is not over. Raises Refused."""
    if typed is not None and file is not None:
        raise Refused("--rain and --forecast: give one of them, or neither for the newest forecast of the notebook")
    if typed is not None:
        rain = read_rain(typed)
        return RainAhead("typed", None, None, False, rain.low_mm, rain.likely_mm, rain.high_mm)
    if file is not None:
        return _told("file", read_forecast(file, settings.site.time_zone, as_of_ms), as_of_ms)
    ahead = [one for one in notes.forecasts if one.upto_ms > as_of_ms]
    if not ahead:
        raise Refused(
            "no rain was told, and the notebook has no forecast that is not over; give --rain 25mm, or "
            "--rain low,likely,high, or --forecast FILE, or note one with `rainstead note forecast`"
        )
    return _told("notebook", max(ahead, key=lambda one: one.t_ms), as_of_ms)


def _told(by: str, forecast: Forecast, as_of_ms: int) -> RainAhead:
    return RainAhead(
        told_by=by,
        from_ms=forecast.from_ms,
        upto_ms=forecast.upto_ms,
        has_begun=forecast.from_ms < as_of_ms,
        low_mm=forecast.low_mm,
        likely_mm=forecast.likely_mm,
        high_mm=forecast.high_mm,
    )
