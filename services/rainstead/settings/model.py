"""The shape of a site's settings: what is in the TOML file, in SI once read. Checked across keys in `checks`."""

import ipaddress
import re
from datetime import date, datetime
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from rainstead.readings import Kind
from rainstead.units import (
    AREA_M2,
    DEPTH_MM,
    DURATION_S,
    FUEL_L_H,
    LENGTH_M,
    VOLUME_L,
    UnitTable,
    parse_quantity,
)


def _typed(table: UnitTable, unit: str) -> tuple[BeforeValidator, WithJsonSchema]:
    """A float field that also takes text with a unit of the table."""

    def read(value: Any) -> Any:
        if isinstance(value, str):
            return parse_quantity(value, table)
        if isinstance(value, int) and not isinstance(value, bool):
            if abs(value) > 10**300:
                raise ValueError("is far too large a number")
            return float(value)
        return value

    said = f"a number in {unit}, or text with one of the units {', '.join(table)}"
    return BeforeValidator(read), WithJsonSchema({"type": ["number", "string"], "description": said})


LengthM = Annotated[float, *_typed(LENGTH_M, "metres")]
RainMm = Annotated[float, *_typed(DEPTH_MM, "millimetres")]
AreaM2 = Annotated[float, *_typed(AREA_M2, "square metres")]
VolumeL = Annotated[float, *_typed(VOLUME_L, "litres")]
DurationS = Annotated[float, *_typed(DURATION_S, "seconds")]
FuelLH = Annotated[float, *_typed(FUEL_L_H, "litres an hour")]


def _in_reach(when: date) -> date:
    """A date that any time zone can turn into a stamp."""
    if not 1900 <= when.year < 2200:
        raise ValueError("the year must lie between 1900 and 2199")
    return when


When = Annotated[date | datetime, AfterValidator(_in_reach)]
Listed = BeforeValidator(lambda value: tuple(value) if isinstance(value, list) else value)
"""TOML has lists; frozen settings have tuples, and strict pydantic will not turn one into the other."""
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
Ratio = Annotated[float, Field(ge=0, le=1)]
GpioLine = Annotated[int, Field(ge=0, le=53)]


class Part(BaseModel):
    """A part of the settings: frozen, strict, and closed to keys it does not know."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)


class Site(Part):
    """Where it is, and how its days are cut."""

    name: Annotated[str, Field(min_length=1)]
    time_zone: str
    """IANA name."""
    latitude_deg: Annotated[float, Field(ge=-90, le=90)]
    rain_day_hour: Annotated[int, Field(ge=0, le=23)] = 9
    rain_day_clock: Literal["local", "standard"] = "local"
    """Whether the rain day begins at that hour by the clock on the wall, or by standard time all year."""


class _Ranger(Part):
    """What all level rangers have."""

    every_s: Annotated[DurationS, Field(ge=0.5, le=3600, alias="every")] = 10.0
    burst_s: Annotated[DurationS, Field(gt=0, le=30, alias="burst")] = 1.0
    """Echoes of this long before the reading's stamp make one reading."""
    blanking_m: Annotated[LengthM, Field(gt=0, alias="blanking")] = 0.25
    max_range_m: Annotated[LengthM, Field(gt=0, alias="max_range")] = 4.5
    noisy_above_m: Annotated[LengthM, Field(gt=0, alias="noisy_above")] = 0.02
    """A burst with a larger spread than this is flagged noisy."""
    frozen_after_s: Annotated[DurationS, Field(ge=600, alias="frozen_after")] = 21_600.0
    """The same value to the last digit for so long, while other sensors show change, is told as frozen."""
    fastest_m_min: Annotated[float, Field(gt=0)] = 0.5
    """Water moves no faster than this, metres a minute: a level that does is told as a jump."""
    fewest_echoes: Annotated[int, Field(ge=1)] = 2
    false_echoes_m: Annotated[tuple[Annotated[LengthM, Field(gt=0)], ...], Listed, Field(alias="false_echoes")] = ()
    """Distances from the face at which something else than water echoes; what is heard there is not used as a level."""
    false_echo_within_m: Annotated[LengthM, Field(gt=0, alias="false_echo_within")] = 0.02
    """So far either side of a false echo."""
    compensation: Literal["none", "internal"] = "none"
    """Whether the sensor corrects for air temperature itself; it is never corrected twice."""
    assumed_air_c: Annotated[float, Field(ge=-20, le=50)] = 20.0
    """The dry-air temperature whose speed of sound the sensor uses, where it does not compensate."""
    air: Name | None = None
    """Name of the temperature sensor that stands for the air between face and water."""
    air_u_c: Annotated[float, Field(gt=0)] = 2.0
    """Standard uncertainty of that temperature as the mean of the air gap."""
    humidity_ratio: Ratio = 1.0
    """Relative humidity over the water: near 1 in a closed tank."""
    range_u_m: Annotated[LengthM, Field(ge=0, alias="range_u")] = 0.003
    """Standard uncertainty of the sensor's own zero and scale."""
    median_of: Annotated[int, Field(ge=1, le=31)] = 5
    """Alarms look at the median of this many readings; odd."""


class BinaryRanger(_Ranger):
    """Serial, four-byte frames: 0xFF, high, low, sum; millimetres."""

    kind: Literal["ranger-binary"]
    port: Annotated[str, Field(min_length=1)]
    baud: Annotated[int, Field(gt=0)] = 9600


class TextRanger(_Ranger):
    """Serial, `R` + digits + carriage return; millimetres."""

    kind: Literal["ranger-text"]
    port: Annotated[str, Field(min_length=1)]
    baud: Annotated[int, Field(gt=0)] = 9600


class EchoRanger(_Ranger):
    """A trigger and an echo line; the time between the echo's edges is the way there and back."""

    kind: Literal["ranger-echo"]
    trigger_gpio: GpioLine
    echo_gpio: GpioLine


class GaugeCalibration(Part):
    """Depth of rain per tip, from a date on."""

    since: Annotated[When | None, Field(alias="from")] = None
    depth_per_tip_mm: Annotated[RainMm, Field(gt=0, le=25, alias="depth_per_tip")]
    u_ratio: Ratio = 0.02
    """Relative standard uncertainty."""
    dead_time_s: Annotated[DurationS, Field(ge=0, le=2, alias="dead_time")] = 0.0
    """Rain is missed for this long while the bucket moves, so that hard rain reads low; 0: no correction."""


class TippingBucket(Part):
    """A tipping-bucket rain gauge on one GPIO line."""

    kind: Literal["tipping-bucket"]
    gpio: GpioLine
    pull_up: bool = True
    bounce_s: Annotated[DurationS, Field(gt=0, le=0.4, alias="bounce")] = 0.1
    """A closure this soon after a tip is the same closure bouncing."""
    closest_tips_s: Annotated[DurationS, Field(gt=0, le=5, alias="closest_tips")] = 0.4
    """No bucket tips twice within this time; such a tip is refused and counted."""
    hardest_mm_h: Annotated[float, Field(gt=0)] = 600.0
    """No rain here is harder: tips that would say so are kept, counted and shown as doubtful."""
    calibrations: Annotated[tuple[GaugeCalibration, ...], Listed, Field(min_length=1)]


class MeterCalibration(Part):
    """Pulses per litre, from a date on."""

    since: Annotated[When | None, Field(alias="from")] = None
    k_factor_per_l: Annotated[float, Field(gt=0)]
    u_ratio: Ratio = 0.03
    """Relative standard uncertainty."""
    flow_min_l_min: Annotated[float | None, Field(gt=0)] = None
    """The least flow that turns the rotor steadily, by its maker: below it the meter is blind, pulses are doubted."""
    flow_max_l_min: Annotated[float | None, Field(gt=0)] = None
    """The most that it can measure, by its maker: pulses above it are doubted."""


class FlowPulse(Part):
    """An open-collector flow meter on one GPIO line."""

    kind: Literal["flow-pulse"]
    gpio: GpioLine
    pull_up: bool = True
    every_s: Annotated[DurationS, Field(ge=0.2, le=1.5, alias="every")] = 1.0
    """While water flows, pulses are reported this often."""
    calibrations: Annotated[tuple[MeterCalibration, ...], Listed, Field(min_length=1)]


class OneWireProbe(Part):
    """A one-wire temperature probe, read from the kernel's text file."""

    kind: Literal["one-wire"]
    path: Annotated[str, Field(min_length=1)]
    """The probe's folder or its `w1_slave` file under /sys/bus/w1/devices."""
    every_s: Annotated[DurationS, Field(ge=1, le=3600, alias="every")] = 60.0
    offset_c: float = 0.0
    """Added to what the probe says, from a comparison in ice water or with a better thermometer."""


Sensor = Annotated[
    BinaryRanger | TextRanger | EchoRanger | TippingBucket | FlowPulse | OneWireProbe,
    Field(discriminator="kind"),
]
Ranger = BinaryRanger | TextRanger | EchoRanger


class _Shape(Part):
    since: Annotated[When | None, Field(alias="from")] = None
    volume_u_ratio: Ratio = 0.02
    """Relative standard uncertainty of litres per depth."""


class CylinderShape(_Shape):
    """Upright round tank."""

    shape: Literal["cylinder"]
    diameter_m: Annotated[LengthM, Field(gt=0, alias="diameter")]


class CuboidShape(_Shape):
    """Rectangular tank."""

    shape: Literal["cuboid"]
    length_m: Annotated[LengthM, Field(gt=0, alias="length")]
    width_m: Annotated[LengthM, Field(gt=0, alias="width")]


class ConeShape(_Shape):
    """Truncated cone, standing on `bottom_diameter`; height is where `top_diameter` was measured."""

    shape: Literal["truncated-cone"]
    bottom_diameter_m: Annotated[LengthM, Field(gt=0, alias="bottom_diameter")]
    top_diameter_m: Annotated[LengthM, Field(gt=0, alias="top_diameter")]
    height_m: Annotated[LengthM, Field(gt=0, alias="height")]


class LyingCylinderShape(_Shape):
    """Horizontal cylinder with flat ends."""

    shape: Literal["horizontal-cylinder"]
    diameter_m: Annotated[LengthM, Field(gt=0, alias="diameter")]
    length_m: Annotated[LengthM, Field(gt=0, alias="length")]


class LitresPerCmShape(_Shape):
    """The owner's own figure, from dips."""

    shape: Literal["litres-per-centimetre"]
    l_per_cm: Annotated[float, Field(gt=0)]
    zero_depth_m: Annotated[LengthM, Field(alias="zero_depth")] = 0.0
    """Depth at which the tank holds nothing."""


class StrappingShape(_Shape):
    """Measured pairs of depth and volume; straight lines between them."""

    shape: Literal["strapping-table"]
    table: Annotated[tuple[Annotated[tuple[LengthM, VolumeL], Listed], ...], Listed, Field(min_length=2)]
    """Pairs of depth and volume."""


Shape = Annotated[
    CylinderShape | CuboidShape | ConeShape | LyingCylinderShape | LitresPerCmShape | StrappingShape,
    Field(discriminator="shape"),
]


class Tank(Part):
    """One tank. Depths are above the floor datum."""

    sensor: Name | None = None
    """Its level sensor; a tank may have none."""
    face_height_m: Annotated[LengthM | None, Field(gt=0, alias="face_height")] = None
    """Height of the sensor face above the floor datum."""
    face_height_u_m: Annotated[LengthM, Field(ge=0, alias="face_height_u")] = 0.003
    brim_m: Annotated[LengthM, Field(gt=0, alias="brim")]
    """Depth at which it spills, or beyond which it must not be filled."""
    outlet_m: Annotated[LengthM, Field(ge=0, alias="outlet")] = 0.0
    """Depth of the outlet: below it is dead storage."""
    covered: bool = True
    open_area_m2: Annotated[AreaM2 | None, Field(ge=0, alias="open_area")] = None
    """Mouth that rain falls into and water evaporates from; by the shape at the brim, or 0 under a cover."""
    evaporation_ratio: Annotated[float | None, Field(ge=0, le=1)] = None
    """Part of open-water evaporation that its cover lets through; 1 without a cover, 0 with one."""
    calibrations: Annotated[tuple[Shape, ...], Listed, Field(min_length=1)]


class Catchment(Part):
    """A roof and the tanks it feeds."""

    area_m2: Annotated[AreaM2, Field(gt=0, alias="area")]
    """Plan area, not the sloped one."""
    runoff_ratio: Annotated[float, Field(gt=0, le=1)] = 0.9
    initial_loss_mm: Annotated[RainMm, Field(ge=0, alias="initial_loss")] = 0.5
    first_flush_l: Annotated[VolumeL, Field(ge=0, alias="first_flush")] = 0.0
    shares: Annotated[dict[Name, Ratio], Field(min_length=1)]
    """Tank to share of this roof's water."""


class Overflow(Part):
    """Water above one tank's brim runs into another."""

    source: Annotated[Name, Field(alias="from")]
    to: Name


class Fuel(Part):
    """The pump's petrol."""

    tank_l: Annotated[VolumeL, Field(gt=0, alias="tank")]
    rate_l_h: Annotated[FuelLH, Field(gt=0, alias="rate")]


class Pump(Part):
    """The pump, and how its runs are told apart."""

    source: Name
    """The tank it draws from."""
    meter: Name | None = None
    """The flow meter at its outlet."""
    to: Name | None = None
    """The tank it pumps to, where it is not the hose: a note of the owner's on a run says otherwise."""
    suction_m: Annotated[LengthM, Field(ge=0, alias="suction")] = 0.0
    """Depth in the source tank below which it draws air."""
    run_gap_s: Annotated[DurationS, Field(gt=0, alias="run_gap")] = 30.0
    """A pause in the flow longer than this ends a pump run."""
    fuel: Fuel | None = None


class Rain(Part):
    """How tips become storms."""

    gauge: Name
    storm_gap_s: Annotated[DurationS, Field(gt=0, alias="storm_gap")] = 21_600.0
    """Minimum inter-event time: a dry gap longer than this ends a storm."""


class Reserve(Part):
    """Litres that must stay for defence, whatever the household does."""

    fire_l: Annotated[VolumeL, Field(ge=0, alias="fire")]
    tanks: Annotated[tuple[Name, ...], Listed, Field(min_length=1)]
    """Tanks whose usable litres count towards it."""


class Household(Part):
    """What the house uses, as far as the owner knows it."""

    tank: Name
    """The tank it is drawn from."""
    draw_l_day: Annotated[VolumeL, Field(ge=0, alias="draw_a_day")]
    draw_u_l_day: Annotated[VolumeL, Field(ge=0, alias="draw_a_day_u")]
    """Standard uncertainty of a day's draw as a mean over weeks."""


class Evaporation(Part):
    """How evaporation from open tanks is estimated: from a probe's daily range, or from monthly figures."""

    air: Name | None = None
    """The probe that hangs in the shade outdoors; by its range from night to day."""
    coefficient: Annotated[float, Field(gt=0, le=2)] = 1.05
    """Open water against reference grass."""
    u_ratio: Ratio = 0.25
    """Relative standard uncertainty of a month's evaporation: shade, wind and warm walls."""
    monthly_mm: Annotated[
        tuple[Annotated[RainMm, Field(ge=0)], ...] | None, Listed, Field(min_length=12, max_length=12, alias="monthly")
    ] = None
    """January to December, from a pan or an almanac; instead of the probe."""


class OverflowRisk(Part):
    """Raised for each measured tank when its freeboard is at or under the limit."""

    freeboard_l: Annotated[VolumeL, Field(ge=0, alias="freeboard")]
    deadband_l: Annotated[VolumeL, Field(ge=0, alias="deadband")] = 100.0
    on_delay_s: Annotated[DurationS, Field(ge=0, alias="on_delay")] = 60.0
    off_delay_s: Annotated[DurationS, Field(ge=0, alias="off_delay")] = 300.0


class LowReserve(Part):
    """Raised when the usable litres of the reserve's tanks are at or under the fire reserve plus a margin."""

    margin_l: Annotated[VolumeL, Field(ge=0, alias="margin")] = 0.0
    deadband_l: Annotated[VolumeL, Field(ge=0, alias="deadband")] = 200.0
    on_delay_s: Annotated[DurationS, Field(ge=0, alias="on_delay")] = 60.0
    off_delay_s: Annotated[DurationS, Field(ge=0, alias="off_delay")] = 300.0


class LowSpace(Part):
    """Raised when the log's disk has so little room; long before readings have to wait in memory."""

    free_mb: Annotated[float, Field(gt=0)] = 200.0
    deadband_mb: Annotated[float, Field(ge=0)] = 50.0


class SensorFault(Part):
    """Raised for each sensor that has been in trouble for so long."""

    after_s: Annotated[DurationS, Field(ge=0, alias="after")] = 900.0


class NoBackup(Part):
    """Raised when a backup that is wanted failed, or the newest is this old."""

    after_s: Annotated[DurationS | None, Field(ge=0, le=31_622_400, alias="after")] = None
    """None: three days where a nightly backup was ever tried, else never. 0: never."""


class Alarms(Part):
    """The alarms that are watched; leave a table out and that alarm is not watched, but for those of the board."""

    overflow_risk: OverflowRisk | None = None
    low_reserve: LowReserve | None = None
    low_space: LowSpace = LowSpace()
    sensor_fault: SensorFault = SensorFault()
    no_backup: NoBackup = NoBackup()


class Log(Part):
    """How often what was read goes to disk, and how much of it stays."""

    commit_every_s: Annotated[DurationS, Field(ge=3, le=60, alias="commit_every")] = 10.0
    """A power cut loses at most this. Every 10 s some 40 MB a day reach the card, every 60 s some 13 MB
    (`tests/bench/bench_writes.py`)."""
    keep_days: Annotated[int | None, Field(ge=2, le=36_500)] = None
    """Full resolution of what has so many days of logging behind it goes; minutes, tips and pulses stay. None: nothing
    ever goes."""
    keep_mb: Annotated[int | None, Field(ge=5, le=1_000_000)] = None
    """The oldest full resolution goes while the log is larger than so many million bytes, but never the last day's."""
    spare_mb: Annotated[int, Field(ge=0, le=10_000)] = 32
    """Million bytes that are kept beside the log for a full disk. Not laid where that would leave little room, or less
    than it takes itself; 0: none."""
    most_waiting: Annotated[int, Field(ge=100, le=400_000)] = 200_000
    """Readings that wait in memory while the disk takes none: about 18 hours of three rangers every second, or a week
    of three every ten; some 40 MB. Then the oldest go."""
    reboot_after_s: Annotated[DurationS, Field(ge=0, alias="reboot_after")] = 86_400.0
    """Where the disk took readings for so long in this boot, is read-only or failing now, and the memory is nearly
    full: the board is rebooted, once. 0: never."""


class StatusLamp(Part):
    """A lamp on the board: steady while all is well, blinking where something is wrong, dark without a logger."""

    gpio: GpioLine


class ClockTrust(Part):
    """When this board's wall clock is to be believed."""

    trust: Literal["synchronised", "system"] = "synchronised"
    """`synchronised`: once the time daemon has set it in this boot. `system`: always (a hardware clock)."""


class Forward(Part):
    """A server with the InfluxDB 2 HTTP API that gets a copy of the log. Nothing is sent without this table."""

    url: Annotated[str, Field(pattern=r"^https?://.+")]
    """Address, with the path under which a proxy shows the server, if there is one."""
    org: Annotated[str, Field(min_length=1)]
    """A server without organisations takes any name here, `-` for one."""
    bucket: Annotated[str, Field(min_length=1)]
    token_file: Annotated[str, Field(min_length=1)]
    """File that holds the token, readable by its owner alone; in the site's folder unless its path is absolute."""
    order: Literal["newest", "oldest"] = "newest"
    """Which end of a backlog goes first. New readings go before any of it."""
    ca_file: str | None = None
    """Certificates to trust instead of the system's, for a server of one's own."""
    proxy: Annotated[str | None, Field(pattern=r"^https?://.+")] = None
    """A web proxy on the way out."""


_HOST = re.compile(r"(?=.{1,253}$)[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?(\.[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?)*")


def _address(text: str) -> str:
    """An address to listen on, as the ipaddress module writes it."""
    try:
        return str(ipaddress.ip_address(text.removeprefix("[").removesuffix("]")))
    except ValueError:
        raise ValueError(
            "must be an address of the board, such as 192.168.1.20; 0.0.0.0 is all that it has, 127.0.0.1 itself alone"
        ) from None


def _host(text: str) -> str:
    """A name or an address as it stands in the address bar of a browser, in small letters."""
    try:
        return str(ipaddress.ip_address(text.removeprefix("[").removesuffix("]")))
    except ValueError:
        pass
    name = text.lower().removesuffix(".")
    if not _HOST.fullmatch(name):
        raise ValueError("must be the name or the address of the board alone, without http:// and without a port")
    return name


class Page(Part):
    """The page that the board shows on the household's network. Nothing is shown without this table."""

    listen: Annotated[str, AfterValidator(_address)] = "127.0.0.1"
    """An address of the board; 0.0.0.0 (or ::) is all of them."""
    port: Annotated[int, Field(ge=1024, le=65_535)] = 8035
    names: Annotated[tuple[Annotated[str, AfterValidator(_host)], ...], Listed, Field(max_length=20)] = ()
    """What the board may be called in the address bar besides the address that it listens on."""


class MessageChannel(Part):
    """One way out for alarms: a mailbox, a push service, a web address, an MQTT broker."""

    address_file: Annotated[str, Field(min_length=1)]
    """File that holds the address with its password, readable by its owner alone; in the site's folder unless its path
    is absolute."""
    after_s: Annotated[DurationS | None, Field(ge=60, le=86_400, alias="after")] = None
    """It steps in where no channel without this has taken an alarm for so long. None: it is one of the first."""
    heartbeat_every_s: Annotated[DurationS | None, Field(ge=60, le=2_678_400, alias="heartbeat_every")] = None
    """How often a sign of life goes this way. None: never."""


class Messages(Part):
    """Who is told of alarms, and how. Nothing is sent without this table."""

    channels: Annotated[dict[Name, MessageChannel], Field(min_length=1)]
    most_an_hour: Annotated[int, Field(ge=2, le=1000)] = 12
    """A channel gets no more than this in an hour; what is over is gathered into one message."""
    silent_after_s: Annotated[DurationS, Field(ge=60, le=86_400, alias="silent_after")] = 900.0
    """A logger that gives no sign of life for so long is told."""
    give_up_after_s: Annotated[DurationS, Field(ge=3600, le=2_678_400, alias="give_up_after")] = 259_200.0
    """A message that was tried for so long is given up, and that is told."""
    test_every_s: Annotated[DurationS, Field(ge=0, le=31_622_400, alias="test_every")] = 604_800.0
    """How often a test message goes to every channel; 0: never."""


class Settings(Part):
    """One site."""

    site: Site
    sensors: dict[Name, Sensor] = {}
    tanks: Annotated[dict[Name, Tank], Field(min_length=1)]
    catchments: dict[Name, Catchment] = {}
    overflows: Annotated[tuple[Overflow, ...], Listed] = ()
    pump: Pump | None = None
    rain: Rain | None = None
    reserve: Reserve | None = None
    household: Household | None = None
    evaporation: Evaporation | None = None
    alarms: Alarms = Alarms()
    log: Log = Log()
    clock: ClockTrust = ClockTrust()
    lamp: StatusLamp | None = None
    forward: Forward | None = None
    messages: Messages | None = None
    page: Page | None = None


def sensor_kind(sensor: Sensor) -> Kind:
    """What a sensor's raw values are."""
    match sensor:
        case TippingBucket():
            return Kind.TIP
        case FlowPulse():
            return Kind.PULSE
        case OneWireProbe():
            return Kind.TEMPERATURE
        case _:
            return Kind.LEVEL
