"""Alarm rules as pure state machines: readings in, changes out. What is sent, and how, is not known here."""

from .limit import LIMIT_START, Change, LimitRule, LimitState, advance

__all__ = ["LIMIT_START", "Change", "LimitRule", "LimitState", "advance"]
