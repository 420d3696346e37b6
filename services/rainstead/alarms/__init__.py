"""Alarm rules as pure state machines: readings in, changes out. What is sent, and how, is not known here."""

from .board import ACTIVE, BOARD_ALARMS, NORMAL
from .fault import Fault, FaultRule, look, resumed, steady_ms
from .limit import LIMIT_START, Change, LimitRule, LimitState, advance

__all__ = [
    "ACTIVE",
    "BOARD_ALARMS",
    "LIMIT_START",
    "NORMAL",
    "Change",
    "Fault",
    "FaultRule",
    "LimitRule",
    "LimitState",
    "advance",
    "look",
    "resumed",
    "steady_ms",
]
