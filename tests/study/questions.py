"""What a drawn site is asked, through the desk's own answers, and what would have been right."""

from collections.abc import Iterator

import numpy as np
from coverage import Asked, asked
from happening import Happened, run_volume_l

from rainstead.answers.losses import losses_of
from rainstead.answers.pumpruns import reviewed_runs
from rainstead.answers.rooms import rooms
from rainstead.answers.yields import from_evidence
from rainstead.calc.desk import Answered, Unknown, estimate
from rainstead.derive import Deriver
from rainstead.evidence import Evidence, gather
from rainstead.log import LogReader
from rainstead.notebook import Notes

__all__ = ["ABSOLUTE", "ask"]

ABSOLUTE = frozenset({"freeboard", "seepage", "seepage where there is none", "a minute's noise"})
"""Of these the truth may be nought, so that errors are told in the unit."""
_ENDS_NEAR_MS = 60_000


def ask(happened: Happened, reader: LogReader) -> list[Asked]:
    """All questions to one site."""
    site = happened.site
    rng = np.random.default_rng([site.seed, 404])
    upto_ms = int(happened.t_ms[-1])
    evidence = gather(site.settings, reader, Notes(), from_ms=site.start_ms - 1, upto_ms=upto_ms)
    return [
        *_freeboard(happened, reader, int(rng.integers(site.start_ms + 3_600_000, upto_ms))),
        *_noise(happened, evidence, rng),
        *_yield(happened, reader, evidence),
        *_pump(happened, evidence, rng),
        *_seepage(happened, evidence),
    ]


def _asked(happened: Happened, quantity: str, unit: str, truth: float, answer: Answered) -> Asked:
    return asked(quantity, unit, happened.site.seed, truth, answer, happened.spilt_ratio)


def _freeboard(happened: Happened, reader: LogReader, as_of_ms: int) -> Iterator[Asked]:
    """Of each tank, at some moment."""
    settings = happened.site.settings
    for name, room in rooms(settings, reader, Deriver(settings), as_of_ms).items():
        column = happened.column(name)
        held_l = float(np.interp(as_of_ms, happened.t_ms, happened.volumes_l[:, column]))
        truth = happened.site.true.tanks[column].brim_l - held_l
        yield _asked(happened, "freeboard", "L", truth, room.freeboard_l)


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


def _yield(happened: Happened, reader: LogReader, evidence: Evidence) -> Iterator[Asked]:
    """Litres for each true millimetre into each group of tanks; storms vary about it, so that it is their mean."""
    true = happened.site.true
    names = [tank.name for tank in true.tanks]
    answer, _ = from_evidence(happened.site.settings, reader, evidence, evidence.upto_ms)
    for group in answer.groups:
        truth = sum(
            roof.area_m2 * roof.runoff_ratio * share
            for roof in true.roofs
            for name, share in zip(names, roof.shares, strict=True)
            if name in group.tanks
        )
        quantity = "yield of the site" if group.name == "site" else "yield of a part"
        yield _asked(happened, quantity, "L/mm", truth, group.true_yield_l_mm)


def _pump(happened: Happened, evidence: Evidence, rng: np.random.Generator) -> Iterator[Asked]:
    """One of the runs: its steady flow, and its litres."""
    if not happened.runs:
        return
    run = happened.runs[int(rng.integers(len(happened.runs)))]
    told = [
        one
        for one in reviewed_runs(happened.site.settings, evidence)
        if abs(one.start_ms - run.start_ms) < _ENDS_NEAR_MS
    ]
    unseen = Unknown("no such run was found")
    flow: Answered = told[0].review.flow_l_min if told else unseen
    best = told[0].review.best if told else unseen
    litres = float(run_volume_l(run, np.asarray(run.lasts_s)))
    yield _asked(happened, "pump flow", "L/min", run.flow_l_min, flow)
    yield _asked(happened, "pumped litres", "L", litres, best if isinstance(best, Unknown) else best.estimate)


def _seepage(happened: Happened, evidence: Evidence) -> Iterator[Asked]:
    """Of each tank; those that do not seep are counted apart."""
    for name in evidence.tanks:
        truth = happened.site.true.seepage_l_day[happened.column(name)]
        quantity = "seepage" if truth > 0 else "seepage where there is none"
        answer = losses_of(happened.site.settings, evidence, name).seepage_l_day
        yield _asked(happened, quantity, "L/day", truth, answer)
