"""A simulated site that knows the truth it made. It shares no calculation with the rest, so that it can prove it wrong.

`harness` (live, on mock pins and pseudo-terminals), `demo` and `command` are imported by their own names: they need
gpiozero, which a simulation at the desk does not.
"""

from rainstead_board.twin.invented import demo_history, demo_settings_text, demo_site
from rainstead_board.twin.physics import ByHand, Leak, PumpRun, StormTruth, Truth, simulate
from rainstead_board.twin.sense import Block, history, tip_times_ms
from rainstead_board.twin.truth import TrueRoof, TrueTank, TwinSite
from rainstead_board.twin.waterworks import SiteState
from rainstead_board.twin.weather import Weather, generated_weather, recorded_weather

__all__ = [
    "Block",
    "ByHand",
    "Leak",
    "PumpRun",
    "SiteState",
    "StormTruth",
    "TrueRoof",
    "TrueTank",
    "Truth",
    "TwinSite",
    "Weather",
    "demo_history",
    "demo_settings_text",
    "demo_site",
    "generated_weather",
    "history",
    "recorded_weather",
    "simulate",
    "tip_times_ms",
]
