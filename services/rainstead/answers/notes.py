"""The notebook: what is typed becomes an entry, checked against the settings; and the list of what was noted."""

from dataclasses import asdict, dataclass, fields
from typing import Any, Final

from rainstead.log import ReadingSource
from rainstead.notebook import Delivery, Dip, Forecast, FuelFill, Kept, KnownVolume, RunNote
from rainstead.settings import Settings
from rainstead.units import DEPTH_MM, LENGTH_M, VOLUME_L

from .answer import Answer, head
from .days import TimeUnreadable, local, read_time_ms
from .typed import Refused, read_moment_ms, read_quantity, read_tank

__all__ = [
    "GROUND",
    "NoteLine",
    "NotesAnswer",
    "delivery_entry",
    "dip_entry",
    "forecast_entry",
    "fuel_entry",
    "known_volume_entry",
    "note_line",
    "notes",
    "run_entry",
]

GROUND: Final = "ground"
DIP_U_M: Final = 0.005
"""Standard uncertainty of a careful dip with a stick or tape over still water: common practice."""
DELIVERY_U_RATIO: Final = 0.02
"""Of a carter's litres, where the docket says no better: common practice."""
VOLUME_U_RATIO: Final = 0.01
"""Of a volume measured for a calibration, by meter or by filled drums: common practice."""
FUEL_U_L: Final = 0.03
"""Of a tank filled to the same mark twice: common practice."""
_HOUR_MS = 3_600_000
_LONGEST_MS = 45 * 86_400_000


@dataclass(frozen=True, slots=True)
class NoteLine:
    """One entry. Keys that its kind does not have are None. struck_ms: when it was struck out; None: it stands.

    t_ms: when it happened, or ended; a forecast's, when it was made.
    """

    number: int
    kind: str
    added_ms: int
    struck_ms: int | None
    t_ms: int
    from_ms: int | None
    upto_ms: int | None
    tank: str | None
    depth_m: float | None
    depth_u_m: float | None
    volume_l: float | None
    volume_u_l: float | None
    fuel_l: float | None
    fuel_u_l: float | None
    nozzle: str | None
    to: str | None
    low_mm: float | None
    likely_mm: float | None
    high_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NotesAnswer(Answer):
    """Entries in order of time. struck_count: of those struck out, whether they are listed or not."""

    entries: tuple[NoteLine, ...]
    struck_count: int


def dip_entry(
    settings: Settings, now_ms: int, tank: str, depth: str, *, at: str | None = None, u: str | None = None
) -> Dip:
    """A depth by hand. Raises Refused, TankUnknown, TimeUnreadable."""
    name = read_tank(tank, settings)
    depth_m = read_quantity(depth, LENGTH_M, "DEPTH")
    brim_m = settings.tanks[name].brim_m
    # A dip above the brim is nearly always the ullage, or a wrong unit.
    if not 0 <= depth_m <= 1.1 * brim_m + 0.05:
        raise Refused(
            f"DEPTH {depth!r}: {depth_m:g} m does not fit {name}, whose brim is at {brim_m:g} m; "
            "a dip is the depth of water above the floor, not the air above it"
        )
    u_m = DIP_U_M if u is None else _u(u, LENGTH_M, "m", most=0.5)
    return Dip(read_moment_ms(at, settings, now_ms, "--at"), name, depth_m, u_m)


def delivery_entry(
    settings: Settings,
    now_ms: int,
    tank: str,
    volume: str,
    *,
    begun: str | None = None,
    ended: str | None = None,
    u: str | None = None,
) -> Delivery:
    """Carted water. Raises Refused, TankUnknown, TimeUnreadable."""
    name = read_tank(tank, settings)
    volume_l = read_quantity(volume, VOLUME_L, "VOLUME")
    if volume_l <= 0:
        raise Refused(f"VOLUME {volume!r}: a delivery must be more than nothing; to take one back, strike it out")
    _check_fits(settings, name, volume_l, volume, now_ms)
    from_ms, upto_ms = _span_ms(settings, now_ms, begun, ended)
    return Delivery(from_ms, upto_ms, name, volume_l, _volume_u_l(u, volume_l, DELIVERY_U_RATIO))


def known_volume_entry(
    settings: Settings,
    now_ms: int,
    tank: str,
    volume: str,
    *,
    begun: str | None = None,
    ended: str | None = None,
    u: str | None = None,
) -> KnownVolume:
    """A volume known from outside, into a tank or (negative) out of it. Raises Refused, TankUnknown, TimeUnreadable."""
    name = read_tank(tank, settings)
    volume_l = read_quantity(volume, VOLUME_L, "VOLUME")
    if volume_l == 0:
        raise Refused(f"VOLUME {volume!r}: nothing tells nothing; give what went in, or with a minus what came out")
    _check_fits(settings, name, abs(volume_l), volume, now_ms)
    from_ms, upto_ms = _span_ms(settings, now_ms, begun, ended)
    return KnownVolume(from_ms, upto_ms, name, volume_l, _volume_u_l(u, abs(volume_l), VOLUME_U_RATIO))


def fuel_entry(
    settings: Settings, now_ms: int, volume: str, *, at: str | None = None, u: str | None = None
) -> FuelFill:
    """Petrol back to the same mark. Raises Refused, TimeUnreadable."""
    if settings.pump is None:
        raise Refused("the settings have no [pump] table; add one to note its fuel")
    fuel_l = read_quantity(volume, VOLUME_L, "VOLUME")
    if fuel_l <= 0:
        raise Refused(f"VOLUME {volume!r}: a fill must be more than nothing")
    fuel = settings.pump.fuel
    if fuel is not None and fuel_l > 1.1 * fuel.tank_l:
        raise Refused(
            f"VOLUME {volume!r}: {fuel_l:g} L does not go into the pump's tank of {fuel.tank_l:g} L "
            "(pump.fuel.tank in the settings)"
        )
    u_l = FUEL_U_L if u is None else _u(u, VOLUME_L, "L", most=fuel_l)
    return FuelFill(read_moment_ms(at, settings, now_ms, "--at"), fuel_l, u_l)


def run_entry(
    settings: Settings, now_ms: int, *, at: str | None = None, nozzle: str | None = None, to: str | None = None
) -> RunNote:
    """What is known of the pump run at that time. Raises Refused, TankUnknown, TimeUnreadable."""
    if settings.pump is None:
        raise Refused("the settings have no [pump] table; add one to note its runs")
    label = None if nozzle is None else " ".join(nozzle.split())
    if not label and to is None:
        raise Refused("give --nozzle LABEL, --to TANK or --to ground: else there is nothing to note")
    if label is not None and not 0 < len(label) <= 60:
        raise Refused(f"--nozzle {nozzle!r}: a label has 1 to 60 characters")
    where = None if to is None else GROUND if to.lower() == GROUND else read_tank(to, settings)
    if where is not None and where == settings.pump.source:
        raise Refused(f"--to {to!r}: the pump draws from that tank (pump.source in the settings)")
    return RunNote(read_moment_ms(at, settings, now_ms, "--at"), label, where)


def forecast_entry(
    settings: Settings, now_ms: int, low: str, likely: str, high: str, *, begins: str | None = None, ends: str
) -> Forecast:
    """Rain expected, as 10, 50 and 90 % quantiles. Raises Refused, TimeUnreadable."""
    zone = settings.site.time_zone
    typed = {"LOW": low, "LIKELY": likely, "HIGH": high}
    low_mm, likely_mm, high_mm = (read_quantity(text, DEPTH_MM, what) for what, text in typed.items())
    if not 0 <= low_mm <= likely_mm <= high_mm:
        raise Refused(
            f"LOW {low!r}, LIKELY {likely!r}, HIGH {high!r}: must not fall from one to the next, nor be below 0 mm"
        )
    if high_mm > 2000:
        raise Refused(f"HIGH {high!r}: {high_mm:g} mm is more than has ever fallen in a day; is the unit right?")
    from_ms = now_ms if begins is None else read_time_ms(begins, zone, "--from", date_is_end=False)
    upto_ms = read_time_ms(ends, zone, "--to")
    if not from_ms < upto_ms:
        raise Refused(f"--to {ends!r}: must come after the beginning, {local(from_ms, zone):%Y-%m-%d %H:%M}")
    if upto_ms <= now_ms:
        raise Refused(f"--to {ends!r}: is past; a forecast is of rain to come")
    return Forecast(now_ms, from_ms, upto_ms, low_mm, likely_mm, high_mm)


def notes(
    settings: Settings,
    reader: ReadingSource | None,
    as_of_ms: int,
    kept: tuple[Kept, ...],
    *,
    with_struck: bool = False,
) -> NotesAnswer:
    """What was noted by then. reader: None where the site has no log yet."""
    known = [one for one in kept if one.added_ms <= as_of_ms]
    return NotesAnswer(
        **head(settings, reader, as_of_ms),
        entries=tuple(note_line(one) for one in known if with_struck or one.struck_ms is None),
        struck_count=sum(one.struck_ms is not None for one in known),
    )


def note_line(kept: Kept) -> NoteLine:
    """An entry with all keys of all kinds."""
    keys: dict[str, Any] = dict.fromkeys(one.name for one in fields(NoteLine))
    keys |= asdict(kept.entry)
    keys |= {"number": kept.number, "kind": kept.kind, "added_ms": kept.added_ms, "struck_ms": kept.struck_ms}
    keys["t_ms"] = kept.t_ms
    return NoteLine(**keys)


def _u(text: str, table: dict[str, float], unit: str, *, most: float) -> float:
    u = read_quantity(text, table, "--u")
    if not 0 < u <= most:
        raise Refused(f"--u {text!r}: a standard uncertainty must lie above 0 and up to {most:g} {unit}")
    return u


def _volume_u_l(text: str | None, volume_l: float, ratio: float) -> float:
    return ratio * volume_l if text is None else _u(text, VOLUME_L, "L", most=volume_l)


def _check_fits(settings: Settings, tank: str, volume_l: float, typed: str, now_ms: int) -> None:
    from rainstead.evidence import network_of  # late: the desk's science is heavy, and most commands need none of it

    capacity_l = network_of(settings, now_ms).tank(tank).capacity_l
    if volume_l > 2 * capacity_l:
        raise Refused(
            f"VOLUME {typed!r}: {volume_l:,.0f} L is more than twice what {tank} holds ({capacity_l:,.0f} L); "
            "is the unit right?"
        )


def _span_ms(settings: Settings, now_ms: int, begun: str | None, ended: str | None) -> tuple[int, int]:
    upto_ms = read_moment_ms(ended, settings, now_ms, "--to")
    from_ms = upto_ms - _HOUR_MS if begun is None else read_moment_ms(begun, settings, now_ms, "--from")
    zone = settings.site.time_zone
    if from_ms > upto_ms:
        raise TimeUnreadable(f"--from {begun!r}: comes after the end, {local(upto_ms, zone):%Y-%m-%d %H:%M}")
    if upto_ms - from_ms > _LONGEST_MS:
        raise TimeUnreadable(f"--from {begun!r}: is more than 45 days before the end; note it in parts")
    return from_ms, upto_ms
