"""The watch for leaks, tried on twin years: how soon a leak is called, by its size, and how often a sound tank is.

Run: .venv/bin/python tests/study/detection.py --years 24 --out tests/study/results
"""

import argparse
import json
import platform
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from leaky_year import DAY_MS, START_MS, RanDry, tank_year

__all__ = ["Curve", "Tried", "curves", "draw_curves", "tried"]

LEAKS_L_DAY = (7.0, 10.0, 14.0, 20.0, 40.0)
WATCHED_DAYS = 45
"""After the leak began; one that is not called by then counts as not found."""
WEEK = 7.0


@dataclass(frozen=True, slots=True)
class Tried:
    """One year of one tank. leak_l_day 0: sound, for the whole year. delay_days: to the first call after it began.

    false_calls: of a sound year; standing_days: that the watch saw.
    """

    case: str
    seed: int
    leak_l_day: float
    delay_days: float | None
    false_calls: int
    standing_days: int


@dataclass(frozen=True, slots=True)
class Curve:
    """One size of leak in one case."""

    case: str
    leak_l_day: float
    years: int
    within_7_days_ratio: float
    median_days: float | None
    found_ratio: float


def tried(case: str, seed: int, leaks_l_day: Sequence[float], *, days: int = 365) -> Iterator[Tried]:
    """The sound year, then the same year with each leak, which begins on a day drawn at random."""
    year = tank_year(seed, case, days=days)
    sound = year.asked()
    yield Tried(case, seed, 0.0, None, len(sound.calls), len(sound.days))
    leak_ms = START_MS + int(np.random.default_rng([seed, 606]).uniform(60, days - WATCHED_DAYS) * DAY_MS)
    for leak in leaks_l_day:
        told = year.asked(leak_ms, leak, upto_ms=leak_ms + WATCHED_DAYS * DAY_MS)
        called = [call.called_ms for call in told.calls if call.called_ms > leak_ms]
        delay = (called[0] - leak_ms) / DAY_MS if called else None
        yield Tried(case, seed, leak, delay, 0, len(told.days))


def curves(rows: Sequence[Tried]) -> list[Curve]:
    """Delays by case and size."""
    found = []
    for case, leak in sorted({(row.case, row.leak_l_day) for row in rows if row.leak_l_day}):
        delays = [row.delay_days for row in rows if (row.case, row.leak_l_day) == (case, leak)]
        days = np.array([np.inf if delay is None else delay for delay in delays])
        median = float(np.median(days))
        found.append(
            Curve(
                case,
                leak,
                len(days),
                float(np.mean(days <= WEEK)),
                median if np.isfinite(median) else None,
                float(np.mean(np.isfinite(days))),
            )
        )
    return found


def false_calls_a_year(rows: Sequence[Tried], case: str) -> float:
    """Calls a tank and calendar year, on sound tanks."""
    sound = [row.false_calls for row in rows if row.case == case and not row.leak_l_day]
    return sum(sound) / len(sound)


def draw_curves(rows: Sequence[Tried], path: Path) -> None:
    """The operating curve as a picture."""
    from rainstead.plots import COLOURS, new_figure, write

    figure, (part, delay) = new_figure(2, height_in=7.0)
    for case, tint in zip(dict.fromkeys(row.case for row in rows), ("loss", "water", "pump"), strict=False):
        some = [one for one in curves(rows) if one.case == case]
        calls = false_calls_a_year(rows, case)
        label = f"{case}: {calls:.2f} false calls a tank and year"
        leaks = [one.leak_l_day for one in some]
        part.plot(leaks, [100 * one.within_7_days_ratio for one in some], "o-", color=COLOURS[tint], label=label)
        delay.plot(leaks, [one.median_days or np.nan for one in some], "o-", color=COLOURS[tint])
    figure.suptitle("Leaks from an open 6,000 L tank, on invented years")
    part.set_ylabel("called within 7 days, %")
    part.set_ylim(0, 103)
    part.legend(loc="lower right", fontsize=9, frameon=False)
    delay.set_ylabel("median days to the call")
    delay.set_ylim(bottom=0)
    delay.axhline(WEEK, color=COLOURS["limit"], linewidth=1, linestyle="--")
    delay.set_xlabel("leak, L/day")
    write(figure, path)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--years", type=int, default=24, help="of each case")
    parser.add_argument("--first", type=int, default=1, help="seed of the first year")
    parser.add_argument("--cases", nargs="+", default=["all on", "no draw", "all on, restless air"])
    parser.add_argument("--out", type=Path, help="folder for detection.json and detection.png")
    chosen = parser.parse_args()
    begun = time.perf_counter()
    rows: list[Tried] = []
    for seed in range(chosen.first, chosen.first + chosen.years):
        for case in chosen.cases:
            try:
                rows += list(tried(case, seed, LEAKS_L_DAY))
            except RanDry as error:
                print(error, file=sys.stderr)
        print(f"{seed}: {time.perf_counter() - begun:.0f} s", file=sys.stderr, flush=True)
        if chosen.out is not None:
            _keep(rows, chosen.out)
    for case in chosen.cases:
        print(f"{case}: {false_calls_a_year(rows, case):.2f} false calls a tank and year")
    for one in curves(rows):
        median = "not found" if one.median_days is None else f"{one.median_days:.1f} d"
        print(f"{one.case}: {one.leak_l_day:.0f} L/day, {one.within_7_days_ratio:.0%} within 7 days, median {median}")


def _keep(rows: Sequence[Tried], folder: Path) -> None:
    cases = list(dict.fromkeys(row.case for row in rows))
    kept = {
        "what": "invented years of an open 6,000 L tank; see tests/study/leaky_year.py",
        "machine": f"{platform.machine()}, Python {platform.python_version()}",
        "false_calls_a_tank_year": {case: round(false_calls_a_year(rows, case), 3) for case in cases},
        "curves": [asdict(one) for one in curves(rows)],
        "years": [asdict(row) for row in rows],
    }
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "detection.json").write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
    draw_curves(rows, folder / "detection.png")


if __name__ == "__main__":
    main()
