"""What may follow the question mark of an address: a few whole numbers, each within bounds."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rainstead.errors import RainsteadError

__all__ = ["BadQuery", "Number", "read_query", "read_stamp"]

_WHOLE = re.compile(r"[0-9]{1,15}", re.ASCII)
_LATEST_MS = 7_258_118_400_000
"""The year 2200."""


class BadQuery(RainsteadError, ValueError):
    """The address asks for something that there is not."""


@dataclass(frozen=True, slots=True)
class Number:
    """A whole number that may be asked for."""

    name: str
    usual: int
    least: int
    most: int


def read_query(given: Mapping[str, Sequence[str]], known: Sequence[Number]) -> dict[str, int]:
    """The numbers asked for, the usual ones where nothing is asked. Raises BadQuery, naming what would be right."""
    for name in given:
        if name not in {one.name for one in known}:
            may_be = ", ".join(one.name for one in known)
            told = f"this screen takes {may_be}" if known else "this screen takes nothing after the question mark"
            raise BadQuery(f"{name[:40]!r} is nothing that can be asked for here; {told}")
    found = {}
    for one in known:
        texts = given.get(one.name, ())
        if len(texts) > 1:
            raise BadQuery(f"{one.name} stands there {len(texts)} times; once is right")
        value = int(texts[0]) if texts and _WHOLE.fullmatch(texts[0]) else None if texts else one.usual
        if value is None or not one.least <= value <= one.most:
            raise BadQuery(f"{one.name} = {texts[0][:40]!r}: a whole number from {one.least} to {one.most} is right")
        found[one.name] = value
    return found


def read_stamp(text: str) -> int:
    """UTC milliseconds in an address. Raises BadQuery."""
    if not _WHOLE.fullmatch(text) or int(text) > _LATEST_MS:
        raise BadQuery(f"{text[:40]!r} is no time in UTC milliseconds; the lists lead to each storm and run")
    return int(text)
