"""By which clock a boot is dated that two logs know, where its clock was set in one of them after they parted."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

__all__ = ["SMALL_MS", "Settled", "Stretch", "settle"]

SMALL_MS: Final = 60_000
"""A clock that is set by less than this moves no stamps that the log has: so the logger has it."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """A segment of the boot: its offset, whether the clock was known to be right, its first and last boot clock."""

    offset_ms: int
    trusted: bool
    first_ms: int
    last_ms: int
    was_offset_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Settled:
    """old: the offset that all of the old log's stretches get, and whether it is known to be right; None: they keep
    theirs. present: the offset, known to be right, to which this log's stretches move; None: they stay."""

    old: tuple[int, bool] | None = None
    present: int | None = None


def settle(old: Sequence[Stretch], present: Sequence[Stretch]) -> Settled:
    """What a log that never broke would have made of it.

    A machine's boot has one clock. Whoever set it, by a minute or more, said of all of the boot when it was; so the
    word that was given later holds, and any word holds against a guess.
    """
    if not old or not present:
        return Settled()
    old_last, present_last = max(old, key=lambda one: one.last_ms), max(present, key=lambda one: one.last_ms)
    present_first = min(present, key=lambda one: one.first_ms)
    old_knows, present_knows = any(one.trusted for one in old), any(one.trusted for one in present)
    if not old_knows and not present_knows:
        in_order = old_last.last_ms < present_first.first_ms and (
            old_last.last_ms + old_last.offset_ms < present_first.first_ms + present_first.offset_ms
        )
        same = {one.offset_ms for one in old} == {one.offset_ms for one in present}
        return Settled() if in_order or same else Settled(old=(present_first.offset_ms, False))
    if old_knows and present_knows:
        # A copy that parted earlier ends earlier; of two that end together, one may tell what it was before.
        were = {one.was_offset_ms for one in old if one.was_offset_ms is not None}
        old_is_later = old_last.last_ms > present_last.last_ms or (
            old_last.last_ms == present_last.last_ms and any(one.offset_ms in were for one in present)
        )
    else:
        old_is_later = old_knows
    if old_is_later:
        offset_ms = _first_known(old).offset_ms
        return Settled(present=offset_ms) if _is_dated_otherwise(present, offset_ms) else Settled()
    offset_ms = _first_known(present).offset_ms
    return Settled(old=(offset_ms, True)) if _is_dated_otherwise(old, offset_ms) else Settled()


def _first_known(stretches: Sequence[Stretch]) -> Stretch:
    """Later ones may be of a clock that was nudged since."""
    return min((one for one in stretches if one.trusted), key=lambda one: one.first_ms)


def _is_dated_otherwise(stretches: Sequence[Stretch], offset_ms: int) -> bool:
    return any(not one.trusted or abs(one.offset_ms - offset_ms) >= SMALL_MS for one in stretches)
