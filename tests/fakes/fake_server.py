"""A time-series server in memory that can be told to misbehave."""

import re
from collections.abc import Callable, Sequence

from rainstead.forward import Answer, Word

__all__ = ["FakeServer"]


class FakeServer:
    """Keeps points by measurement, tags and stamp, as a real one does. `mood` is asked before each write."""

    name = "fake org bucket"

    def __init__(self, mood: Callable[[Sequence[str]], Answer] = lambda _: Answer(Word.STORED)) -> None:
        self.mood = mood
        self.points: dict[tuple[str, int], str] = {}
        self.writes = 0
        self.lines = 0
        self.deleted: list[tuple[str, int, int]] = []

    def write(self, lines: Sequence[str]) -> Answer:
        """See Server. A refused write may store its good lines: a real one does with 422 and not with 400."""
        self.writes += 1
        answer = self.mood(lines)
        if answer.word is Word.STORED:
            self.lines += len(lines)
            for line in lines:
                self._keep(line)
        return answer

    def _keep(self, line: str) -> None:
        head, fields, stamp = _parts(line)
        held = dict(pair.split("=") for pair in self.points.get((head, stamp), "").split(",") if pair)
        held |= dict(pair.split("=") for pair in fields.split(",") if pair)
        self.points[(head, stamp)] = ",".join(f"{name}={value}" for name, value in sorted(held.items()))

    def delete(self, site: str, from_ms: int, upto_ms: int, only: Sequence[str] = ()) -> Answer:
        """See Server."""
        self.deleted.append((site, from_ms, upto_ms))
        for head, stamp in list(self.points):
            if from_ms <= stamp <= upto_ms and (not only or head.split(",")[0] in only):
                del self.points[head, stamp]
        return Answer(Word.STORED)

    def of(self, measurement: str) -> dict[tuple[str, int], str]:
        """The points of one measurement."""
        return {key: value for key, value in self.points.items() if key[0].split(",")[0] == measurement}


def _parts(line: str) -> tuple[str, str, int]:
    """Head, fields and stamp of a line; a space in a tag is escaped, one between the parts is not."""
    rest, stamp = line.rsplit(" ", 1)
    head, fields = re.split(r"(?<!\\) ", rest, maxsplit=1)
    fields = re.sub(r'"(\\.|[^"\\])*"', '""', fields)  # words are not looked at here
    return head, fields, int(stamp)
