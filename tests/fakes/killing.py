"""A child that works until it is killed, at a moment that no code chose, and what it said before."""

import os
import signal
import time
from collections.abc import Callable

__all__ = ["until_killed"]


def until_killed(live: Callable[[int], None], word_bytes: int, words: int, then_s: float) -> tuple[bytes, bool]:
    """What a forked child wrote to the pipe that it is given, and whether it was there to be killed.

    So many words by count, which a busy machine does not change; then anywhere between two of them.
    """
    told, tell = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(told)
        try:
            live(tell)
        finally:
            os._exit(3)
    os.close(tell)
    first = b"".join(os.read(told, word_bytes) for _ in range(words))
    time.sleep(then_s)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    with os.fdopen(told, "rb") as pipe:
        return first + pipe.read(), os.WIFSIGNALED(status)
