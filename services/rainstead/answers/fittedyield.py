"""Yields that the log's own storms show, for what looks ahead."""

from collections.abc import Callable, Iterable

from rainstead.calc.desk import Estimate, Network, TankFit, estimate
from rainstead.evidence import network_of
from rainstead.log import ReadingSource
from rainstead.notebook import Notes
from rainstead.settings import Settings

from .yields import YieldGroup, yields

__all__ = ["TankFit", "fits_of", "fitted_yields"]

Progress = Callable[[int], None]
_LOOK_BACK_MS = 365 * 86_400_000


def fitted_yields(
    settings: Settings, reader: ReadingSource, notes: Notes, as_of_ms: int, *, progress: Progress | None = None
) -> dict[str, TankFit]:
    """By tank, from the storms of a year: each tank's own fit, else that of the smallest group that it is in.

    A group's fit is shared among its tanks as the settings share its roofs. No tank without storms enough is there.
    Raises NoGauge, NoRoofs.
    """
    answer, _ = yields(settings, reader, notes, as_of_ms, from_ms=as_of_ms - _LOOK_BACK_MS, progress=progress)
    return fits_of(answer.groups, network_of(settings, as_of_ms))


def fits_of(groups: Iterable[YieldGroup], network: Network) -> dict[str, TankFit]:
    """The same from fits at hand."""
    found: dict[str, TankFit] = {}
    for group in sorted(groups, key=lambda one: len(one.tanks)):
        true, loss = group.true_yield_l_mm, group.loss_mm
        if not isinstance(true, Estimate) or not isinstance(loss, Estimate):
            continue
        for tank in group.tanks:
            share = network.roof_yield_l_mm(tank) / group.nominal_yield_l_mm
            if tank not in found and share > 0:
                of_tank = estimate(share * true.value, share * true.u, floor=0.0)
                found[tank] = TankFit(f"fit of {group.name}", of_tank, loss)
    return found
