"""A strapping table from known volumes: by how much each layer of the tank holds more or less than was thought.

The calibration in force gives the shape within a layer, the known volumes its litres: a factor for each layer, never
negative. Where the calibration in force is a plain cylinder, that is litres per metre of each layer.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rainstead.calc.arrays import F64
from rainstead.calc.strapping import Cuboid, Cylinder, LitresPerCentimetre, StrappingTable, Volume

from .calibration import Scatter, scatter_of
from .estimate import Estimate, Unknown, estimate
from .fillsteps import FillStep, StraightFit, covariance, fit_straight, told_apart
from .latescipy import scipy

__all__ = ["StrappingFit", "TablePoint", "fit_strapping"]

_MOST_LAYERS = 12
_LEAST_LAYER_M = 0.02
_WORST_U_RATIO = 0.1
"""A layer known no better than this goes together with its neighbour."""
_CURVED_PARTS = 12
_FLAT = 1e-9


@dataclass(frozen=True, slots=True)
class TablePoint:
    """A pair of the table. is_measured: the layer below it was filled or drawn by known volumes, not taken over.

    l_per_cm: of the piece below it; None for the lowest. in_force_l: what the calibration in force holds there.
    """

    depth_m: float
    volume_l: Estimate
    l_per_cm: Estimate | None
    is_measured: bool
    in_force_l: float


@dataclass(frozen=True, slots=True)
class StrappingFit:
    """points: from the floor to the brim. measured_l, in_force_l: litres of all layers that were measured.

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


@dataclass(frozen=True, slots=True)
class _Layers:
    """bounds_m: one more than layers. seen: which a step went through. factor: 1 where none did.

    spread: covariance of the factors that were seen.
    """

    bounds_m: F64
    seen: npt.NDArray[np.bool_]
    factor: F64
    spread: F64
    scatter: Scatter
    odd: tuple[str, ...]

    @property
    def factor_u(self) -> F64:
        """Standard uncertainty of each factor; nought where none was measured."""
        u = np.zeros(len(self.factor))
        u[self.seen] = np.sqrt(np.maximum(np.diag(self.spread), 0.0))
        return u


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
    layers = _layers(usable, in_force)
    held = in_force.volume_l(layers.bounds_m)
    part_l = np.diff(held)[layers.seen]
    measured_u = math.sqrt(max(float(part_l @ layers.spread @ part_l), 0.0))
    points = _points(layers, in_force, in_force_u_ratio, brim_m, empty_at_m)
    straight = fit_straight(usable)
    flat = np.flatnonzero(layers.seen & (layers.factor < _FLAT))
    return StrappingFit(
        points=points,
        measured_l=estimate(float(part_l @ layers.factor[layers.seen]), measured_u, floor=0.0),
        in_force_l=float(part_l.sum()),
        in_force_u_l=float(part_l.sum()) * in_force_u_ratio,
        volume_u_ratio=_u_ratio(points),
        scatter=layers.scatter,
        flat=tuple((float(layers.bounds_m[k]), float(layers.bounds_m[k + 1])) for k in flat),
        odd=layers.odd,
        straight=straight,
        is_straight=_serves(straight, layers.scatter),
    )


def _serves(straight: StraightFit | Unknown, layered: Scatter) -> bool:
    """Whether one figure explains the steps as well as the layers do: the likelihood ratio test at one in twenty."""
    if isinstance(straight, Unknown) or straight.scatter.contradict:
        return False
    more = straight.scatter.dof - layered.dof
    return more <= 0 or float(scipy.stats.chi2.sf(straight.scatter.chi2 - layered.chi2, more)) > 0.05


def _layers(steps: Sequence[FillStep], in_force: Volume) -> _Layers:
    """As many layers as the steps can tell apart, each to a tenth or better where there is more than one."""
    ends = sorted({level.depth_m for step in steps for level in (step.before, step.after)})
    noise = max(max(step.before.noise_u_m, step.after.noise_u_m) for step in steps)
    bounds = _grouped(ends, max(_LEAST_LAYER_M, 4 * noise))
    while True:
        parts = _parts(steps, bounds, in_force)
        seen = np.abs(parts).sum(axis=0) > 0
        told = len(bounds) - 1 <= _MOST_LAYERS and np.linalg.matrix_rank(parts[:, seen]) == seen.sum()
        worst = int(np.argmin(np.diff(bounds)))
        if told:
            found = _factors(steps, bounds, parts, seen)
            if len(bounds) == 2 or float(found.factor_u.max()) <= _WORST_U_RATIO:
                return found
            worst = int(np.argmax(found.factor_u))
        bounds = _without(bounds, worst)


def _grouped(ends: Sequence[float], near_m: float) -> F64:
    """Levels that lie near one another as one; the lowest and the highest stay."""
    groups: list[list[float]] = []
    for end in ends:
        if groups and end - groups[-1][0] < near_m:
            groups[-1].append(end)
        else:
            groups.append([end])
    bounds = [float(np.mean(group)) for group in groups]
    bounds[0] = ends[0]
    return np.array([*bounds[:-1], ends[-1]] if len(bounds) > 1 else [ends[0], ends[-1]])


def _without(bounds: F64, layer: int) -> F64:
    """One layer taken together with its narrower neighbour."""
    widths = np.diff(bounds)
    left = widths[layer - 1] if layer > 0 else math.inf
    right = widths[layer + 1] if layer + 1 < len(widths) else math.inf
    return np.delete(bounds, layer if left <= right else layer + 1)


def _parts(steps: Sequence[FillStep], bounds: F64, in_force: Volume) -> F64:
    """Litres that each step would have moved in each layer by the calibration in force; negative on the way down."""
    rows = []
    for step in steps:
        low, high = sorted((step.before.depth_m, step.after.depth_m))
        at = np.clip(bounds, low, high)
        rows.append(math.copysign(1.0, step.rise_m) * np.diff(in_force.volume_l(at)))
    return np.array(rows)


def _factors(steps: Sequence[FillStep], bounds: F64, parts: F64, seen: npt.NDArray[np.bool_]) -> _Layers:
    volume_l = np.array([step.volume_l for step in steps])
    rise_m = np.array([step.rise_m for step in steps])
    c = covariance(steps, parts.sum(axis=1) / rise_m)
    root = scipy.linalg.cholesky(c, lower=True)
    white = scipy.linalg.solve_triangular(root, parts[:, seen], lower=True)
    found, misfit = scipy.optimize.nnls(white, scipy.linalg.solve_triangular(root, volume_l, lower=True))
    spread = scipy.linalg.pinvh(white.T @ white)
    # A factor held at nought explains nothing.
    scatter = scatter_of(float(misfit) ** 2, len(steps) - int((found > 0).sum()))
    if scatter.contradict:
        spread = spread * scatter.ratio**2
    factor = np.ones(len(seen))
    factor[seen] = found
    away = np.abs(volume_l - parts[:, seen] @ found) / np.sqrt(np.diag(c))
    odd = tuple(step.label for step, z in zip(steps, away, strict=True) if scatter.contradict and z > 3)
    return _Layers(bounds, seen, factor, spread, scatter, odd)


def _depths(layers: _Layers, in_force: Volume, brim_m: float) -> F64:
    """Where the table has its pairs: the layers' bounds, the brim, and where the calibration in force bends."""
    bounds = layers.bounds_m
    top = max(brim_m, float(bounds[-1]))
    match in_force:
        case Cylinder() | Cuboid() | LitresPerCentimetre():
            bends = np.zeros(0)
        case StrappingTable():
            bends = np.array(in_force.depth_m)
        case _:
            bends = np.linspace(0.0, top, _CURVED_PARTS + 1)[1:-1]
    near = np.abs(bends[:, None] - np.append(bounds, top)).min(axis=1, initial=math.inf) < _LEAST_LAYER_M
    inside = bends[~near & (bends > _LEAST_LAYER_M) & (bends < top)]
    if top - bounds[-1] < _LEAST_LAYER_M:
        return np.unique(np.concatenate([bounds, inside]))
    return np.unique(np.concatenate([bounds, inside, [top]]))


def _points(
    layers: _Layers, in_force: Volume, in_force_u_ratio: float, brim_m: float, empty_at_m: float
) -> tuple[TablePoint, ...]:
    bounds = layers.bounds_m
    is_empty = float(bounds[0]) <= empty_at_m
    depths = _depths(layers, in_force, brim_m)
    if not is_empty:
        depths = np.unique(np.append(depths, 0.0))
    held = in_force.volume_l(depths)
    weight = np.zeros(int(layers.seen.sum()))
    total_l = taken_l = 0.0
    column = np.cumsum(layers.seen) - 1
    points = [TablePoint(0.0, estimate(0.0, 0.0), None, is_measured=False, in_force_l=float(held[0]))]
    for k in range(1, len(depths)):
        low, high = float(depths[k - 1]), float(depths[k])
        more_l = float(held[k] - held[k - 1])
        layer = int(np.searchsorted(bounds, (low + high) / 2)) - 1
        measured = 0 <= layer < len(layers.seen) and bool(layers.seen[layer])
        factor, own_u = (float(layers.factor[layer]), float(layers.factor_u[layer])) if measured else (1.0, 0.0)
        total_l += factor * more_l
        if measured:
            weight[column[layer]] += more_l
        else:
            taken_l += more_l
        u_l = math.hypot(math.sqrt(max(float(weight @ layers.spread @ weight), 0.0)), taken_l * in_force_u_ratio)
        per_cm = more_l / (high - low) / 100
        piece = estimate(factor * per_cm, per_cm * (own_u if measured else in_force_u_ratio), floor=0.0)
        points.append(TablePoint(high, estimate(total_l, u_l, floor=0.0), piece, measured, float(held[k])))
    return tuple(points)


def _u_ratio(points: tuple[TablePoint, ...]) -> float:
    """One figure for the settings: the root mean square of u over litres, in the upper three quarters."""
    top = points[-1].volume_l.value
    ratios = [p.volume_l.u / p.volume_l.value for p in points if p.volume_l.value > 0.25 * top]
    return math.sqrt(sum(ratio**2 for ratio in ratios) / len(ratios)) if ratios else 0.0
