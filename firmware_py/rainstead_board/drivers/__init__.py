"""Sensors as channels: bytes and edges in, raw readings out. No litres here."""

import sys

from rainstead.clock import Clock
from rainstead.settings import (
    BinaryRanger,
    EchoRanger,
    FlowPulse,
    OneWireProbe,
    Settings,
    TextRanger,
    TippingBucket,
)

from .channel import Channel
from .one_wire import OneWireThermometer
from .ranger_serial import SerialRanger

__all__ = ["Channel", "build_channels", "edges_have_ended"]


def edges_have_ended() -> bool:
    """Whether the thread that hands over edges is dead; never where no line was opened."""
    if f"{__name__}.gpio_line" not in sys.modules:
        return False
    from .gpio_line import edges_have_ended as ended

    return ended()


def build_channels(settings: Settings, clock: Clock) -> list[Channel]:
    """A channel for each sensor of the settings. Devices are opened at the first poll, and again after a fault."""
    channels: list[Channel] = []
    for name, sensor in settings.sensors.items():
        match sensor:
            case BinaryRanger() | TextRanger():
                channels.append(SerialRanger(name, sensor))
            case OneWireProbe():
                channels.append(OneWireThermometer(name, sensor))
            case _:
                channels.append(_on_gpio(name, sensor, clock))
    return channels


def _on_gpio(name: str, sensor: EchoRanger | TippingBucket | FlowPulse, clock: Clock) -> Channel:
    # A board without GPIO sensors does not load the library for them.
    from .flow_meter import FlowMeter
    from .ranger_echo import TriggerEchoRanger
    from .tipping_bucket import TippingBucketGauge

    match sensor:
        case EchoRanger():
            return TriggerEchoRanger(name, sensor, clock)
        case TippingBucket():
            return TippingBucketGauge(name, sensor, clock)
        case FlowPulse():
            return FlowMeter(name, sensor, clock)
