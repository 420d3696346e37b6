"""A fault alarm: something is bad or well at each look. Raised with memory, cleared when it stays well, never often.

A fault that comes and goes is the usual one: a loose plug, a card that refuses now and then. One good moment must not
hide it, and each of its turns must not become an event.
"""

from dataclasses import dataclass
from typing import Final

__all__ = ["MOST_EVENTS_A_DAY", "Fault", "FaultRule", "look", "resumed", "steady_ms"]

DAY_MS: Final = 86_400_000
PAYS_OFF: Final = 2
"""A good minute makes up for so many bad ones: what is bad for more than two thirds of the time is raised at last."""
AGAIN_MS: Final = 300_000
"""So long it must be well after the second time in a day, three times as long after each further one."""
LONGER: Final = 3
MOST_EVENTS_A_DAY: Final = 15
"""Changes in any 24 hours, whatever the fault does: seven times raised take 5 + 15 + 45 + 135 + 405 minutes of being
well between the second and the last, and an eighth would take 20 hours more."""


@dataclass(frozen=True, slots=True)
class FaultRule:
    """Raised after so much trouble, none of it made up for; cleared when all was well for `well_ms` without a break."""

    after_ms: int
    well_ms: int


@dataclass(frozen=True, slots=True)
class Fault:
    """After a look. Times are boot-clock milliseconds, and may lie before the boot.

    bad: how it was at that look; None where nobody has looked. owed_ms: trouble that no good time has made up for.
    spells: how often trouble has begun since it was last well for good. raised_ms: when it was raised within a day.
    """

    active: bool = False
    bad: bool | None = None
    looked_ms: int | None = None
    owed_ms: int = 0
    well_since_ms: int | None = None
    spells: int = 0
    raised_ms: tuple[int, ...] = ()


def look(state: Fault, rule: FaultRule, boot_ms: int, bad: bool) -> Fault:
    """The state after one more look; what lies between two looks was as the earlier found it.

    Off-delay: OPC 10000-9, B.1.5. That it grows with each turn is ours, so that no pattern makes many events.
    """
    passed_ms = 0 if state.looked_ms is None else max(0, boot_ms - state.looked_ms)
    owed_ms = state.owed_ms + passed_ms if state.bad else max(0, state.owed_ms - PAYS_OFF * passed_ms)
    raised_ms = tuple(at for at in state.raised_ms if boot_ms - at < DAY_MS)
    # Where nobody has looked for a while, trouble that is still there is the same.
    spells = state.spells + (bad and (state.bad is False or not state.spells))
    active, well_since_ms = state.active, None
    if active and not bad:
        well_since_ms = boot_ms if state.well_since_ms is None else state.well_since_ms
        active = boot_ms - well_since_ms < steady_ms(rule, raised_ms)
        if not active:
            owed_ms, well_since_ms = 0, None
    elif not active and bad and owed_ms >= rule.after_ms:
        active, raised_ms = True, (*raised_ms, boot_ms)
    if not active and not bad and owed_ms == 0:
        spells = 0
    return Fault(active, bad, boot_ms, owed_ms, well_since_ms, spells, raised_ms)


def steady_ms(rule: FaultRule, raised_ms: tuple[int, ...]) -> int:
    """For how long all must be well before the alarm is cleared, where it was raised so often within a day."""
    if len(raised_ms) < 2:
        return rule.well_ms
    return max(rule.well_ms, AGAIN_MS * int(LONGER ** (len(raised_ms) - 2)))


def resumed(state: Fault, *, active: bool, raised_ms: tuple[int, ...]) -> Fault:
    """Where nobody looked for a while: what is owed stays, and a stretch of being well begins anew."""
    return Fault(active, None, None, state.owed_ms, None, state.spells, raised_ms)
