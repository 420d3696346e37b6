"""Where readings and settings meet the calculation: the logger live and the desk on replay run this and nothing else.

`Deriver(settings).advance(state, batch)` takes readings in the log's order and gives everything that follows from
them. How they were cut into batches changes no bit of any answer.
"""

from .deriver import AIR_MAX_AGE_MS, CALCULATION, Deriver
from .echoes import judged_echoes
from .plan import Counter, MeasuredTank, air_or_assumed, gauge_of, litres_of, meter_of, shape_in_force
from .rows import Derived, FlowRows, LevelRows, RainRows, TemperatureRows
from .state import GaugeState, MeterState, State, TankNow, TankState

__all__ = [
    "AIR_MAX_AGE_MS",
    "CALCULATION",
    "Counter",
    "Derived",
    "Deriver",
    "FlowRows",
    "GaugeState",
    "LevelRows",
    "MeasuredTank",
    "MeterState",
    "RainRows",
    "State",
    "TankNow",
    "TankState",
    "TemperatureRows",
    "air_or_assumed",
    "gauge_of",
    "judged_echoes",
    "litres_of",
    "meter_of",
    "shape_in_force",
]
