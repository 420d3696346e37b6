"""A year of one open 6,000 L tank that a household lives on, with the sun on its cover, waves, dull days, evaporation
that the settings estimate wrongly, and perhaps a leak that begins some day. All invented."""

from dataclasses import dataclass, replace

import numpy as np
from held_log import HeldLog

from rainstead.answers import TankLosses
from rainstead.answers.losses import losses_of
from rainstead.evidence import gather
from rainstead.log import Columns
from rainstead.notebook import Notes
from rainstead.settings import Settings, parse_settings
from rainstead_board.twin import PumpRun, Truth, TwinSite, Weather, generated_weather, history, simulate

__all__ = ["CASES", "DAY_MS", "START_MS", "Case", "RanDry", "TankYear", "tank_year"]

DAY_MS = 86_400_000
START_MS = 1_704_067_200_000
"""1 January 2024."""
EVERY_S = 30.0


@dataclass(frozen=True, slots=True)
class Case:
    """What is going on at the tank."""

    covered: bool
    draw_l_day: float
    gap_wanders_c: tuple[float, float] = (0.1, 0.5)
    """Least and most of what the gap's air differs by from the probe that hangs in it, drifting over hours, K."""


CASES = {
    "all on": Case(covered=False, draw_l_day=90.0),
    "no draw": Case(covered=False, draw_l_day=0.0),
    "all on, restless air": Case(covered=False, draw_l_day=90.0, gap_wanders_c=(0.5, 1.0)),
    "covered, drawn": Case(covered=True, draw_l_day=90.0),
}


class RanDry(Exception):
    """There was no water left to lose."""


@dataclass(frozen=True, slots=True)
class TankYear:
    """A sound tank's year as it really was."""

    seed: int
    case: str
    settings: Settings
    truth: Truth

    def upto(self, upto_ms: int, leak_ms: int, leak_l_day: float) -> Truth:
        """The year up to some time, with a leak: what is lost first is what would else have gone over the brim.

        Exact for upright walls and as long as nothing runs dry.
        """
        truth, n = self.truth, int(np.searchsorted(self.truth.t_ms, upto_ms, side="right"))
        t_ms = truth.t_ms[:n]
        whole_l = truth.volumes_l[:n, 0] + truth.spill_l[:n, 0]
        whole_l = whole_l - np.maximum(t_ms - leak_ms, 0) / DAY_MS * leak_l_day
        tank, weather = truth.site.tanks[0], truth.weather
        held_l = whole_l - np.maximum(np.maximum.accumulate(whole_l - tank.brim_l), 0.0)
        if held_l.min() <= tank.outlet_l:
            raise RanDry(f"year {self.seed}: the tank ran dry, and the year tells nothing")
        return replace(
            truth,
            weather=Weather(weather.start_ms, weather.rain_mm[: n - 1], weather.air_c[: n - 1]),
            t_ms=t_ms,
            volumes_l=held_l[:, None],
            depths_m=tank.depth_at(held_l)[:, None],
            rain_mm=truth.rain_mm[:n],
            pump_runs=tuple(run for run in truth.pump_runs if run.stop_ms < t_ms[-1]),
        )

    def asked(self, leak_ms: int = 0, leak_l_day: float = 0.0, *, upto_ms: int | None = None) -> TankLosses:
        """What the tool says at the end of the year, or before."""
        end_ms = int(self.truth.t_ms[-1]) if upto_ms is None else upto_ms
        truth = self.upto(end_ms, leak_ms, leak_l_day)
        told = [Columns(*block) for block in history(truth, self.settings, self.seed, level_every_s=EVERY_S)]
        evidence = gather(self.settings, HeldLog(told), Notes(), from_ms=int(truth.t_ms[0]), upto_ms=end_ms)
        return losses_of(self.settings, evidence, "tank")


def tank_year(seed: int, case: str, *, days: int = 365) -> TankYear:
    """Weather, household and errors by the seed."""
    rng = np.random.default_rng([seed, 505])
    latitude = float(rng.choice([39.4, -37.8]))
    what = CASES[case]
    settings = parse_settings(_text(what, latitude), "study")
    true = TwinSite.from_settings(
        settings,
        seed=seed,
        runoff_ratio={"roof": 0.85},
        gutter_l_s=1e9,
        draw_l_day={"tank": what.draw_l_day},
        # The mean of a year by the settings' own way is about 3.3; how far off that is differs from site to site.
        evaporation_mm_day=3.3 * max(1 + 0.25 * float(rng.standard_normal()), 0.2),
        gap_warmer_c=float(rng.normal(0, 0.5)),
        sun_warms_gap_c=float(rng.uniform(3, 9)),
        gap_wanders_c=float(rng.uniform(*what.gap_wanders_c)),
        ripple_mm=0.0 if what.covered else float(rng.uniform(2, 8)),
        evaporation_varies_ratio=float(rng.uniform(0.1, 0.5)),
    )
    weather = generated_weather(START_MS, days, seed=seed, latitude_deg=latitude, utc_offset_s=true.utc_offset_s)
    runs = [
        PumpRun(at, at + 8 * 60_000, 45.0)
        for at in range(START_MS + 5 * DAY_MS + 36_000_000, START_MS + (days - 1) * DAY_MS, 30 * DAY_MS)
    ]
    return TankYear(seed, case, settings, simulate(true, weather, full_ratio=0.9, pump_runs=runs))


def _text(case: Case, latitude_deg: float) -> str:
    zone = "Europe/Lisbon" if latitude_deg > 0 else "Australia/Melbourne"
    household = (
        f'[household]\ntank = "tank"\ndraw_a_day = {case.draw_l_day}\ndraw_a_day_u = {0.15 * case.draw_l_day}\n'
        if case.draw_l_day
        else ""
    )
    return f"""
[site]
name = "Leaky year (invented)"
time_zone = "{zone}"
latitude_deg = {latitude_deg}
[sensors.level]
kind = "ranger-binary"
port = "/dev/null"
every = "30 s"
air = "air"
air_u_c = 1.0
humidity_ratio = {1.0 if case.covered else 0.7}
[sensors.gauge]
kind = "tipping-bucket"
gpio = 17
calibrations = [{{ depth_per_tip = "0.2 mm" }}]
[sensors.meter]
kind = "flow-pulse"
gpio = 27
calibrations = [{{ k_factor_per_l = 100 }}]
[sensors.air]
kind = "one-wire"
path = "air"
every = "600 s"
[tanks.tank]
sensor = "level"
face_height = "2.0 m"
brim = "1.6 m"
outlet = "50 mm"
covered = {str(case.covered).lower()}
calibrations = [{{ shape = "cylinder", diameter = 2.185, volume_u_ratio = 0.01 }}]
[catchments.roof]
area = {140 if case.draw_l_day else 60}
shares = {{ tank = 1.0 }}
[pump]
source = "tank"
meter = "meter"
suction = 0.1
[rain]
gauge = "gauge"
{household}
[evaporation]
air = "air"
"""
