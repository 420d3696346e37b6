"""The demo's site: Quillfeather Rise, which does not exist."""

from dataclasses import replace
from importlib.resources import files
from pathlib import Path

from rainstead.settings import Settings
from rainstead_board.twin.physics import ByHand, PumpRun, Truth, simulate
from rainstead_board.twin.truth import TwinSite
from rainstead_board.twin.weather import DAY_MS, generated_weather

__all__ = ["demo_history", "demo_settings_text", "demo_site"]

_LIVE_FREEBOARD_L = 270.0
"""What the upper tank has left when the live part starts: the first live storm takes it past the alarm's limit."""


def demo_settings_text(folder: Path | None = None, *, every: str = "10 s") -> str:
    """Settings of the invented site, as TOML.

    folder: where the twin lays its serial ports and its probe; None gives paths as on a real board.
    every: how often levels are read.
    """
    text = files("rainstead_board.twin").joinpath("demo_site.toml").read_text("utf-8")
    dev = str(folder / "dev") if folder else "/dev/serial/by-id"
    w1 = str(folder / "w1") if folder else "/sys/bus/w1/devices"
    for mark, value in (("@dev@", dev), ("@w1@", w1), ("@every@", every)):
        text = text.replace(mark, value.replace("\\", "\\\\").replace('"', '\\"'))
    return text.replace("# @...@ is filled in with the demo's folder.\n", "")


def demo_site(settings: Settings) -> TwinSite:
    """The invented site as it really is: near to its settings, and not quite. The same for history and live."""
    return TwinSite.from_settings(
        settings,
        seed=7,
        runoff_ratio={"shed_roof": 0.86, "house_roof": 0.87},
        gutter_l_s=2.4,
        draw_l_day={"house": 410.0},
        seepage_l_day={"pool": 14.0},
    )


def demo_history(settings: Settings, *, end_ms: int, days: int = 60, seed: int = 7) -> Truth:
    """Some weeks of the invented site up to `end_ms`, with a pump test each week.

    On the last day somebody carts water into the upper tank, or hoses it down, to leave it nearly full.
    """
    site = demo_site(settings)
    start_ms = end_ms - days * DAY_MS
    weather = generated_weather(
        start_ms, days, seed=seed, latitude_deg=site.latitude_deg, utc_offset_s=site.utc_offset_s
    )
    first_ms = start_ms - start_ms % DAY_MS + 2 * DAY_MS + 37_215_000  # in the morning of the third day
    nozzles_l_min = (55.0, 38.0, 24.0)
    runs = [
        PumpRun(at_ms, at_ms + (6 + week % 3 * 4) * 60_000, nozzles_l_min[week % 3])
        for week, at_ms in enumerate(range(first_ms, end_ms - DAY_MS, 7 * DAY_MS))
    ]
    starts = (0.55, 0.7, 0.75)
    # The last day stays dry, or the tank would be full before the live part begins.
    weather.rain_mm[-1440:] = 0.0
    plain = simulate(site, weather, full_ratio=starts, pump_runs=runs)
    upper = [tank.name for tank in site.tanks].index("upper")
    missing_l = site.tanks[upper].brim_l - _LIVE_FREEBOARD_L - plain.end.volumes_l[upper]
    rate_l_min = 240.0 if missing_l > 0 else -60.0
    hose = ByHand("upper", end_ms - 20 * 3_600_000, end_ms - 20 * 3_600_000, rate_l_min)
    hose = replace(hose, stop_ms=hose.start_ms + round(missing_l / rate_l_min * 60_000))
    return simulate(site, weather, full_ratio=starts, pump_runs=runs, by_hand=[hose])
