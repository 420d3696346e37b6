"""A hand-worked site on which the pump ran: levels by the minute, pulses every five seconds."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from desk_site import SETTINGS, Raw, make_site, ms

from rainstead.notebook import Entry, Notebook
from rainstead.readings import Quality

__all__ = ["PUMPED", "Ran", "pumped_site"]

PUMPED = (
    SETTINGS.replace("k_factor_per_l = 100, u_ratio = 0.0", "k_factor_per_l = 100, u_ratio = 0.03")
    .replace("volume_u_ratio = 0.0", "volume_u_ratio = 0.01")
    .replace('source = "east"', 'source = "east"\nto = "west"\nsuction = "0.2 m"')
)
"""2000 L a metre in both tanks: 30 mm of fall is 60 L."""


@dataclass(frozen=True, slots=True)
class Ran:
    """One run from a whole minute: litres that left `east`, that the meter saw, and that reached `west`."""

    begins: str
    minutes: int
    source_l: float
    meter_l: float | None
    receiver_l: float


def pumped_site(
    folder: Path,
    runs: Sequence[Ran],
    *,
    text: str = PUMPED,
    entries: Sequence[Entry] = (),
    also: Sequence[Raw] = (),
    east_m: float = 1.8,
    west_m: float = 0.5,
    until_min: int = 40,
) -> Path:
    """The site's folder; levels from 40 minutes before each run to until_min after it."""
    rows: list[Raw] = []
    for run in runs:
        t_ms = ms(run.begins)
        for k in range(-40, run.minutes + until_min + 1):
            part = min(max(k, 0), run.minutes) / run.minutes
            for sensor, at_m in (
                ("east_level", east_m - part * run.source_l / 2000),
                ("west_level", west_m + part * run.receiver_l / 2000),
            ):
                # Two readings a minute, a millimetre apart, so that the water is not stiller than water is.
                for s, off in ((20, 0.0004), (40, -0.0004)):
                    rows.append((t_ms + 60_000 * (k - 1) + 1000 * s, sensor, _range_mm(at_m, off, k), Quality.OK))
        east_m -= run.source_l / 2000
        west_m += run.receiver_l / 2000
        if run.meter_l is not None:
            rows.append((t_ms, "meter", 0.0, Quality.OK))
            count = run.minutes * 12
            made = [round(run.meter_l * 100 * k / count) for k in range(count + 1)]
            rows += [(t_ms + 5000 * (k + 1), "meter", float(made[k + 1] - made[k]), Quality.OK) for k in range(count)]
    site = make_site(folder, [*rows, *also], text=text, watched=False)
    if entries:
        with Notebook(site) as notebook:
            for entry in entries:
                notebook.add(entry, 0)
    return site


def _range_mm(depth_m: float, off_m: float, k: int) -> float:
    return float(round(1000 * (2.5 - depth_m + off_m + 0.0002 * (k % 3 - 1))))
