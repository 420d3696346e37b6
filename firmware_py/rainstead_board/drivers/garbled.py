"""What bytes may be that hold no frame of the kind that the settings name: another kind, another variant, or noise."""

import re
from typing import Final

from .frames import BinaryFrames, TextFrames

__all__ = ["SAMPLE_BYTES", "garbled_words"]

SAMPLE_BYTES: Final = 256
"""So many of the newest bytes are enough to tell."""
_MOST: Final = 0.5
"""Noise makes a frame of another kind now and then, but never frames of half of its bytes."""
_LINE = re.compile(rb"[ -~]{1,30}[\r\n]+")


def garbled_words(sample: bytes, kind: str, baud: int) -> str:
    """What is probably wrong and what to do about it, in words that follow `no frame among them`."""
    enough = max(1.0, _MOST * len(sample))
    if kind == "ranger-text" and 4 * len(BinaryFrames().feed(sample)) >= enough:
        return 'they are frames of another variant of sensor: say kind = "ranger-binary"'
    if kind == "ranger-binary" and 6 * len(TextFrames().feed(sample)) >= enough:
        return 'they are frames of another variant of sensor: say kind = "ranger-text"'
    if kind == "ranger-binary" and 4 * _without_header(sample) >= enough:
        return (
            "they are frames of another variant of sensor, whose sum leaves the header out; this one is not read, use "
            "one whose sum takes the header in"
        )
    if sum(len(line) for line in _LINE.findall(sample)) >= 0.9 * len(sample):
        return (
            "they are lines of text, of another variant of sensor; use one that sends R, digits and a carriage return"
        )
    return (
        f"wrong speed, or another variant of sensor? the settings say {kind} at {baud} baud; if that is right, the "
        "line is noisy: look at its ground and its length"
    )


def _without_header(sample: bytes) -> int:
    """Frames 0xFF, high, low, low byte of high + low."""
    found = at = 0
    while at + 4 <= len(sample):
        header, high, low, check = sample[at : at + 4]
        if header == 0xFF and high < 0xFF and (high + low) & 0xFF == check:
            found += 1
            at += 4
        else:
            at += 1
    return found
