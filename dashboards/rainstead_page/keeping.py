"""Answers are kept for a while, so that the board works one out once, however many ask for it."""

import logging
import queue
import subprocess
import threading
from collections import OrderedDict
from dataclasses import dataclass, field, replace

from rainstead.answers import Answer
from rainstead.clock import Clock
from rainstead.errors import LogError, RainsteadError
from rainstead.moment import moment_of
from rainstead.notebook import NotebookError

from .carrying import Carried
from .screens import SCREENS, Ask
from .sheets import SheetFailed, answered_apart
from .site import Site

__all__ = ["Busy", "Kept", "Told"]

_LEAST_MS = 3_000
_MOST_MS = 300_000
_TIMES = 10
"""An answer is kept for so many times as long as it took: asking without end takes a tenth of the processor."""
_MOST_ANSWERS = 24
_MOST_WAITING = 4
_PATIENCE_S = 8.0
_MOST_PATIENT = 3
"""So many wait for what reads weeks; the server's other threads are for who wants to see how it stands now."""

_Key = tuple[str, tuple[tuple[str, int], ...]]
_journal = logging.getLogger("rainstead.page")


class Busy(RainsteadError):
    """It is being worked out, or enough other questions wait."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a screen is told. answer: None where there never was one. trouble: why it is not of now.

    refused: there is no such thing as was asked for. damaged: stretches of the log that could not be read.
    settings: what is wrong with the newest settings.
    """

    answer: Answer | None = None
    damaged: int = 0
    trouble: str | None = None
    refused: str | None = None
    settings: str | None = None


@dataclass(frozen=True, slots=True)
class _Entry:
    told: Told = Told()
    edition: int = -1
    good_until_ms: int = 0


@dataclass(frozen=True, slots=True)
class _Job:
    """A question that waits or is being worked out."""

    key: _Key
    ask: Ask
    edition: int
    done: threading.Event = field(default_factory=threading.Event)


class Kept:
    """Asks for the screens, and keeps what was answered."""

    def __init__(self, site: Site, clock: Clock, *, patience_s: float = _PATIENCE_S) -> None:
        """patience_s: whoever asks is answered after this, with what there is."""
        self._site, self._clock, self._patience_s = site, clock, patience_s
        self._entries: OrderedDict[_Key, _Entry] = OrderedDict()
        self._jobs: dict[_Key, _Job] = {}
        self._lock = threading.Lock()
        self._patient = threading.BoundedSemaphore(_MOST_PATIENT)
        self._carried = Carried()
        self._sheet: subprocess.Popen[bytes] | None = None
        # One thread for what is of now and one for what reads weeks: the second must not hold up the first.
        self._lanes: dict[bool, queue.Queue[_Job]] = {heavy: queue.Queue(_MOST_WAITING) for heavy in (False, True)}
        for lane in self._lanes.values():
            threading.Thread(target=self._work, args=(lane,), daemon=True).start()

    def ask(self, screen: str, numbers: dict[str, int]) -> Told:
        """The answer of now or of a while ago; where there is none, the last there was and why. Raises Busy."""
        standing = self._site.standing()
        key = (screen, tuple(sorted(numbers.items())))
        with self._lock:
            entry = self._entries.get(key, _Entry())
            if entry.edition == standing.edition and self._clock.boot_ms() < entry.good_until_ms:
                return replace(entry.told, settings=standing.trouble)
            ask = Ask(standing.settings, self._site.folder, self._clock.wall_ms(), numbers, self._carried)
            job = self._asked(_Job(key, ask, standing.edition), self._lanes[SCREENS[screen].is_heavy])
        if job is not None and self._is_done(job, is_heavy=SCREENS[screen].is_heavy):
            with self._lock:
                entry = self._entries.get(key, entry)
        elif entry.told.answer is None:
            raise Busy("it is being worked out")
        else:
            entry = replace(entry, told=replace(entry.told, trouble="a newer answer is still being worked out"))
        return replace(entry.told, settings=standing.trouble)

    def close(self) -> None:
        """End the sheet that is being worked out."""
        if self._sheet is not None:
            self._sheet.kill()

    def _is_done(self, job: _Job, *, is_heavy: bool) -> bool:
        """Waits for it, where there is a place to wait."""
        if not is_heavy:
            return job.done.wait(self._patience_s)
        if not self._patient.acquire(blocking=False):
            return False
        try:
            return job.done.wait(self._patience_s)
        finally:
            self._patient.release()

    def _asked(self, job: _Job, lane: "queue.Queue[_Job]") -> _Job | None:
        """The job, or the one that is at the same already; None where too many wait."""
        if job.key not in self._jobs:
            try:
                lane.put_nowait(job)
            except queue.Full:
                return None
            self._jobs[job.key] = job
        return self._jobs[job.key]

    def _work(self, lane: "queue.Queue[_Job]") -> None:
        while True:
            job = lane.get()
            with self._lock:
                last = self._entries.get(job.key, _Entry()).told
            begun_ms = self._clock.boot_ms()
            try:
                told = self._told(job)
                if last.trouble is not None:
                    _journal.info("%s: answered again", job.key[0])
            except Exception as error:  # as in any process's loop: one question that fails ends no other
                told = replace(last, trouble=self._trouble(job, error, last.trouble), refused=None)
            now_ms = self._clock.boot_ms()
            keep_ms = min(max(_TIMES * (now_ms - begun_ms), _LEAST_MS), _MOST_MS)
            with self._lock:
                self._entries[job.key] = _Entry(told, job.edition, now_ms + keep_ms)
                self._entries.move_to_end(job.key)
                while len(self._entries) > _MOST_ANSWERS:
                    self._entries.popitem(last=False)
                del self._jobs[job.key]
            job.done.set()

    def _told(self, job: _Job) -> Told:
        name = job.key[0]
        screen = SCREENS[name]
        try:
            with job.ask.log() as log:
                moment = moment_of(log, self._clock)
            ask = replace(job.ask, as_of_ms=moment.t_ms)
            answer, damaged = answered_apart(name, ask, self._begun) if screen.is_sheet else screen.answer(ask)
        except RainsteadError as error:
            if isinstance(error, LogError | NotebookError | SheetFailed):
                raise
            return Told(refused=str(error))
        return Told(answer if moment.because is None else replace(answer, as_of_because=moment.because), damaged)

    def _begun(self, process: subprocess.Popen[bytes]) -> None:
        self._sheet = process

    def _trouble(self, job: _Job, error: Exception, last: str | None) -> str:
        ours = isinstance(error, RainsteadError | OSError)
        told = str(error) if ours else f"it could not be worked out ({type(error).__name__}); the journal says more"
        told = told.replace(f"{job.ask.folder}/", "")
        if told != last:
            level = logging.WARNING if ours else logging.ERROR
            _journal.log(level, "%s: no answer now: %s", job.key[0], error, exc_info=None if ours else error)
        return told
