"""The process that works one sheet out: a question comes in, its answer or a refusal goes out."""

import contextlib
import os
import pickle
import sqlite3
import sys

from rainstead.errors import LogError, RainsteadError

from .screens import SCREENS, Ask
from .sheets import SheetFailed

__all__: list[str] = []


def _work() -> None:
    with contextlib.suppress(OSError):  # a service may not be allowed to; it is as nice as its unit says
        os.nice(5)
    ask: Ask = pickle.loads(sys.stdin.buffer.read())
    try:
        told: object = SCREENS[sys.argv[1]].answer(ask)
    except ModuleNotFoundError as error:
        told = SheetFailed(f"{error.name} is not installed here; `pip install 'rainstead[desk]'` adds it")
    except (LogError, sqlite3.Error) as error:
        told = LogError(str(error))  # some of these are made of more than their message, and would not come through
    except RainsteadError as error:
        told = error
    sys.stdout.buffer.write(pickle.dumps(told))


if __name__ == "__main__":
    _work()
