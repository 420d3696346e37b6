"""A tank's yield as somebody types it, in place of the settings' nominal."""

from collections.abc import Sequence

from rainstead.calc.desk import LOSS_U_RATIO, NOMINAL_YIELD_U_RATIO, TankFit, estimate
from rainstead.settings import Settings

from .typed import Refused, read_tank

__all__ = ["read_yields"]

_LOSS_MM = 0.5


def read_yields(texts: Sequence[str], settings: Settings) -> dict[str, TankFit]:
    """From `TANK=L_PER_MM`, `TANK=L_PER_MM,U` or `TANK=L_PER_MM,U,LOSS_MM`: yield and loss of each tank named."""
    found: dict[str, TankFit] = {}
    for text in texts:
        name, equals, figures = text.partition("=")
        try:
            values = [float(part) for part in figures.split(",")]
        except ValueError:
            values = []
        if not equals or not 1 <= len(values) <= 3 or not all(0 <= value < 1e6 for value in values):
            raise Refused(
                f"--yield {text!r}: write TANK=L_PER_MM, and after it, where you know them, its standard uncertainty "
                "and the millimetres that wet the roof first: house=124 or house=124,3,0.6"
            )
        tank = read_tank(name.strip(), settings)
        u = values[1] if len(values) > 1 else NOMINAL_YIELD_U_RATIO * values[0]
        loss_mm = values[2] if len(values) > 2 else _LOSS_MM
        found[tank] = TankFit(
            f"typed for {tank}",
            estimate(values[0], u, floor=0.0),
            estimate(loss_mm, LOSS_U_RATIO * loss_mm, floor=0.0),
        )
    return found
