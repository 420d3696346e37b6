"""A server's no, or a network's, in words that a person can use: without the client's own objects."""

import json
import re
from typing import Any

__all__ = ["body_words", "trouble_words"]

_MOST = 500


def trouble_words(error: BaseException) -> str:
    """Why there was no answer, of what urllib3 or the system raised."""
    inner = getattr(error, "reason", None)
    if isinstance(inner, BaseException):
        error = inner  # of all tries the last one
    text = re.sub(r"^HTTPS?Connection(Pool)?\(host='[^']*', port=[^)]*\): ", "", str(error))
    return re.sub(r"\[Errno -?\d+\] ", "", text) or type(error).__name__


def body_words(body: Any, otherwise: Any = "") -> str:
    """The message in an answer's body, in one line; `otherwise` where it has none."""
    text = body.decode(errors="replace") if isinstance(body, bytes) else str(body or otherwise or "")
    try:
        told = json.loads(text)
    except ValueError:
        told = None
    if isinstance(told, dict):
        text = str(told.get("message") or told.get("error") or text)
    return " ".join(text.split())[:_MOST]
