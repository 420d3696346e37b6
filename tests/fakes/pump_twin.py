"""Made-up runs for the pump's science: minutes of a tank and rows of a meter from a truth that the test knows."""

import math

import numpy as np

from rainstead.calc.desk import MeterRows, TankMinutes
from rainstead.readings import F64, I64

__all__ = ["T0", "meter_rows", "tank_minutes"]

T0 = 1_789_999_980_000
"""A whole minute."""


def tank_minutes(
    tank: str,
    t_s: F64,
    depth_m: F64,
    *,
    l_per_m: float,
    noise_m: float = 0.0015,
    zero_u_m: float = 0.003,
    scale_u: float = 0.01,
    air_u_m: float = 0.0,
    brim_m: float = math.inf,
    zero_m: float = 0.0,
    scale: float = 0.0,
    seed: int = 0,
) -> TankMinutes:
    """A ranger's minutes of a level known at t_s seconds after T0: six readings each, rounded to a millimetre.

    zero_m and scale are the errors of this tank's mounting and calibration, each the same for all minutes.
    """
    rng = np.random.default_rng(seed)
    at_s = np.arange(0.0, float(t_s[-1]) + 1, 10.0) + 5.0
    read_m = np.round(np.interp(at_s, t_s, depth_m) + zero_m + rng.normal(0, noise_m, len(at_s)), 3)
    n = len(at_s) // 6
    middle_m = np.median(read_m[: 6 * n].reshape(n, 6), axis=1)
    noise_u_m = max(math.hypot(noise_m, 0.001 / math.sqrt(12)) * math.sqrt(math.pi / (12 + math.pi - 2)), 0.0002)
    volume_l = middle_m * l_per_m * (1 + scale)
    full = np.ones(n)
    return TankMinutes(
        tank=tank,
        t_ms=T0 + 60_000 * np.arange(1, n + 1, dtype=np.int64),
        readings=np.full(n, 6, dtype=np.int64),
        depth_m=middle_m,
        depth_noise_u_m=full * noise_u_m,
        depth_zero_u_m=full * zero_u_m,
        depth_sound_u_m=full * air_u_m,
        volume_l=volume_l,
        noise_u_l=full * noise_u_m * l_per_m,
        zero_u_l=full * zero_u_m * l_per_m,
        sound_u_l=full * air_u_m * l_per_m,
        scale_u_l=volume_l * scale_u,
        at_brim=middle_m >= brim_m,
    )


def meter_rows(t_s: F64, passed_l: F64, *, k_true: float, k_said: float, u_ratio: float = 0.03) -> MeterRows:
    """A meter's rows each second while water flows; passed_l is cumulative at t_s seconds after T0."""
    at_s = np.arange(math.floor(float(t_s[0])), float(t_s[-1]) + 1)
    made: I64 = np.floor(np.interp(at_s, t_s, passed_l) * k_true + 1e-6).astype(np.int64)
    pulses = np.diff(made)
    flows = np.flatnonzero(pulses)
    kept = slice(int(flows[0]), int(flows[-1]) + 1) if len(flows) else slice(0, 0)
    t_ms = T0 + np.round(1000 * at_s).astype(np.int64)
    return MeterRows(
        start_ms=t_ms[:-1][kept],
        t_ms=t_ms[1:][kept],
        pulses=pulses[kept],
        volume_l=pulses[kept] / k_said,
        k_per_l=k_said,
        u_ratio=u_ratio,
    )
