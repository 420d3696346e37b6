"""A site's settings: one TOML file, checked before anything trusts it."""

from .advice import advice, messages_advice
from .dates import since_ms
from .load import load_settings, parse_settings, read_settings, settings_digest
from .model import (
    BinaryRanger,
    Catchment,
    EchoRanger,
    FlowPulse,
    Forward,
    LowSpace,
    MessageChannel,
    Messages,
    OneWireProbe,
    Page,
    Pump,
    Ranger,
    Sensor,
    Settings,
    Shape,
    Tank,
    TextRanger,
    TippingBucket,
    sensor_kind,
)
from .starter import starter

__all__ = [
    "BinaryRanger",
    "Catchment",
    "EchoRanger",
    "FlowPulse",
    "Forward",
    "LowSpace",
    "MessageChannel",
    "Messages",
    "OneWireProbe",
    "Page",
    "Pump",
    "Ranger",
    "Sensor",
    "Settings",
    "Shape",
    "Tank",
    "TextRanger",
    "TippingBucket",
    "advice",
    "load_settings",
    "messages_advice",
    "parse_settings",
    "read_settings",
    "sensor_kind",
    "settings_digest",
    "since_ms",
    "starter",
]
