"""The live view of a site on a terminal: the newest of everything, from the log, beside the logger that writes it."""

from dataclasses import replace
from pathlib import Path
from typing import Any

from rich.console import Group
from rich.panel import Panel
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from rainstead import answers
from rainstead.clock import SystemClock
from rainstead.derive import Deriver, State
from rainstead.log import LogReader
from rainstead.moment import moment_of
from rainstead.replay import replay, resume
from rainstead.settings import load_settings

from . import layout
from .words import age, as_sentence, litres, state_mark, when

__all__ = ["LiveView"]


class LiveView:
    """Carries the calculation's state, and reads only what is new at each look."""

    def __init__(self, site_dir: Path) -> None:
        self._path = site_dir / "readings.db"
        self._settings = load_settings(site_dir / "site.toml")
        self._deriver = Deriver(self._settings)
        self._clock = SystemClock()
        self._state: State | None = None

    def look(self) -> answers.NowAnswer:
        """How everything stands."""
        with LogReader(self._path) as reader:
            if self._state is None:
                self._state = resume(reader, self._deriver)
            for state, _ in replay(reader, self._deriver, state=self._state):
                self._state = state
            moment = moment_of(reader, self._clock)
            answer = answers.now_from_state(self._settings, reader, self._deriver, self._state, moment.t_ms)
            return replace(answer, as_of_because=moment.because)

    def render(self) -> Any:
        """For a terminal."""
        answer = self.look()
        bars = Table.grid(padding=(0, 2))
        for level in answer.tanks:
            full = level.full_ratio or 0.0
            style = "red" if level.freeboard_l is not None and full > 0.97 else "cyan"
            bars.add_row(
                Text(level.name, style="bold"),
                ProgressBar(total=1.0, completed=min(1.0, full), width=30, complete_style=style, finished_style=style),
                Text(f"{litres(level.volume_l):>9}"),
                Text("" if level.freeboard_l is None else f"{litres(level.freeboard_l)} to the brim"),
            )
        because = "" if answer.as_of_because is None else as_sentence(answer.as_of_because)
        last = "no readings yet" if answer.last_reading_age_s is None else f"{age(answer.last_reading_age_s)} ago"
        title = f"{answer.site}  {when(answer.as_of_ms, answer.time_zone)}"
        return Panel(
            Group(bars, Text(because, style="yellow"), layout.now(answer)),
            title=Text(title),
            subtitle=Text(f"newest reading {last}; Ctrl-C stops"),
        )

    def plain_line(self) -> str:
        """For a pipe or a file: one line."""
        answer = self.look()
        tanks = ", ".join(f"{one.name} {litres(one.volume_l)} {state_mark(one)}".rstrip() for one in answer.tanks)
        parts = [tanks]
        if answer.reserve is not None:
            parts.append(f"usable {litres(answer.reserve.usable_l)}, reserve {litres(answer.reserve.fire_l)}")
        if answer.rain is not None:
            least = "at least " if answer.rain.is_at_least else ""
            parts.append(f"rain {least}{answer.rain.rain_day_mm:.1f} mm")
        if answer.flow is not None and answer.flow.flow_l_min is not None:
            parts.append(f"flow {answer.flow.flow_l_min:.1f} L/min")
        active = [f"{one.alarm.replace('_', ' ')} {one.subject}" for one in answer.alarms if one.state != "normal"]
        parts.append("ALARM " + ", ".join(active) if active else "no alarm")
        return f"{when(answer.as_of_ms, answer.time_zone)}  {'; '.join(parts)}"
