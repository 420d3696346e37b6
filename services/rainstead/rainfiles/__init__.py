"""Rain from files of others: a daily record of past years, a forecast."""

from .forecastfile import read_forecast
from .record import RainRecord, read_rain_record
from .refused import RainFileRefused

__all__ = ["RainFileRefused", "RainRecord", "read_forecast", "read_rain_record"]
