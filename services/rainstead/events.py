"""An alarm's change of state, as it is raised and as the log keeps it."""

from dataclasses import dataclass

__all__ = ["AlarmEvent"]


@dataclass(frozen=True, slots=True)
class AlarmEvent:
    """An alarm changed its state: when, whose, to what, by which value against which limit, and why in words."""

    t_ms: int
    alarm: str
    subject: str
    state: str
    value: float
    limit: float
    unit: str
    reason: str
