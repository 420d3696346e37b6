"""How a program of ours that runs until it is told to stop begins and ends: argument, journal, signals, exit codes."""

import argparse
import contextlib
import logging
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

from rainstead.clock import Clock
from rainstead.errors import HeldByAnother, RainsteadError
from rainstead.holding import AlreadyHeld, Hold
from rainstead.journal import begin_journal, last_words

__all__ = [
    "BROKE_OFF",
    "HELD_BY_ANOTHER",
    "NOTHING_TO_DO",
    "WANTS_MENDING",
    "BrokeOff",
    "NothingToDo",
    "only_one",
    "until_told",
    "wait_until",
]

BROKE_OFF: Final = 1
"""Exit code where a new start may go better; Python's own for an error that nobody foresaw."""
WANTS_MENDING: Final = 2
"""Exit code where a person has to mend something first; argparse's own for words that it does not know."""
HELD_BY_ANOTHER: Final = 3
"""Exit code where another process has what there can be but one of; starting again is worth a try, for it may end."""
NOTHING_TO_DO: Final = 6
"""Exit code where the settings ask for nothing: that of a program that is not configured (LSB, init scripts). The
services' units take it for an end without failure."""

_LONGEST_WAIT_MS: Final = 1000

Stopped = Callable[[], bool]


class NothingToDo(RainsteadError):
    """The settings ask this program for nothing, which is no fault."""


class BrokeOff(RainsteadError):
    """This process is of no use any more, or is not yet; another start may go better."""


@contextlib.contextmanager
def until_told(
    program: str,
    what: str,
    argv: Sequence[str] | None,
    journal: logging.Logger,
    libraries: Mapping[str, tuple[str, str]] | None = None,
) -> Iterator[tuple[Path, Stopped]]:
    """A program's whole life: the site's folder, whole from the root, and whether a signal has told it to stop.

    what: it does, for `--help`. libraries: for each module that may not be installed, what to install and the extra of
    ours that does. What a person can mend is one message and an exit code from above, never a traceback.
    """
    parser = argparse.ArgumentParser(prog=program, description=what)
    parser.add_argument("site", type=Path, help="the site's folder, with site.toml and readings.db in it")
    folder: Path = parser.parse_args(argv).site.absolute()
    repeats = begin_journal(program)
    told: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda signum, _frame: told.append(signum))

    def stopped() -> bool:
        repeats.tick()  # asked once a second, whatever there is to do
        return bool(told)

    try:
        yield folder, stopped
    except RainsteadError as error:
        said, code = str(error), _code(error)
    except ModuleNotFoundError as error:
        library = (error.name or "").partition(".")[0]
        if library not in (libraries or {}):
            raise
        package, extra = (libraries or {})[library]
        said, code = f"{package} is not installed here; `pip install 'rainstead[{extra}]'` adds it", WANTS_MENDING
    else:
        journal.info("stopped")
        return
    last_words(program, said)
    raise SystemExit(code)


def _code(error: RainsteadError) -> int:
    match error:
        case NothingToDo():
            return NOTHING_TO_DO
        case HeldByAnother():
            return HELD_BY_ANOTHER
        case BrokeOff():
            return BROKE_OFF
        case _:
            return WANTS_MENDING


@contextlib.contextmanager
def only_one(path: Path, does: str, journal: logging.Logger) -> Iterator[None]:
    """Hold the file, so that no second process does the same, and whoever looks sees that there is one.

    does: what the other one is at, should there be one. Raises HeldByAnother.
    """
    try:
        hold = Hold(path)
    except AlreadyHeld as error:
        raise HeldByAnother(f"{path.parent}: process {error.holder} is {does} already; stop that one first") from None
    except OSError as error:  # a disk that is full may have room later, and work must go on meanwhile
        journal.warning("%s: cannot be made (%s)", path, error.strerror)
        yield
        return
    try:
        yield
    finally:
        hold.release()


def wait_until(clock: Clock, due_ms: int, stopped: Stopped) -> None:
    """Sleep until the boot clock shows so much; a signal is heeded within a second."""
    while not stopped() and clock.boot_ms() < due_ms:
        clock.wait_until(min(due_ms, clock.boot_ms() + _LONGEST_WAIT_MS))
