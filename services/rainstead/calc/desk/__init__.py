"""The water science of the desk: pure like its parent, but free to use scipy, so the logger never imports it."""

from .estimate import Answered, Estimate, Unknown, estimate, lower_bound
from .levels import LevelMean, TankMinutes, level_mean, volume_change
from .network import Network, Roof, Settled, WaterTank

__all__ = [
    "Answered",
    "Estimate",
    "LevelMean",
    "Network",
    "Roof",
    "Settled",
    "TankMinutes",
    "Unknown",
    "WaterTank",
    "estimate",
    "level_mean",
    "lower_bound",
    "volume_change",
]
