"""Dips against the ranger: by how much the face stands higher or lower than the settings say."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64

from .calibration import Scatter, scatter_of
from .estimate import Answered, Estimate, Unknown, estimate
from .latescipy import scipy
from .levels import AIR_DRIFT_MS

__all__ = ["DipFit", "DipPair", "fit_dips"]

_FEWEST_FOR_SCALE = 4
_LEAST_RANGE_M = 0.3


@dataclass(frozen=True, slots=True)
class DipPair:
    """A dip, and what the ranger said of the same water. The ranger's own zero is left out: it is what is asked for."""

    label: str
    t_ms: int
    dip_m: float
    dip_u_m: float
    level_m: float
    level_noise_u_m: float
    level_sound_u_m: float

    @property
    def gap_m(self) -> float:
        """Dip less level."""
        return self.dip_m - self.level_m


@dataclass(frozen=True, slots=True)
class DipFit:
    """offset_m: to be added to the face's height. slope: its growth per metre of depth, as by a wrong speed of sound.

    odd: index of dips that contradict the others and are left out.
    """

    offset_m: Estimate
    scatter: Scatter
    odd: tuple[int, ...]
    slope: Answered


def fit_dips(pairs: Sequence[DipPair]) -> DipFit | Unknown:
    """Weighted mean of dip less level, what the air feigns being shared by dips of the same hours.

    Two dips that contradict give no figure; of three or more, one that contradicts the others is left out.
    Source: JCGM 100:2008, 5.2; generalised least squares.
    """
    if not pairs:
        return Unknown("no dip has a good level within ten minutes of it")
    odd = _odd(pairs)
    kept = [pair for k, pair in enumerate(pairs) if k not in odd]
    offset, u, scatter = _mean(kept)
    if len(kept) == 2 and scatter.contradict:
        return Unknown(
            f"the two dips contradict: {kept[0].label} lies {1000 * kept[0].gap_m:+.0f} mm from the ranger, "
            f"{kept[1].label} {1000 * kept[1].gap_m:+.0f} mm; dip again"
        )
    fitted = estimate(offset, u * scatter.ratio, dof=scatter.dof) if scatter.contradict else estimate(offset, u)
    return DipFit(fitted, scatter, odd, _slope(kept))


def _mean(pairs: Sequence[DipPair]) -> tuple[float, float, Scatter]:
    c = _covariance(pairs)
    gaps = np.array([pair.gap_m for pair in pairs])
    ones = np.ones(len(pairs))
    weights = scipy.linalg.solve(c, ones, assume_a="pos")
    mean = float(weights @ gaps / weights.sum())
    rest = gaps - mean
    chi2 = float(rest @ scipy.linalg.solve(c, rest, assume_a="pos"))
    return mean, 1 / math.sqrt(float(weights.sum())), scatter_of(chi2, len(pairs) - 1)


def _covariance(pairs: Sequence[DipPair]) -> F64:
    t_ms = np.array([pair.t_ms for pair in pairs], dtype=np.float64)
    sound = np.array([pair.level_sound_u_m for pair in pairs])
    alike = np.exp(-np.abs(t_ms[:, None] - t_ms) / AIR_DRIFT_MS)
    own = np.diag([pair.dip_u_m**2 + pair.level_noise_u_m**2 for pair in pairs])
    return np.outer(sound, sound) * alike + own


def _odd(pairs: Sequence[DipPair]) -> tuple[int, ...]:
    """Dips further from the median than five of their own uncertainties and of the others' scatter."""
    if len(pairs) < 3:
        return ()
    gaps = np.array([pair.gap_m for pair in pairs])
    own = np.sqrt(np.diag(_covariance(pairs)))
    away = np.abs(gaps - np.median(gaps))
    scatter = 1.4826 * float(np.median(away))
    return tuple(int(k) for k in np.flatnonzero(away > 5 * np.hypot(own, scatter)))


def _slope(pairs: Sequence[DipPair]) -> Answered:
    depths = np.array([pair.level_m for pair in pairs])
    if len(pairs) < _FEWEST_FOR_SCALE or float(np.ptp(depths)) < _LEAST_RANGE_M:
        return Unknown(
            f"whether it grows with depth takes {_FEWEST_FOR_SCALE} dips over {_LEAST_RANGE_M:.1f} m of depth or more"
        )
    c = _covariance(pairs)
    root = scipy.linalg.cholesky(c, lower=True)
    white = scipy.linalg.solve_triangular(root, np.column_stack([np.ones(len(pairs)), depths]), lower=True)
    target = scipy.linalg.solve_triangular(root, np.array([pair.gap_m for pair in pairs]), lower=True)
    spread = np.linalg.inv(white.T @ white)
    found = spread @ (white.T @ target)
    rest = target - white @ found
    scatter = scatter_of(float(rest @ rest), len(pairs) - 2)
    return estimate(float(found[1]), math.sqrt(float(spread[1, 1])) * scatter.ratio, dof=scatter.dof)
