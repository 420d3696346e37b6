"""A strapping table from known volumes: litres per metre of each layer, never negative, with what is known of each."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize, stats

from rainstead.calc.arrays import F64
from rainstead.calc.strapping import Volume

from .calibration import Scatter, scatter_of
from .estimate import Estimate, Unknown, estimate
from .fillsteps import FillStep, StraightFit, covariance, fit_straight, told_apart

__all__ = ["StrappingFit", "TablePoint", "fit_strapping"]

_MOST_LAYERS = 12
_LEAST_LAYER_M = 0.02
_ROUNDS = 4
_FLAT_BELOW_L_M = 1e-9


@dataclass(frozen=True, slots=True)
class TablePoint:
    """A pair of the table. is_measured: the layer below it was filled or drawn by known volumes, not taken over.

    l_per_cm: of the layer below it; None for the lowest. in_force_l: what the calibration in force holds there.
    """

    depth_m: float
    volume_l: Estimate
    l_per_cm: Estimate | None
    is_measured: bool
    in_force_l: float


@dataclass(frozen=True, slots=True)
class StrappingFit:
    """points: from the floor to the brim. measured_l, in_force_l: litres between the lowest and the highest level used.

    flat: layers in which known volumes contradict one another so far that the table stands still. odd: steps that do
    not fit the others. straight: the same steps by one figure for all depths; is_straight: it serves as well.
    """

    points: tuple[TablePoint, ...]
    measured_l: Estimate
    in_force_l: float
    in_force_u_l: float
    volume_u_ratio: float
    scatter: Scatter
    flat: tuple[tuple[float, float], ...]
    odd: tuple[str, ...]
    straight: StraightFit | Unknown
    is_straight: bool


def fit_strapping(
    steps: Sequence[FillStep], in_force: Volume, in_force_u_ratio: float, brim_m: float, *, empty_at_m: float = 0.005
) -> StrappingFit | Unknown:
    """Layers between the levels at which fills began and ended; non-negative least squares with the steps' covariance.

    Layers that no step went through, and the litres below the lowest level, are those of the calibration in force; a
    level at or below `empty_at_m` is an empty tank.
    Source: Lawson & Hanson 1974, ch. 23 (non-negative least squares); JCGM 102:2011, 6.2 for the covariance.
    """
    usable = [step for step in steps if told_apart(step)]
    if not usable:
        return Unknown(
            "no known volume with a level before and after it moved the level far enough to tell; "
            "let a tenth of the tank or more in at once"
        )
    layers = _layers(usable)
    lengths = _lengths(usable, layers)
    seen = np.abs(lengths).sum(axis=0) > 0
    widths = np.diff(layers)
    straight = fit_straight(usable)
    volume_l = np.array([step.volume_l for step in usable])
    per_m = np.diff(in_force.volume_l(layers)) / widths
    of_seen = lengths[:, seen]
    guess = np.maximum(per_m[seen], 1.0)
    # What the steps say of layers that they only cross is theirs; layers without a step stay as in force.
    for _ in range(_ROUNDS):
        c = covariance(usable, _per_step(of_seen, guess))
        root = linalg.cholesky(c, lower=True)
        white = linalg.solve_triangular(root, of_seen, lower=True)
        target = linalg.solve_triangular(root, volume_l, lower=True)
        guess, misfit = optimize.nnls(white, target)
    spread = linalg.pinvh(white.T @ white)
    scatter = scatter_of(float(misfit) ** 2, len(usable) - int(seen.sum()))
    if scatter.contradict:
        spread = spread * scatter.ratio**2
    per_m[seen] = guess
    residual = (volume_l - of_seen @ guess) / np.sqrt(np.diag(c))
    flat_layers = np.flatnonzero(seen & (per_m < _FLAT_BELOW_L_M))
    points = _points(layers, per_m, seen, spread, in_force, in_force_u_ratio, brim_m, empty_at_m)
    measured, measured_u = _measured(widths, per_m, seen, spread)
    in_force_l = float((np.diff(in_force.volume_l(layers))[seen]).sum())
    return StrappingFit(
        points=points,
        measured_l=estimate(measured, measured_u, floor=0.0),
        in_force_l=in_force_l,
        in_force_u_l=in_force_l * in_force_u_ratio,
        volume_u_ratio=_u_ratio(points),
        scatter=scatter,
        flat=tuple((float(layers[k]), float(layers[k + 1])) for k in flat_layers),
        odd=tuple(step.label for step, z in zip(usable, residual, strict=True) if scatter.contradict and abs(z) > 3),
        straight=straight,
        is_straight=_serves(straight, scatter),
    )


def _serves(straight: StraightFit | Unknown, layered: Scatter) -> bool:
    """Whether one figure explains the steps as well as the layers do: the likelihood ratio test at one in twenty."""
    if isinstance(straight, Unknown) or straight.scatter.contradict:
        return False
    more = straight.scatter.dof - layered.dof
    return more <= 0 or float(stats.chi2.sf(straight.scatter.chi2 - layered.chi2, more)) > 0.05


def _layers(steps: Sequence[FillStep]) -> F64:
    """Bounds of the layers: levels at which steps began or ended, near ones as one, few enough to be told apart."""
    ends = sorted({level.depth_m for step in steps for level in (step.before, step.after)})
    noise = max(max(step.before.noise_u_m, step.after.noise_u_m) for step in steps)
    near_m = max(_LEAST_LAYER_M, 4 * noise)
    groups: list[list[float]] = []
    for end in ends:
        if groups and end - groups[-1][0] < near_m:
            groups[-1].append(end)
        else:
            groups.append([end])
    bounds = np.array([float(np.mean(group)) for group in groups])
    bounds[0], bounds[-1] = ends[0], ends[-1]
    while len(bounds) > 2:
        lengths = _lengths(steps, bounds)
        used = np.abs(lengths).sum(axis=0) > 0
        if len(bounds) - 1 <= _MOST_LAYERS and np.linalg.matrix_rank(lengths[:, used]) == used.sum():
            break
        # The narrowest layer goes to its narrower neighbour.
        widths = np.diff(bounds)
        k = int(np.argmin(widths))
        left = widths[k - 1] if k > 0 else math.inf
        right = widths[k + 1] if k + 1 < len(widths) else math.inf
        bounds = np.delete(bounds, k if left <= right else k + 1)
    return bounds


def _lengths(steps: Sequence[FillStep], bounds: F64) -> F64:
    """How much of each layer each step went through, metres; negative on the way down."""
    rows = []
    for step in steps:
        low, high = sorted((step.before.depth_m, step.after.depth_m))
        part = np.clip(np.minimum(bounds[1:], high) - np.maximum(bounds[:-1], low), 0.0, None)
        rows.append(np.copysign(part, step.rise_m) * (part > 0))
    return np.array(rows)


def _per_step(lengths: F64, per_m: F64) -> F64:
    """Litres per metre at the ends of each step, taken as its mean."""
    through = np.abs(lengths).sum(axis=1)
    mean: F64 = np.abs(lengths) @ per_m / np.where(through > 0, through, 1.0)
    return mean


def _points(
    layers: F64,
    per_m: F64,
    seen: F64,
    spread: F64,
    in_force: Volume,
    in_force_u_ratio: float,
    brim_m: float,
    empty_at_m: float,
) -> tuple[TablePoint, ...]:
    widths = np.diff(layers)
    is_empty = layers[0] <= empty_at_m
    base_l = 0.0 if is_empty else float(in_force.volume_l(layers[:1])[0])
    # Parts of the uncertainty: the measured layers together; what is taken over from the calibration in force.
    taken_l, total_l = base_l, base_l
    weight = np.zeros(int(seen.sum()))
    held = in_force.volume_l(layers)
    points: list[TablePoint] = []
    if not is_empty:
        points.append(TablePoint(0.0, estimate(0.0, 0.0), None, is_measured=False, in_force_l=0.0))
    depth = 0.0 if is_empty else float(layers[0])
    points.append(
        TablePoint(
            depth,
            estimate(base_l, base_l * in_force_u_ratio, floor=0.0),
            None,
            is_measured=False,
            in_force_l=float(held[0]),
        )
    )
    column = 0
    for k, width in enumerate(widths.tolist()):
        total_l += width * float(per_m[k])
        own_u = in_force_u_ratio * float(per_m[k])
        if seen[k]:
            weight[column] = width
            own_u = math.sqrt(max(float(spread[column, column]), 0.0))
            column += 1
        else:
            taken_l += width * float(per_m[k])
        u_l = math.hypot(math.sqrt(max(float(weight @ spread @ weight), 0.0)), taken_l * in_force_u_ratio)
        per_cm = estimate(float(per_m[k]) / 100, own_u / 100, floor=0.0)
        points.append(
            TablePoint(
                float(layers[k + 1]), estimate(total_l, u_l, floor=0.0), per_cm, bool(seen[k]), float(held[k + 1])
            )
        )
    if brim_m > layers[-1] + _LEAST_LAYER_M:
        brim_l = float(in_force.volume_l(np.array([brim_m]))[0])
        more_l = brim_l - float(held[-1])
        u_l = math.hypot(points[-1].volume_l.u, more_l * in_force_u_ratio)
        per_cm = estimate(more_l / (brim_m - float(layers[-1])) / 100, 0.0)
        points.append(
            TablePoint(brim_m, estimate(total_l + more_l, u_l, floor=0.0), per_cm, is_measured=False, in_force_l=brim_l)
        )
    return tuple(points)


def _measured(widths: F64, per_m: F64, seen: F64, spread: F64) -> tuple[float, float]:
    through = widths[seen]
    return float(through @ per_m[seen]), math.sqrt(max(float(through @ spread @ through), 0.0))


def _u_ratio(points: tuple[TablePoint, ...]) -> float:
    """One figure for the settings: the root mean square of u over litres, in the upper three quarters."""
    top = points[-1].volume_l.value
    ratios = [p.volume_l.u / p.volume_l.value for p in points if p.volume_l.value > 0.25 * top]
    return math.sqrt(sum(ratio**2 for ratio in ratios) / len(ratios)) if ratios else 0.0
