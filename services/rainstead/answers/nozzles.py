"""Runs by the nozzle's setting: which are alike, and what each setting will give next."""

from collections.abc import Sequence

import numpy as np

from rainstead.calc import desk

from .pumpruns import ReviewedRun
from .runlines import NozzleLine

__all__ = ["alike", "nozzle_lines"]

_ALIKE_RATIO = 0.15
"""Runs of which nobody noted the setting are taken as alike within this part of their flow."""


def alike(found: Sequence[ReviewedRun], one: ReviewedRun) -> tuple[list[ReviewedRun], str]:
    """Runs at the same setting as one, that one among them: by the noted nozzle, else by much the same flow."""
    if one.nozzle is not None:
        return [run for run in found if run.nozzle == one.nozzle], "nozzle"
    flow = one.flow
    if flow is None:
        return [], "flow"
    near = [
        run
        for run in found
        if run.nozzle is None
        and run.flow is not None
        and abs(run.flow.flow_l_min / flow.flow_l_min - 1) <= _ALIKE_RATIO
    ]
    return near, "flow"


def nozzle_lines(found: Sequence[ReviewedRun]) -> tuple[NozzleLine, ...]:
    """One line a setting that was noted, and one for the runs without; the strongest first."""
    lines = []
    for nozzle in dict.fromkeys(run.nozzle for run in found):
        group = [run for run in found if run.nozzle == nozzle]
        flows = [run.flow for run in group if run.flow is not None]
        told: desk.Answered
        if nozzle is None and len(flows) > 1 and _differ(flows):
            told = desk.Unknown(
                "the flows of its runs differ as those of several nozzle settings do: note which was which"
            )
        else:
            told = desk.next_flow(flows, _shared(group))
        lines.append(NozzleLine(nozzle, len(group), group[-1].start_ms, told))
    strength = [
        -1.0 if isinstance(line.next_flow_l_min, desk.Unknown) else line.next_flow_l_min.value for line in lines
    ]
    return tuple(line for _, line in sorted(zip(strength, lines, strict=True), key=lambda pair: -pair[0]))


def _shared(group: Sequence[ReviewedRun]) -> float:
    return float(np.median([run.shared_u_ratio for run in group if run.flow is not None] or [0.0]))


def _differ(flows: Sequence[desk.RunFlow]) -> bool:
    values = [flow.flow_l_min for flow in flows]
    return max(values) > (1 + 2 * _ALIKE_RATIO) * min(values)
