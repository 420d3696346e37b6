"""What a drawn site is asked, through the desk's own answers, and what would have been right."""

from collections.abc import Iterator

import numpy as np
from coverage import Asked, asked
from happening import Happened

from rainstead.calc.desk import Answered, LevelMean, estimate, level_mean
from rainstead.calc.desk.freeboard import freeboard
from rainstead.evidence import Evidence, gather
from rainstead.log import LogReader
from rainstead.notebook import Notes

__all__ = ["ABSOLUTE", "ask"]

ABSOLUTE = frozenset({"freeboard", "seepage", "seepage where there is none", "a minute's noise"})
"""Of these the truth may be nought, so that errors are told in the unit."""


def ask(happened: Happened, reader: LogReader) -> list[Asked]:
    """All questions to one site."""
    site = happened.site
    rng = np.random.default_rng([site.seed, 404])
    evidence = gather(site.settings, reader, Notes(), from_ms=site.start_ms - 1, upto_ms=int(happened.t_ms[-1]))
    found = list(_freeboard(happened, evidence, rng))
    found += _noise(happened, evidence, rng)
    return found


def _asked(happened: Happened, quantity: str, unit: str, truth: float, answer: Answered) -> Asked:
    return asked(quantity, unit, happened.site.seed, truth, answer, happened.spilt_ratio)


def _freeboard(happened: Happened, evidence: Evidence, rng: np.random.Generator) -> Iterator[Asked]:
    """Of each tank at some moment, by its newest minute then."""
    for name, minutes in evidence.tanks.items():
        k = int(rng.integers(len(minutes.t_ms)))
        at = level_mean(minutes, int(minutes.t_ms[k]) - 1, int(minutes.t_ms[k]))
        assert isinstance(at, LevelMean)
        column = happened.column(name)
        true_l = happened.site.true.tanks[column].brim_l
        held_l = float(np.interp(minutes.t_ms[k], happened.t_ms, happened.volumes_l[:, column]))
        ratio = at.scale_u_l / at.volume_l if at.volume_l > 0 else 0.0
        answer = freeboard(at.volume_l, at.u_l, ratio, evidence.network.tank(name).capacity_l)
        yield _asked(happened, "freeboard", "L", true_l - held_l, answer)


def _noise(happened: Happened, evidence: Evidence, rng: np.random.Generator) -> Iterator[Asked]:
    """Whether neighbouring minutes differ by as much as their noise says."""
    for name, minutes in evidence.tanks.items():
        k = int(rng.integers(len(minutes.t_ms) - 1))
        if minutes.at_brim[k : k + 2].any():
            continue
        depths = np.interp(minutes.t_ms[k : k + 2], happened.t_ms, happened.depths_m[:, happened.column(name)])
        u_m = float(np.hypot(*minutes.depth_noise_u_m[k : k + 2]))
        answer = estimate(float(np.diff(minutes.depth_m[k : k + 2])[0]) * 1000, u_m * 1000)
        yield _asked(happened, "a minute's noise", "mm", float(np.diff(depths)[0]) * 1000, answer)
