"""Roof water into each tank, with what is not known about it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64

from .cascade import Cascade
from .estimate import Estimate
from .network import Network

__all__ = ["LOSS_U_RATIO", "NOMINAL_YIELD_U_RATIO", "Feed", "TankFit", "feeds_of", "roof_water_l"]

NOMINAL_YIELD_U_RATIO = 0.10
"""Relative standard uncertainty of a yield that nobody has measured. Roofs deliver 75 to 95 % in practice (0.07 as a
rectangle); slope and wind add to it. Common practice."""
LOSS_U_RATIO = 0.5
"""Of the initial loss: manuals give 0.4 to 2 mm for one roof. Common practice."""


@dataclass(frozen=True, slots=True)
class Feed:
    """Water of one roof into one tank: litres per millimetre of rain beyond the loss.

    source: whose error it is: feeds of one source are wrong together. loss_mm has the first flush in it.
    """

    tank: str
    source: str
    yield_l_mm: float
    yield_u_l_mm: float
    loss_mm: float
    loss_u_mm: float


@dataclass(frozen=True, slots=True)
class TankFit:
    """What was measured of the roofs of one tank: litres per millimetre, and the rain that is lost first.

    source: whose error it is; tanks that were fitted together have one.
    """

    source: str
    yield_l_mm: Estimate
    loss_mm: Estimate


def feeds_of(network: Network, fitted: Mapping[str, TankFit] | None = None) -> tuple[Feed, ...]:
    """A tank's own fit where there is one, else its roofs' nominal figures."""
    fits = {} if fitted is None else fitted
    feeds = [
        Feed(tank, fit.source, fit.yield_l_mm.value, fit.yield_l_mm.u, max(fit.loss_mm.value, 0.0), fit.loss_mm.u)
        for tank, fit in fits.items()
    ]
    for roof in network.roofs:
        flush_mm = roof.first_flush_l / roof.yield_l_mm
        feeds += [
            Feed(
                tank=tank,
                source=roof.name,
                yield_l_mm=share * roof.yield_l_mm,
                yield_u_l_mm=share * roof.yield_l_mm * NOMINAL_YIELD_U_RATIO,
                loss_mm=roof.initial_loss_mm + flush_mm,
                loss_u_mm=roof.initial_loss_mm * LOSS_U_RATIO,
            )
            for tank, share in roof.shares
            if tank not in fits and share > 0
        ]
    return tuple(feeds)


def roof_water_l(cascade: Cascade, feeds: Sequence[Feed], rain_mm: F64, scores: Mapping[str, tuple[F64, F64]]) -> F64:
    """Litres from the roofs into each tank for a storm of rain_mm (cases,): shape (tanks, cases).

    scores: for each source the standard normal scores of its yield and of its loss, (cases,); a source that is not
    there is taken at its value.
    """
    into_l = np.zeros((len(cascade.names), len(rain_mm)))
    for feed in feeds:
        yield_z, loss_z = scores.get(feed.source, (0.0, 0.0))
        yield_l_mm = np.maximum(feed.yield_l_mm + feed.yield_u_l_mm * yield_z, 0.0)
        loss_mm = np.maximum(feed.loss_mm + feed.loss_u_mm * loss_z, 0.0)
        into_l[cascade.row(feed.tank)] += yield_l_mm * np.maximum(rain_mm - loss_mm, 0.0)
    return into_l
