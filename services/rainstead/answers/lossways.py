"""Two ways to a tank's seepage: from dawn to dawn, and, where water is drawn by day, by the nights alone."""

import math
from dataclasses import dataclass

import numpy as np

from rainstead.calc.desk import (
    Answered,
    Estimate,
    Mornings,
    Nights,
    Unknown,
    estimate,
    fit_mornings,
    fit_nights,
    loss_against_depth,
    without_evaporation,
)

from .evaporating import TankEvaporation

__all__ = ["NIGHT_PART", "NIGHT_PART_U_RATIO", "Way", "by_mornings", "by_nights", "narrower"]

_DAY_MS = 86_400_000
NIGHT_PART = 0.5
NIGHT_PART_U_RATIO = 1 / math.sqrt(12) / NIGHT_PART
"""At night between none and all of a day's mean evaporation goes on, evenly likely: half (common practice)."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way's answer; draw_l_day is None where none was taken off."""

    name: str
    loss_l_day: Answered
    evaporation_l_day: Answered
    draw_l_day: Estimate | None
    seepage_l_day: Answered
    per_metre_l_day_m: Answered
    standing_days: float


def by_mornings(mornings: Mornings, evaporation: TankEvaporation, scale_u_ratio: float, draw: Estimate | None) -> Way:
    """Dawn to dawn. draw: what the household is known to take a day, for the tank that it is drawn from."""
    name = "mornings" if draw is None else "mornings_less_draw"
    whole = fit_mornings(mornings)
    if isinstance(whole, Unknown):
        return Way(name, whole, _evaporation(evaporation, mornings), draw, whole, whole, 0.0)
    loss = whole.estimate(scale_u_ratio * whole.loss_l_day)
    dried = _evaporation(evaporation, mornings)
    if isinstance(dried, Unknown):
        return Way(name, loss, dried, draw, dried, dried, whole.days)
    kept = without_evaporation(mornings, _since_first(evaporation, mornings))
    rest = fit_mornings(kept)
    if isinstance(rest, Unknown):
        return Way(name, loss, dried, draw, rest, rest, whole.days)
    others = [scale_u_ratio * whole.loss_l_day, dried.u] + ([] if draw is None else [draw.u])
    seepage = rest.estimate(*others, less_l_day=0.0 if draw is None else draw.value)
    # Depth and evaporation both go with the season: what is wrong with the one may pass for the other.
    per_metre = loss_against_depth(kept, 0.0 if evaporation.area_m2 == 0 else dried.u)
    return Way(name, loss, dried, draw, seepage, per_metre, whole.days)


def by_nights(nights: Nights, evaporation: TankEvaporation, scale_u_ratio: float) -> Way:
    """By the slopes of quiet nights."""
    whole = fit_nights(nights)
    because = Unknown("nights alone do not tell it: the air's turn within a night counts for more")
    dried_l_day = NIGHT_PART * evaporation.l_day(nights.t_ms)
    if isinstance(whole, Unknown):
        return Way("nights", whole, whole, None, whole, because, 0.0)
    scale_u = scale_u_ratio * whole.loss_l_day
    loss = whole.estimate(scale_u, nights.shared_u_l_day)
    if np.isnan(dried_l_day).all():
        assert isinstance(evaporation.days, Unknown)
        return Way("nights", loss, evaporation.days, None, evaporation.days, because, whole.days)
    mean = float(np.nanmean(dried_l_day))
    dried = estimate(mean, mean * math.hypot(evaporation.u_ratio, NIGHT_PART_U_RATIO), floor=0.0)
    seepage = whole.estimate(scale_u, nights.shared_u_l_day, dried.u, less_l_day=mean)
    return Way("nights", loss, dried, None, seepage, because, whole.days)


def narrower(one: Way, other: Way) -> Way:
    """The way that knows the seepage better."""
    if isinstance(one.seepage_l_day, Unknown):
        return one if isinstance(other.seepage_l_day, Unknown) else other
    if isinstance(other.seepage_l_day, Unknown):
        return one
    return other if other.seepage_l_day.u < one.seepage_l_day.u else one


def _since_first(evaporation: TankEvaporation, mornings: Mornings) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Litres that evaporated by each morning, since the first of all; NaN within a spell that lacks a day."""
    first_ms = np.concatenate([mornings.t_ms[:1], mornings.t_ms[:-1]])
    step = evaporation.litres(first_ms, mornings.t_ms)
    # Between spells nobody asks.
    begins = np.concatenate([[True], np.diff(mornings.spell) > 0])
    step = np.where(begins & np.isnan(step), 0.0, step)
    unknown = np.isin(mornings.spell, mornings.spell[np.isnan(step)])
    return np.where(unknown, np.nan, np.cumsum(np.where(np.isnan(step), 0.0, step)))


def _evaporation(evaporation: TankEvaporation, mornings: Mornings) -> Answered:
    """The mean over the standing days, with one unknown error for all of them."""
    if evaporation.area_m2 == 0:
        return estimate(0.0, 0.0)
    if isinstance(evaporation.days, Unknown):
        return evaporation.days
    same = np.diff(mornings.spell) == 0
    litres = evaporation.litres(mornings.t_ms[:-1], mornings.t_ms[1:])[same]
    days = np.diff(mornings.t_ms)[same] / _DAY_MS
    known = ~np.isnan(litres)
    if not known.any():
        return Unknown("evaporation is not known for any of the standing days")
    mean = float(litres[known].sum()) / float(days[known].sum())
    return estimate(mean, evaporation.u_ratio * mean, floor=0.0)
