"""The network's tanks as arrays, so that many cases run down the overflow links at once."""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64

from .network import Network

__all__ = ["Cascade", "cascade_of"]


@dataclass(frozen=True, slots=True)
class Cascade:
    """Tanks along axis 0. below: the row that takes a tank's overflow, -1 for nobody. order: downhill.

    capacity_l: of shape (tanks, 1) or (tanks, cases); infinite where nobody knows how full a tank is: all that runs
    into it stays with it.
    """

    names: tuple[str, ...]
    capacity_l: F64
    below: tuple[int, ...]
    order: tuple[int, ...]

    def row(self, name: str) -> int:
        """A tank's row."""
        return self.names.index(name)

    def settle(self, volume_l: F64) -> tuple[F64, F64, F64]:
        """Let what stands above a brim run down. volume_l: (tanks, cases), left alone.

        Returns what each tank then holds, what ran over its brim, and, per case, what went to nobody. Litres in are
        litres out. Elementwise alone: how cases are grouped does not change a bit.
        """
        held_l = volume_l.copy()
        over_l = np.zeros_like(volume_l)
        lost_l = np.zeros(volume_l.shape[1])
        for row in self.order:
            over_l[row] = np.maximum(held_l[row] - self.capacity_l[row], 0.0)
            held_l[row] -= over_l[row]
            if self.below[row] < 0:
                lost_l += over_l[row]
            else:
                held_l[self.below[row]] += over_l[row]
        return held_l, over_l, lost_l


def cascade_of(network: Network, unknown: Collection[str] = ()) -> Cascade:
    """The network's tanks in the order of its list; `unknown` tanks keep what they get."""
    names = tuple(tank.name for tank in network.tanks)
    capacity_l = [np.inf if tank.name in unknown else tank.capacity_l for tank in network.tanks]
    below = (network.below(name) for name in names)
    return Cascade(
        names,
        np.array(capacity_l, dtype=np.float64)[:, np.newaxis],
        tuple(-1 if name is None else names.index(name) for name in below),
        tuple(names.index(name) for name in network.downhill()),
    )
