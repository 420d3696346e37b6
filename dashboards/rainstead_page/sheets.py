"""A sheet of one storm or one run is worked out in a process of its own.

It needs libraries that take more memory than all the rest of the page, for some seconds and seldom; when that process
ends, a small board has it back.
"""

import os
import pickle
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace

from rainstead.answers import Answer
from rainstead.errors import RainsteadError

from .screens import Ask

__all__ = ["SheetFailed", "answered_apart"]

_MOST_S = 180


class SheetFailed(RainsteadError):
    """The process ended without an answer."""


def answered_apart(screen: str, ask: Ask, begun: Callable[[subprocess.Popen[bytes]], None]) -> tuple[Answer, int]:
    """What the screen answers, by a process that has ended when this returns. begun: is told of it, so as to end it.

    Raises what the screen raises, where a person can mend it; else SheetFailed.
    """
    with subprocess.Popen(
        # -P: nothing is imported from the folder in which the page was started, for others may write there.
        [sys.executable, "-P", "-m", "rainstead_page.sheetwork", screen],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    ) as process:
        begun(process)
        try:
            told, _ = process.communicate(pickle.dumps(replace(ask, carried=None)), timeout=_MOST_S)
        except subprocess.TimeoutExpired:
            process.kill()
            raise SheetFailed(f"it took longer than {_MOST_S} s and was given up") from None
    if process.returncode != 0:
        raise SheetFailed("its process ended without an answer; the journal may say why")
    found = pickle.loads(told)
    if isinstance(found, RainsteadError):
        raise found
    answer, damaged = found
    return answer, damaged
