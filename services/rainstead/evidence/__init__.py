"""What desk questions are answered from: the log worked out by the shared calculation, with the notes."""

from .gather import gather
from .minutes import MinuteFold
from .rows import Evidence, FlowEvidence, RainEvidence, TemperatureMinutes
from .unheard import Unheard
from .water import network_of

__all__ = [
    "Evidence",
    "FlowEvidence",
    "MinuteFold",
    "RainEvidence",
    "TemperatureMinutes",
    "Unheard",
    "gather",
    "network_of",
]
