"""Pulses to litres and flow."""

import numpy as np
import pytest

from rainstead import calc


def test_fifteen_hundred_hertz_of_a_450_pulse_meter_is_200_litres_a_minute() -> None:
    # Definition: Q = 60 f / K.
    t_ms = np.array([0, 1_000], dtype=np.int64)
    _, _, volume, flow = calc.flow_rows(calc.FLOW_START, t_ms, np.array([0, 1_500], dtype=np.int64), np.full(2, 450.0))
    assert f"{flow[1]:.1f}" == "200.0"
    assert volume[1] == pytest.approx(1_500 / 450)


def test_at_half_a_litre_a_minute_a_pulse_comes_every_quarter_of_a_second() -> None:
    # The same, the other way round: 0.267 s.
    t_ms = np.array([0, 267], dtype=np.int64)
    _, _, _, flow = calc.flow_rows(calc.FLOW_START, t_ms, np.array([0, 1], dtype=np.int64), np.full(2, 450.0))
    assert f"{flow[1]:.1f}" == "0.5"


def test_a_run_is_its_pulses_over_the_k_factor() -> None:
    # V = N / K and Q = V / t; the part pulse at each end and the K-factor give the uncertainty.
    t_ms = np.arange(0, 610_000, 10_000, dtype=np.int64)
    pulses = np.full(len(t_ms), 6_600, dtype=np.int64)
    pulses[0] = 0
    _, (run,) = calc.runs(
        calc.RUN_START,
        t_ms,
        pulses,
        np.zeros(len(t_ms), dtype=np.int64),
        10**9,
        k_per_l=(450.0,),
        u_ratio=(0.02,),
        gap_ms=15_000,
    )
    assert (run.start_ms, run.end_ms, run.pulses) == (0, 600_000, 396_000)
    assert run.volume_l == pytest.approx(880.0)
    assert run.flow_l_min == pytest.approx(88.0)
    assert run.volume_u_l == pytest.approx(17.6, rel=1e-6)
    assert run.flow_u_l_min == pytest.approx(1.76, rel=1e-6)


def test_a_part_pulse_at_each_end_is_all_the_doubt_of_a_perfect_meter() -> None:
    # Computed, as for a gauge's bucket: litres lie between (N - 1) / K and (N + 1) / K; u = 1 / (K sqrt 6).
    _, (run,) = calc.runs(
        calc.RUN_START,
        np.array([0, 30_000], dtype=np.int64),
        np.array([0, 50], dtype=np.int64),
        np.zeros(2, dtype=np.int64),
        10**9,
        k_per_l=(10.0,),
        u_ratio=(0.0,),
        gap_ms=60_000,
    )
    assert f"{run.volume_l:.1f}" == "5.0"
    assert f"{run.volume_u_l:.5f}" == "0.04082"
    assert f"{run.flow_u_l_min:.5f}" == "0.08165"
