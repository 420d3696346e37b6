"""What is typed for the outlook and for sizing."""

import re
import shlex
from collections.abc import Sequence

from rainstead.calc.desk import WorkOption
from rainstead.units import AREA_M2, VOLUME_L, UnitTable, parse_quantity

from .typed import Refused, read_quantity

__all__ = ["read_draw", "read_horizons", "read_options"]

_FARTHEST_DAYS = 730
_MOST_HORIZONS = 12


def read_horizons(text: str) -> tuple[int, ...]:
    """Numbers of days, rising, each once."""
    parts = [part.strip() for part in text.split(",")]
    if not all(part.isdecimal() for part in parts):
        raise Refused(f"--days {text!r}: write whole numbers of days with commas between them, as in 30,60,90")
    days = sorted({int(part) for part in parts})
    if not 1 <= days[0] <= days[-1] <= _FARTHEST_DAYS or len(days) > _MOST_HORIZONS:
        raise Refused(f"--days {text!r}: give at most {_MOST_HORIZONS} numbers between 1 and {_FARTHEST_DAYS}")
    return tuple(days)


def read_draw(text: str | None) -> float | None:
    """Litres a day."""
    if text is None:
        return None
    litres = read_quantity(text.removesuffix("/day").removesuffix("/d"), VOLUME_L, "--draw")
    if not 0 <= litres <= 1e6:
        raise Refused(f"--draw {text!r}: a house draws between 0 and 1,000,000 L a day")
    return litres


_KEYS = ("tank", "roof", "cover", "draw", "cost", "name")
_HOW = (
    "write what it is, with equals signs and blanks, as in 'tank=10kL cost=1800', 'roof=40m2', 'cover cost=900', "
    "'draw=250L', 'tank=10kL roof=40m2 name=both'; plain numbers are litres and square metres"
)


def read_options(texts: Sequence[str]) -> tuple[WorkOption, ...]:
    """Each `--option` as typed. Raises Refused."""
    return tuple(_option(text) for text in texts)


def _option(text: str) -> WorkOption:
    try:
        pairs = [part.partition("=") for part in shlex.split(text)]
    except ValueError:
        raise Refused(f"--option {text!r}: a quotation mark is not closed") from None
    told: dict[str, str] = {}
    for key, equals, value in pairs:
        if key not in _KEYS or (not value and key != "cover") or (not equals and key != "cover"):
            raise Refused(f"--option {text!r}: {key!r} will not do; {_HOW}")
        if key in told:
            raise Refused(f"--option {text!r}: {key} stands there twice")
        told[key] = value
    if not told.keys() & {"tank", "roof", "cover", "draw"}:
        raise Refused(f"--option {text!r}: it changes nothing; {_HOW}")
    if told.get("cover", "") not in ("", "yes"):
        raise Refused(f"--option {text!r}: write cover alone; it lies over every open tank")
    tank_l, roof_m2 = (_amount(text, told.get(key), table) for key, table in (("tank", VOLUME_L), ("roof", AREA_M2)))
    draw_l_day = None if "draw" not in told else _amount(text, told["draw"], VOLUME_L)
    cost = None if "cost" not in told else _amount(text, told["cost"], {})
    said = [f"another tank, {tank_l:,.0f} L"] if tank_l else []
    said += [f"{roof_m2:g} m2 more roof"] if roof_m2 else []
    said += ["cover"] if "cover" in told else []
    said += [] if draw_l_day is None else [f"draw {draw_l_day:,.0f} L a day"]
    return WorkOption(
        name=told.get("name") or ", ".join(said) or "no change",
        tank_l=tank_l,
        roof_m2=roof_m2,
        cover="cover" in told,
        draw_l_day=draw_l_day,
        cost=cost,
    )


def _amount(text: str, value: str | None, table: UnitTable) -> float:
    if value is None:
        return 0.0
    try:
        amount = float(value) if re.fullmatch(r"[0-9.]+", value) else parse_quantity(value, table)
    except ValueError as error:
        remedy = str(error) if table else "is not a plain number"
        raise Refused(f"--option {text!r}: {value!r} {remedy}") from None
    if not 0 <= amount <= 1e9:
        raise Refused(f"--option {text!r}: {value!r} must lie between 0 and a thousand million")
    return amount
