"""What people add: dips, deliveries, fuel, nozzle settings, forecasts."""

from .entries import Delivery, Dip, Entry, Forecast, FuelFill, KnownVolume, Notes, RunNote

__all__ = ["Delivery", "Dip", "Entry", "Forecast", "FuelFill", "KnownVolume", "Notes", "RunNote"]
