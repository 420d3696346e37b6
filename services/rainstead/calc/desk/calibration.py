"""A fitted figure held against the one in force; and whether readings agree among themselves."""

import math
from dataclasses import dataclass

from .estimate import Estimate
from .latescipy import scipy

__all__ = ["Against", "Scatter", "against", "scatter_of"]

_RARE = 0.01
"""Readings that scatter so much by chance alone, or more, are one in a hundred."""


@dataclass(frozen=True, slots=True)
class Against:
    """A fit against the figure in force. en: their difference over its expanded uncertainty."""

    in_force: float
    in_force_u: float
    difference: Estimate
    en: float
    differs: bool


@dataclass(frozen=True, slots=True)
class Scatter:
    """How far readings lie from their fit, in their own uncertainties. ratio: 1, or by how much these fall short."""

    chi2: float
    dof: int
    ratio: float
    contradict: bool


def against(fitted: Estimate, in_force: float, in_force_u: float) -> Against:
    """By the normalised error: |En| above 1 is a difference that the two uncertainties do not explain.

    Source: ISO 13528:2015, 9.7 (from memory); expanded uncertainties are the halves of the 95 % intervals.
    """
    assert fitted.high is not None
    half = math.hypot((fitted.high - fitted.low) / 2, 1.959963985 * in_force_u)
    gap = fitted.value - in_force
    en = gap / half if half > 0 else math.copysign(math.inf, gap) if gap else 0.0
    difference = Estimate(gap, math.hypot(fitted.u, in_force_u), gap - half, gap + half)
    return Against(in_force, in_force_u, difference, en, abs(en) > 1)


def scatter_of(chi2: float, dof: int) -> Scatter:
    """Whether readings contradict one another, and the ratio that their uncertainties must grow by if so.

    Source: Birge, Phys. Rev. 40 (1932) 207: the root of chi-square over its degrees of freedom, never below 1.
    """
    if dof <= 0:
        return Scatter(chi2, 0, 1.0, contradict=False)
    return Scatter(chi2, dof, max(math.sqrt(chi2 / dof), 1.0), contradict=float(scipy.stats.chi2.sf(chi2, dof)) < _RARE)
