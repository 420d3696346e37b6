"""What really happened at a drawn site, minute by minute: rain, roofs, runs, use, losses, and what went over the brim.

Written for speed, and apart from the twin's physics: a tank at a time, downhill, each storm off the roofs as a whole.
`tests/services/test_study_small.py` holds it to the twin's physics where both can be asked.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from random_site import DrawnSite, RunPlan
from scipy.signal import lfilter
from true_evaporation import evaporation_mm

from rainstead.readings import F64, I64
from rainstead_board.twin import Weather, generated_weather

__all__ = ["Happened", "TrueStorm", "happen", "run_volume_l"]

MINUTE_MS = 60_000
DAY_MIN = 1440
_ROOF_LAG_MIN = 4.0
_TAPS_A_DAY = 25.0


@dataclass(frozen=True, slots=True)
class TrueStorm:
    """One storm: over what time, how much rain, what ran off the roofs, and what the site lost over its brims."""

    start_ms: int
    end_ms: int
    rain_mm: float
    roof_l: float
    lost_l: float


@dataclass(frozen=True, slots=True, eq=False)
class Happened:
    """Rows of volumes and depths: one for each edge of the minutes, a column for each tank of the settings."""

    site: DrawnSite
    weather: Weather
    """The rain as it fell on the gauge; `outdoor_c` has the air."""
    t_ms: I64
    outdoor_c: F64
    volumes_l: F64
    depths_m: F64
    lost_l: dict[str, F64]
    """Over each tank's brim in each minute, to the next tank or to the ground."""
    runs: tuple[RunPlan, ...]
    storms: tuple[TrueStorm, ...]

    def column(self, tank: str) -> int:
        """Of a tank by name."""
        return [one.name for one in self.site.true.tanks].index(tank)

    @property
    def ran_dry(self) -> bool:
        """Whether a tank fell below its outlet: then a house would have drawn less than it was meant to."""
        return any(self.volumes_l[:, k].min() < tank.outlet_l for k, tank in enumerate(self.site.true.tanks))

    @property
    def spilt_ratio(self) -> float:
        """Part of the storms that could run off which lost water for good."""
        count = [storm.lost_l > 0 for storm in self.storms if storm.roof_l > 0]
        return sum(count) / len(count) if count else 0.0


def run_volume_l(plan: RunPlan, after_s: F64) -> F64:
    """Litres since the start of a run: the flow comes up as the pump warms, with one time constant."""
    t = np.clip(after_s, 0.0, plan.lasts_s)
    tau = plan.warm_up_s
    return np.asarray(plan.flow_l_min / 60 * (t - tau * (1 - np.exp(-t / tau))))


def happen(site: DrawnSite) -> Happened:
    """Let the weather happen to the site. Runs that the suction or the target's brim would cut short are left out."""
    true = site.true
    rng = np.random.default_rng([site.seed, 202])
    weather = generated_weather(
        site.start_ms, site.days, seed=site.seed, latitude_deg=true.latitude_deg, utc_offset_s=true.utc_offset_s
    )
    edges_ms = weather.edges_ms
    middle_ms = edges_ms[:-1] + MINUTE_MS // 2
    steps = len(weather.rain_mm)
    outdoor_c = weather.air_c + _cloud_c(rng, steps)
    storms = _storm_slices(weather.rain_mm, true.roof_dry_s)

    roof_l, by_storm = _roofs(site, weather.rain_mm, storms, rng)
    inflow = [roof_l[k] + _mouth(site, weather.rain_mm, storms, tank.open_m2, rng) for k, tank in enumerate(true.tanks)]
    dried_mm = evaporation_mm(site, middle_ms, outdoor_c)
    use = _use(site, middle_ms, rng)
    runs = list(site.runs)
    runs = [run for run in runs if run.start_ms + run.lasts_s * 1000 < edges_ms[-1] - 2 * MINUTE_MS]
    while True:
        pumped = _pumped(runs, edges_ms)
        volumes, over = _tanks(site, inflow, dried_mm, use, pumped)
        spoilt = _spoilt(site, runs, edges_ms, volumes, over)
        if not spoilt:
            break
        runs = [run for k, run in enumerate(runs) if k not in spoilt]
    depths = np.column_stack([tank.depth_at(volumes[:, k]) for k, tank in enumerate(true.tanks)])
    last = [k for k, to in enumerate(true.downstream) if to < 0]
    lost = np.sum([over[k] for k in last], axis=0)
    return Happened(
        site=site,
        weather=weather,
        t_ms=edges_ms,
        outdoor_c=outdoor_c,
        volumes_l=volumes,
        depths_m=depths,
        lost_l={tank.name: over[k] for k, tank in enumerate(true.tanks)},
        runs=tuple(runs),
        storms=tuple(
            TrueStorm(
                int(edges_ms[first]),
                int(edges_ms[stop]),
                float(weather.rain_mm[first:stop].sum()),
                roof,
                float(lost[first : stop + 60].sum()),
            )
            for (first, stop), roof in zip(storms, by_storm, strict=True)
        ),
    )


def _use(site: DrawnSite, middle_ms: I64, rng: np.random.Generator) -> F64:
    """Household use in each minute as a part of a day's mean: a few litres here, a bath there, hardly any at night."""
    hour = (middle_ms + site.true.utc_offset_s * 1000) % 86_400_000 / 3_600_000
    weight = 0.3 + 1.9 * np.exp(-(((hour - 7.5) / 1.2) ** 2)) + 2.2 * np.exp(-(((hour - 19.5) / 1.8) ** 2))
    weight[(hour < 5.5) | (hour > 23)] *= 0.05
    taps = rng.poisson(_TAPS_A_DAY / DAY_MIN * weight / weight.mean())
    use = np.zeros(len(weight))
    for first in np.flatnonzero(taps).tolist():
        lasts = int(rng.integers(1, 6))
        use[first : first + lasts] += float(rng.gamma(1.5)) / lasts
    return np.asarray(use / use.sum() * (len(use) / DAY_MIN))


def _cloud_c(rng: np.random.Generator, steps: int) -> F64:
    """Days differ: a slow wander of the air on top of its rounds."""
    hours = steps // 60 + 2
    wander = lfilter([1.0], [1.0, -0.97], rng.normal(0, 0.35, hours))
    return np.asarray(np.interp(np.arange(steps), np.arange(hours) * 60, wander))


def _storm_slices(rain_mm: F64, dry_s: float) -> list[tuple[int, int]]:
    wet: npt.NDArray[np.intp] = np.flatnonzero(rain_mm > 0)
    if not len(wet):
        return []
    parts = np.split(wet, np.flatnonzero((np.diff(wet) - 1) * 60 > dry_s) + 1)
    return [(int(part[0]), int(part[-1]) + 1) for part in parts]


def _roofs(
    site: DrawnSite, rain_mm: F64, storms: list[tuple[int, int]], rng: np.random.Generator
) -> tuple[list[F64], list[float]]:
    """Litres into each tank in each minute; and of each storm, all roofs together."""
    true = site.true
    into = [np.zeros(len(rain_mm)) for _ in true.tanks]
    by_storm = [0.0] * len(storms)
    common = rng.normal(0, 0.8 * site.storm_u_ratio, len(storms))
    for roof in true.roofs:
        own = rng.normal(0, 0.6 * site.storm_u_ratio, len(storms))
        off = np.zeros(len(rain_mm))
        for k, (first, stop) in enumerate(storms):
            caught_mm = np.cumsum(rain_mm[first:stop]) * (1 + common[k] + own[k])
            flowed_l = np.maximum(caught_mm - roof.initial_loss_mm, 0.0) * roof.area_m2 * roof.runoff_ratio
            flowed_l = np.maximum(flowed_l - roof.first_flush_l, 0.0)
            off[first:stop] = np.diff(flowed_l, prepend=0.0)
            by_storm[k] += float(flowed_l[-1])
        keep = math.exp(-1 / _ROOF_LAG_MIN)
        off = lfilter([1 - keep], [1.0, -keep], off)
        for k, share in enumerate(roof.shares):
            into[k] += share * off
    return into, by_storm


def _mouth(
    site: DrawnSite, rain_mm: F64, storms: list[tuple[int, int]], open_m2: float, rng: np.random.Generator
) -> F64:
    """Rain straight into an open tank."""
    caught = rain_mm * open_m2
    for first, stop in storms:
        caught[first:stop] *= 1 + float(rng.normal(0, site.storm_u_ratio))
    return caught


def _pumped(runs: list[RunPlan], edges_ms: I64) -> F64:
    """Litres through the pump in each minute."""
    into = np.zeros(len(edges_ms) - 1)
    for run in runs:
        low = int((run.start_ms - edges_ms[0]) // MINUTE_MS)
        high = min(low + math.ceil(run.lasts_s / 60) + 1, len(into))
        into[low:high] += np.diff(run_volume_l(run, (edges_ms[low : high + 1] - run.start_ms) / 1000))
    return into


def _tanks(site: DrawnSite, inflow: list[F64], dried_mm: F64, use: F64, pumped: F64) -> tuple[F64, dict[int, F64]]:
    """Volumes at the edges, and what went over each brim in each minute."""
    true, pump = site.true, site.settings.pump
    assert pump is not None
    names = [tank.name for tank in true.tanks]
    volumes = np.empty((len(use) + 1, len(names)))
    over: dict[int, F64] = {}
    for k in true.order:
        tank = true.tanks[k]
        net = inflow[k] - dried_mm * tank.open_m2 - true.seepage_l_day[k] / DAY_MIN
        for above, to in enumerate(true.downstream):
            if to == k:
                net = net + over[above]
        if names[k] == pump.source:
            net = net - pumped
        if names[k] == pump.to:
            net = net + pumped
        start_l = tank.brim_l * site.full_ratio[k]
        volumes[:, k], over[k] = _fill(net - use * true.draw_l_day[k], start_l, tank.brim_l)
    return volumes, over


def _fill(net: F64, start_l: float, brim_l: float) -> tuple[F64, F64]:
    """Volumes at the edges and what went over the brim in each minute, of a tank that never runs quite empty.

    What has gone over by any time is the most by which the tank would by then have been above its brim.
    """
    free = start_l + np.cumsum(net)
    gone = np.maximum.accumulate(np.maximum(free - brim_l, 0.0))
    return np.concatenate([[start_l], free - gone]), np.diff(gone, prepend=0.0)


def _spoilt(site: DrawnSite, runs: list[RunPlan], edges_ms: I64, volumes: F64, over: dict[int, F64]) -> set[int]:
    """Runs in whose time the source came near its suction, or the target to its brim."""
    true, pump = site.true, site.settings.pump
    assert pump is not None
    names = [tank.name for tank in true.tanks]
    source = names.index(pump.source)
    low_l = max(true.pump_suction_l, true.tanks[source].outlet_l) + 50.0
    found = set()
    for k, run in enumerate(runs):
        first = int((run.start_ms - edges_ms[0]) // MINUTE_MS)
        part = slice(first, first + math.ceil(run.lasts_s / 60) + 2)
        if volumes[part, source].min() < low_l or (pump.to and over[names.index(pump.to)][part].any()):
            found.add(k)
    return found
