"""Rain that might come, drawn from a record in blocks of days of the same season."""

import numpy as np

from rainstead.calc.arrays import F64, I64

from .estimate import Unknown

__all__ = ["BLOCK_DAYS", "SEASON_DAYS", "season_paths"]

BLOCK_DAYS = 10
"""Days that follow one another in the record stay together: a wet spell lasts days (common practice)."""
SEASON_DAYS = 20
"""A block begins within so many days of the date that it stands for, in any year."""
_FEWEST_BLOCKS = 30
_YEAR_DAYS = 365


def season_paths(
    day_of_year: I64,
    rain_mm: F64,
    first_day_of_year: int,
    days: int,
    paths: int,
    *,
    seed: int,
    any_season: bool = False,
) -> F64 | Unknown:
    """Daily rain, (days, paths), by a seasonal moving-block bootstrap (after Kuensch, Ann. Stat. 17, 1989).

    day_of_year, rain_mm: the record, each day once and in order, NaN where its rain is not known: no block holds such
    a day. first_day_of_year: of the first day to come. any_season: blocks from anywhere in the record.
    """
    known = np.isfinite(rain_mm)
    if known.sum() < BLOCK_DAYS:
        return Unknown(f"the rain record has {int(known.sum())} known days; a block of it takes {BLOCK_DAYS}")
    missing = np.concatenate([[0], np.cumsum(~known)])
    starts = np.flatnonzero(missing[BLOCK_DAYS:] == missing[:-BLOCK_DAYS])
    rng = np.random.default_rng(seed)
    out = np.zeros((days, paths))
    for first in range(0, days, BLOCK_DAYS):
        apart = np.abs(day_of_year[starts] - (first_day_of_year + first - 1) % _YEAR_DAYS - 1)
        good = starts if any_season else starts[np.minimum(apart, _YEAR_DAYS - apart) <= SEASON_DAYS]
        if len(good) < _FEWEST_BLOCKS:
            season = "this season" if first == 0 else f"the season {first} days from now"
            return Unknown(
                f"the rain record has {len(good)} unbroken stretches of {BLOCK_DAYS} days of {season}; "
                f"{_FEWEST_BLOCKS} are wanted: name a longer record"
            )
        chosen = rng.choice(good, size=paths)
        length = min(BLOCK_DAYS, days - first)
        out[first : first + length] = rain_mm[chosen[np.newaxis, :] + np.arange(length)[:, np.newaxis]]
    return out
