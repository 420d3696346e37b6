"""Getting a package of lines across, whatever the server says to it: whole, halved, or line by line."""

import random

from .cursor import Refused
from .server import Answer, Server, Word

__all__ = ["LONGEST_WAIT_S", "SLOW_WAIT_S", "Outbox"]

LONGEST_WAIT_S = 300.0
SLOW_WAIT_S = 300.0
"""Between tries while only a person can mend it."""
_FIRST_WAIT_S = 1.0
_MOST_DOUBLINGS = 16
_FEWEST = 100


class Outbox:
    """What still has to go. most: lines in one write; fewer where the server finds that too large, more again later."""

    def __init__(self, most: int, rng: random.Random) -> None:
        self._most, self._rng = most, rng
        self._parts: list[list[str]] = []
        self._failures = 0
        self._size = most
        self.refused: list[Refused] = []
        """Of the package that went last."""
        self.stored = 0
        """Lines, of all packages."""

    @property
    def empty(self) -> bool:
        """Whether all of it is stored or refused."""
        return not self._parts

    def put(self, lines: list[str]) -> None:
        """A package; the one before must be through."""
        assert self.empty
        self.refused = []
        self._parts = [lines[k : k + self._size] for k in range(0, len(lines), self._size)][::-1]

    def send(self, server: Server) -> tuple[Answer, float]:
        """One write; the answer to it, and the seconds to wait before the next."""
        part = self._parts.pop()
        answer = server.write(part)
        match answer.word:
            case Word.STORED:
                self.stored += len(part)
                self._failures = 0
                self._size = min(self._most, self._size + max(self._size // 10, 1))
                return answer, 0.0
            case Word.REFUSED | Word.TOO_LARGE:
                if len(part) == 1:
                    self.refused.append(Refused(part[0], answer.reason))
                else:
                    self._halve(part, for_good=answer.word is Word.TOO_LARGE)
                return answer, 0.0
            case Word.FORBIDDEN:
                self._parts.append(part)
                return answer, max(SLOW_WAIT_S, answer.wait_s or 0.0) * self._rng.uniform(0.8, 1.2)
            case Word.LATER:
                if answer.in_time or len(part) <= _FEWEST:
                    self._parts.append(part)
                else:
                    # Over a thin line a large write would run out of time for ever.
                    self._halve(part)
                return answer, self._back_off_s(answer.wait_s)

    def _halve(self, part: list[str], *, for_good: bool = True) -> None:
        """for_good: what comes later is to be small too."""
        middle = len(part) // 2
        self._parts += [part[middle:], part[:middle]]
        if for_good:
            self._size = max(min(self._size, middle), min(_FEWEST, self._most))

    def _back_off_s(self, asked_s: float | None) -> float:
        """Growing and ragged, so that a thousand boards do not come back in one second; never sooner than asked."""
        # Bounded: after some days without a server the power would be no number any more.
        self._failures = min(self._failures + 1, _MOST_DOUBLINGS)
        widest_s = min(_FIRST_WAIT_S * 2.0**self._failures, LONGEST_WAIT_S)
        ragged_s = self._rng.uniform(widest_s / 2, widest_s)
        if asked_s is None:
            return ragged_s
        return min(asked_s, 3600.0) + self._rng.uniform(0, widest_s / 2)
