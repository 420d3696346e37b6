"""What each screen asks of the answers, and how far back it reads."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from rainstead import answers
from rainstead.derive import Deriver, State
from rainstead.log import LogReader
from rainstead.notebook import read_notes
from rainstead.settings import Settings

from .carrying import Carried
from .latelog import LateLog
from .query import Number

__all__ = ["SCREENS", "Ask", "Screen"]

_DAY_MS = 86_400_000
_STORM_LEAD_DAYS = 30
"""A storm that began before the days that are asked for is whole, and the first knows how long it was dry before."""
_RUN_LEAD_DAYS = 2
_SHEET_DAYS = 160
"""A storm's sheet holds it against those of the 120 days before."""

Numbers = Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Ask:
    """One question: the settings that hold, the site's folder, the time to answer for, and the numbers of the address.

    as_of_ms: by the wall clock where it is asked, by the log where it is answered.

    carried: what was worked out before; a sheet has none of it.
    """

    settings: Settings
    folder: Path
    as_of_ms: int
    numbers: Numbers
    carried: Carried | None = None

    def log(self, from_ms: float = -math.inf) -> LateLog:
        """The log, from a time on."""
        return LateLog(self.folder / "readings.db", None if math.isinf(from_ms) else int(from_ms))

    def days_before(self, days: int) -> int:
        """So many days before the time that is answered for."""
        return self.as_of_ms - days * _DAY_MS


@dataclass(frozen=True, slots=True)
class Screen:
    """A screen. answer: gives the answer and how many stretches of the log were damaged.

    is_heavy: it reads weeks. is_sheet: it needs more of a processor and of memory than the page may keep for itself.
    """

    answer: Callable[[Ask], tuple[answers.Answer, int]]
    takes: tuple[Number, ...] = ()
    is_heavy: bool = False
    is_sheet: bool = False


def _now(ask: Ask) -> tuple[answers.Answer, int]:
    with ask.log() as log:
        deriver, state = _brought_up(ask, log)
        return answers.now_from_state(ask.settings, log, deriver, state, ask.as_of_ms), len(log.damaged)


def _alarms(ask: Ask) -> tuple[answers.Answer, int]:
    with ask.log() as log:
        return answers.alarms(ask.settings, log, ask.as_of_ms, most=ask.numbers["most"]), len(log.damaged)


def _health(ask: Ask) -> tuple[answers.Answer, int]:
    with ask.log() as log:
        _, state = _brought_up(ask, log)
        return answers.health(ask.settings, log, ask.as_of_ms, site=ask.folder, state=state), len(log.damaged)


def _brought_up(ask: Ask, log: LogReader) -> tuple[Deriver, State]:
    assert ask.carried is not None
    return ask.carried.brought_up(ask.settings, log, ask.as_of_ms)


def _rain(ask: Ask) -> tuple[answers.Answer, int]:
    with ask.log() as log:
        return answers.rain(ask.settings, log, ask.as_of_ms, days=ask.numbers["days"]), len(log.damaged)


def _storms(ask: Ask) -> tuple[answers.Answer, int]:
    days = ask.numbers["days"]
    with ask.log(ask.days_before(days + _STORM_LEAD_DAYS)) as log:
        return answers.storms(ask.settings, log, ask.as_of_ms, since_ms=ask.days_before(days)), len(log.damaged)


def _runs(ask: Ask) -> tuple[answers.Answer, int]:
    days = ask.numbers["days"]
    with ask.log(ask.days_before(days + _RUN_LEAD_DAYS)) as log:
        return answers.pump(ask.settings, log, ask.as_of_ms, since_ms=ask.days_before(days)), len(log.damaged)


def _storm(ask: Ask) -> tuple[answers.Answer, int]:
    at_ms = ask.numbers["at_ms"]
    with ask.log(at_ms - _SHEET_DAYS * _DAY_MS) as log:
        notes = read_notes(ask.folder, upto_ms=ask.as_of_ms)
        answer, _ = answers.storm(ask.settings, log, notes, ask.as_of_ms, from_ms=at_ms, upto_ms=at_ms)
        return answer, len(log.damaged)


def _run(ask: Ask) -> tuple[answers.Answer, int]:
    at_ms = ask.numbers["at_ms"]
    with ask.log() as log:
        answer = answers.run(ask.settings, log, ask.folder, ask.as_of_ms, from_ms=at_ms, upto_ms=at_ms)
        return answer, len(log.damaged)


SCREENS = {
    "now": Screen(_now),
    "alarms": Screen(_alarms, (Number("most", 30, 1, 500),)),
    "health": Screen(_health),
    "rain": Screen(_rain, (Number("days", 14, 1, 366),), is_heavy=True),
    "storms": Screen(_storms, (Number("days", 60, 1, 366),), is_heavy=True),
    "runs": Screen(_runs, (Number("days", 60, 1, 366),), is_heavy=True),
    "storm": Screen(_storm, is_heavy=True, is_sheet=True),
    "run": Screen(_run, is_heavy=True, is_sheet=True),
}
