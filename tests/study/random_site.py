"""A site drawn at random, and the truth about it: what its settings state, and by how much they are wrong.

Every error is drawn from the standard uncertainty that the settings state for it, so that an interval made of those
uncertainties ought to hold the truth as often as it says. What no setting states (how much of the rain a roof really
sheds, what wetting takes, how a storm's wind differs between roof and gauge, what seeps) is drawn freely.
"""

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from rainstead.settings import Settings, parse_settings
from rainstead_board.twin import TwinSite

__all__ = ["DrawnSite", "RunPlan", "TankErrors", "draw_site", "driest"]

DAY_MS = 86_400_000
LEAST_RUN_S = 240.0
_PLACES = (
    ("Europe/Lisbon", 39.4),
    ("Australia/Melbourne", -37.8),
    ("Pacific/Auckland", -41.2),
    ("America/Los_Angeles", 37.2),
    ("Africa/Johannesburg", -28.5),
)
_RAIN_MM_DAY = 2.6
"""About what the twin's weather brings, to size tanks and use by."""


@dataclass(frozen=True, slots=True)
class TankErrors:
    """How one measured tank is wrong. All of them stay for the whole of the log, but for the air's."""

    face_m: float
    range_m: float
    air_u_c: float
    air_day_ratio: float
    """Part of the air error's variance that goes round with the day."""
    echo_mm: float
    """Standard deviation of a single echo."""


@dataclass(frozen=True, slots=True)
class RunPlan:
    """A pump run as it was meant. flow_l_min: once it is warm."""

    start_ms: int
    lasts_s: float
    flow_l_min: float
    warm_up_s: float


@dataclass(frozen=True, slots=True)
class DrawnSite:
    """The settings as an owner would have written them, and how it really is."""

    seed: int
    text: str
    settings: Settings
    true: TwinSite
    start_ms: int
    days: int
    full_ratio: tuple[float, ...]
    errors: dict[str, TankErrors]
    storm_u_ratio: float
    """Standard deviation of what a storm brings a roof, against what it brings the gauge."""
    evaporation_ratio: float
    """True evaporation over what the settings' way of estimating would make of the true air."""
    runs: tuple[RunPlan, ...]
    is_small: bool
    """Whether its tanks are small for its roofs, so that storms spill."""


def draw_site(seed: int) -> DrawnSite:
    """The same seed gives the same site."""
    rng = np.random.default_rng([seed, 101])
    zone, latitude = _PLACES[int(rng.integers(len(_PLACES)))]
    days = int(rng.integers(60, 91))
    start_ms = 1_704_067_200_000 + int(rng.integers(600)) * DAY_MS
    chains = _chains(rng)
    names = [name for chain in chains for name in chain]
    small = bool(rng.random() < 0.4)

    roofs = _roofs(rng, chains)
    inflow_l_mm = {chain: 0.88 * sum(area for area, shares in roofs if set(shares) & set(chain)) for chain in chains}
    tanks = {}
    for chain in chains:
        capacity_l = inflow_l_mm[chain] * float(rng.uniform(60, 130) if small else rng.uniform(120, 240))
        parts = rng.dirichlet([6.0] * len(chain))
        for name, part in zip(chain, parts, strict=True):
            tanks[name] = _Tank.draw(rng, max(capacity_l * float(part), 1500.0))

    household, source = chains[0][-1], chains[-1][-1]
    if len(chains) == 1 and len(names) > 1 and rng.random() < 0.5:
        source = names[0]
    to = None
    if len(names) > 1 and rng.random() < 0.45:
        to = str(rng.choice([name for name in names if name != source]))
    use_l_day = (
        float(rng.uniform(0.2, 0.45) if small else rng.uniform(0.4, 0.8)) * _RAIN_MM_DAY * inflow_l_mm[chains[0]]
    )
    if len(chains) == 1:
        use_l_day *= 0.75
    draw_u = float(rng.uniform(0.08, 0.2)) * use_l_day
    monthly = bool(rng.random() < 0.4)
    ratios = {
        "tip_mm": float(rng.choice([0.2, 0.2, 0.254, 0.5])),
        "tip_u": float(rng.uniform(0.01, 0.03)),
        "k": float(rng.uniform(80, 450)),
        "k_u": float(rng.uniform(0.01, 0.04)),
        "evaporation_u": float(rng.uniform(0.15, 0.3)),
        "coefficient": float(rng.uniform(0.8, 1.1)),
    }
    text = _text(
        seed=seed,
        zone=zone,
        latitude=latitude,
        tanks=tanks,
        roofs=roofs,
        chains=chains,
        household=household,
        use_l_day=use_l_day,
        draw_u_l_day=draw_u,
        source=source,
        to=to,
        monthly=monthly,
        ratios=ratios,
    )
    settings = parse_settings(text, f"site {seed}")
    true = TwinSite.from_settings(
        settings,
        seed=seed,
        runoff_ratio={f"roof_{k}": float(rng.uniform(0.7, 0.95)) for k in range(len(roofs))},
        initial_loss_mm={f"roof_{k}": float(rng.uniform(0.2, 1.5)) for k in range(len(roofs))},
        gutter_l_s=1e9,
        volume_ratio={name: 1 + tank.volume_u_ratio * float(rng.standard_normal()) for name, tank in tanks.items()},
        draw_l_day={household: max(use_l_day + draw_u * float(rng.standard_normal()), 0.0)},
        seepage_l_day={
            name: float(rng.uniform(0.02, 1)) * _most_seepage_l_day(tank.capacity_l) if rng.random() < 0.7 else 0.0
            for name, tank in tanks.items()
        },
        tip_ratio=1 + ratios["tip_u"] * float(rng.standard_normal()),
        k_factor_ratio=1 + ratios["k_u"] * float(rng.standard_normal()),
        gap_warmer_c=0.0,
        sensor_offset_m=0.0,
    )
    errors = {
        name: TankErrors(
            face_m=tank.face_u_m * float(rng.standard_normal()),
            range_m=tank.range_u_m * float(rng.standard_normal()),
            air_u_c=tank.air_u_c,
            air_day_ratio=float(rng.uniform(0.2, 0.6)),
            echo_mm=float(rng.uniform(1.0, 3.0)),
        )
        for name, tank in tanks.items()
    }
    empties_l_day = float(rng.uniform(0.5, 0.9)) * _RAIN_MM_DAY * inflow_l_mm[chains[-1]]
    if len(chains) == 1:
        empties_l_day *= 0.25
    return DrawnSite(
        seed=seed,
        text=text,
        settings=settings,
        true=true,
        start_ms=start_ms,
        days=days,
        full_ratio=tuple(float(rng.uniform(0.55, 0.9) if small else rng.uniform(0.35, 0.65)) for _ in names),
        errors=errors,
        storm_u_ratio=float(rng.uniform(0.02, 0.06)),
        evaporation_ratio=max(1 + ratios["evaporation_u"] * float(rng.standard_normal()), 0.05),
        runs=_runs(rng, start_ms, days, empties_l_day),
        is_small=small,
    )


def driest(site: DrawnSite) -> DrawnSite:
    """The same site with the largest use and losses that its settings leave room for.

    Sites are chosen by whether this one runs dry: a choice by how it really was would favour small errors.
    """
    household, evaporation = site.settings.household, site.settings.evaporation
    assert household is not None and evaporation is not None
    most_l_day = household.draw_l_day + 2.5 * household.draw_u_l_day
    true = replace(
        site.true,
        draw_l_day=tuple(most_l_day if tank.name == household.tank else 0.0 for tank in site.true.tanks),
        seepage_l_day=tuple(_most_seepage_l_day(tank.brim_l) for tank in site.true.tanks),
    )
    return replace(site, true=true, evaporation_ratio=1 + 2.5 * evaporation.u_ratio)


def _most_seepage_l_day(capacity_l: float) -> float:
    return min(0.008 * capacity_l, 50.0)


@dataclass(frozen=True, slots=True)
class _Tank:
    """One tank as its owner would describe it."""

    capacity_l: float
    shape: str
    brim_m: float
    face_m: float
    covered: bool
    volume_u_ratio: float
    face_u_m: float
    range_u_m: float
    air_u_c: float
    every_s: int
    compensation: str

    @staticmethod
    def draw(rng: np.random.Generator, capacity_l: float) -> "_Tank":
        brim_m = float(np.clip((capacity_l / 1000) ** (1 / 3) * rng.uniform(0.7, 1.1), 0.9, 2.6))
        covered = bool(rng.random() < 0.7)
        kinds = ("cylinder", "cuboid", "strapping-table", "litres-per-centimetre", "truncated-cone")
        kind = str(rng.choice((*kinds, "horizontal-cylinder") if covered else kinds[:2]))
        return _Tank(
            capacity_l=capacity_l,
            shape=_shape(rng, kind, capacity_l / 1000, brim_m),
            brim_m=brim_m,
            face_m=brim_m + float(rng.uniform(0.27, 0.6)),
            covered=covered,
            volume_u_ratio=float(rng.uniform(0.005, 0.03)),
            face_u_m=float(rng.uniform(0.001, 0.005)),
            range_u_m=float(rng.uniform(0.001, 0.004)),
            air_u_c=float(rng.uniform(1.0, 3.0)),
            every_s=int(rng.choice([60, 120, 120])),
            compensation="internal" if rng.random() < 0.15 else "none",
        )


def _shape(rng: np.random.Generator, kind: str, capacity_m3: float, brim_m: float) -> str:
    area_m2 = capacity_m3 / brim_m
    if kind == "cylinder":
        return f'shape = "cylinder", diameter = {math.sqrt(4 * area_m2 / math.pi)}'
    if kind == "cuboid":
        length_m = math.sqrt(area_m2) * float(rng.uniform(1, 1.6))
        return f'shape = "cuboid", length = {length_m}, width = {area_m2 / length_m}'
    if kind == "litres-per-centimetre":
        return f'shape = "litres-per-centimetre", l_per_cm = {area_m2 * 10}'
    if kind == "truncated-cone":
        wide_m = math.sqrt(4 * area_m2 / math.pi)
        lean = float(rng.uniform(0.02, 0.12))
        return (
            f'shape = "truncated-cone", bottom_diameter = {wide_m * (1 - lean)}, '
            f"top_diameter = {wide_m * (1 + lean)}, height = {brim_m}"
        )
    if kind == "horizontal-cylinder":
        wide_m = brim_m / 0.95
        return f'shape = "horizontal-cylinder", diameter = {wide_m}, length = {capacity_m3 * 4 / math.pi / wide_m**2}'
    depths = np.linspace(0, brim_m, 8)
    # Soft walls bulge in the middle.
    bulge = 1 + float(rng.uniform(0, 0.08)) * np.sin(math.pi * (depths[:-1] + depths[1:]) / 2 / brim_m)
    volumes = np.concatenate([[0.0], np.cumsum(np.diff(depths) * bulge * area_m2 * 1000)])
    pairs = ", ".join(f"[{depth}, {volume}]" for depth, volume in zip(depths.tolist(), volumes.tolist(), strict=True))
    return f'shape = "strapping-table", table = [{pairs}]'


def _chains(rng: np.random.Generator) -> tuple[tuple[str, ...], ...]:
    shapes: tuple[tuple[tuple[str, ...], ...], ...] = (
        (("a",),),
        (("a", "b"),),
        (("a",), ("b",)),
        (("a", "b", "c"),),
        (("a", "b"), ("c",)),
        (("a", "b"), ("c", "d")),
    )
    return shapes[int(rng.choice(len(shapes), p=[0.3, 0.2, 0.2, 0.1, 0.1, 0.1]))]


def _roofs(rng: np.random.Generator, chains: tuple[tuple[str, ...], ...]) -> list[tuple[float, dict[str, float]]]:
    roofs: list[tuple[float, dict[str, float]]] = []
    for chain in chains:
        area_m2 = float(rng.uniform(40, 220))
        if len(chain) > 1 and rng.random() < 0.4:
            part = round(float(rng.uniform(0.4, 0.8)), 2)
            roofs.append((area_m2, {chain[0]: part, chain[1]: round(1 - part, 2)}))
        else:
            roofs.append((area_m2, {chain[0]: 1.0}))
        if len(chain) > 1 and rng.random() < 0.25:
            roofs.append((float(rng.uniform(30, 80)), {chain[1]: 1.0}))
    return roofs


def _runs(rng: np.random.Generator, start_ms: int, days: int, l_day: float) -> tuple[RunPlan, ...]:
    every_days = int(rng.integers(4, 12))
    flow_l_min = float(rng.uniform(20, 110))
    plans = []
    for day in range(int(rng.integers(1, every_days)), days, every_days):
        nozzle = float(rng.choice([1.0, 1.0, 0.7]))
        lasts_s = float(np.clip(l_day * every_days / (flow_l_min * nozzle) * 60, LEAST_RUN_S, 3000))
        at_ms = start_ms + day * DAY_MS + int(rng.integers(DAY_MS - 3_600_000))
        plans.append(RunPlan(at_ms, lasts_s, flow_l_min * nozzle, float(rng.uniform(5, 20))))
    return tuple(plans)


def _text(
    *,
    seed: int,
    zone: str,
    latitude: float,
    tanks: dict[str, _Tank],
    roofs: list[tuple[float, dict[str, float]]],
    chains: tuple[tuple[str, ...], ...],
    household: str,
    use_l_day: float,
    draw_u_l_day: float,
    source: str,
    to: str | None,
    monthly: bool,
    ratios: dict[str, float],
) -> str:
    lines = [
        f'[site]\nname = "Drawn site {seed} (invented)"\ntime_zone = "{zone}"\nlatitude_deg = {latitude}',
        '[sensors.gap_air]\nkind = "one-wire"\npath = "gap"\nevery = "300 s"',
        '[sensors.shade_air]\nkind = "one-wire"\npath = "shade"\nevery = "600 s"',
        f'[sensors.gauge]\nkind = "tipping-bucket"\ngpio = 17\n'
        f"calibrations = [{{ depth_per_tip = {ratios['tip_mm']}, u_ratio = {ratios['tip_u']} }}]",
        f'[sensors.meter]\nkind = "flow-pulse"\ngpio = 27\n'
        f"calibrations = [{{ k_factor_per_l = {ratios['k']}, u_ratio = {ratios['k_u']} }}]",
        '[rain]\ngauge = "gauge"',
        f'[household]\ntank = "{household}"\ndraw_a_day = {use_l_day}\ndraw_a_day_u = {draw_u_l_day}',
        f'[pump]\nsource = "{source}"\nmeter = "meter"\nsuction = 0.1' + (f'\nto = "{to}"' if to else ""),
    ]
    for name, tank in tanks.items():
        lines.append(
            f'[sensors.{name}_level]\nkind = "ranger-binary"\nport = "/dev/{name}"\nevery = {tank.every_s}\n'
            f'air = "gap_air"\nair_u_c = {tank.air_u_c}\nrange_u = {tank.range_u_m}\n'
            f'compensation = "{tank.compensation}"\nhumidity_ratio = {1.0 if tank.covered else 0.7}'
        )
        lines.append(
            f'[tanks.{name}]\nsensor = "{name}_level"\nface_height = {tank.face_m}\nface_height_u = {tank.face_u_m}\n'
            f"brim = {tank.brim_m}\noutlet = 0.05\ncovered = {str(tank.covered).lower()}\n"
            f"calibrations = [{{ {tank.shape}, volume_u_ratio = {tank.volume_u_ratio} }}]"
        )
    for k, (area_m2, shares) in enumerate(roofs):
        said = ", ".join(f"{name} = {share}" for name, share in shares.items())
        lines.append(f"[catchments.roof_{k}]\narea = {area_m2}\nshares = {{ {said} }}")
    for chain in chains:
        lines += [f'[[overflows]]\nfrom = "{above}"\nto = "{below}"' for above, below in pairwise(chain)]
    if monthly:
        season = [100 + 70 * math.cos(2 * math.pi * month / 12) * (-1 if latitude > 0 else 1) for month in range(12)]
        lines.append(f"[evaporation]\nu_ratio = {ratios['evaporation_u']}\nmonthly = {season}")
    else:
        lines.append(
            f'[evaporation]\nair = "shade_air"\nu_ratio = {ratios["evaporation_u"]}\n'
            f"coefficient = {ratios['coefficient']}"
        )
    return "\n\n".join(lines) + "\n"
