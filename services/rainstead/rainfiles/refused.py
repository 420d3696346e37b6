"""Why a file of rain is not taken, and how its text is come by."""

import math
from pathlib import Path

from rainstead.errors import RainsteadError

__all__ = ["MOST_NAMED", "RainFileRefused", "number_mm", "refuse", "text_of"]

MOST_NAMED = 10


class RainFileRefused(RainsteadError, ValueError):
    """A file of rain cannot be taken; names its lines."""


def text_of(path: Path) -> str:
    """The file's text. Raises RainFileRefused."""
    if path.is_dir():
        raise RainFileRefused(f"{path}: this is a folder; name the file itself")
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise RainFileRefused(f"{path}: this is not UTF-8 text; save it as UTF-8") from None
    except OSError as error:
        raise RainFileRefused(f"{path}: cannot be read ({error.strerror}); check its name and its owner") from None


def number_mm(text: str, most_mm: float) -> float:
    """Millimetres of rain as written. Raises ValueError in words that follow a place."""
    try:
        value = float(text)
    except ValueError:
        hint = "; write a point for decimals" if "," in text else "; write millimetres as a plain number"
        raise ValueError(f"{text!r} is not a number{hint}") from None
    if not math.isfinite(value) or not 0 <= value <= most_mm:
        raise ValueError(f"{text!r} mm cannot be: rain lies between 0 and {most_mm:g} mm")
    return value


def refuse(path: Path, bad: list[tuple[int, str]]) -> RainFileRefused:
    """All that is wrong, the first lines by name."""
    named = "\n".join(f"  line {line}: {what}" for line, what in bad[:MOST_NAMED])
    more = f"\n  and {len(bad) - MOST_NAMED} more" if len(bad) > MOST_NAMED else ""
    return RainFileRefused(f"{path}: nothing was taken from it:\n{named}{more}")
