"""How answers are laid into the templates: words for numbers and times, the desk's own wherever it has them."""

import math
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from rainstead.answers import Answered, Unknown, utc_text
from rainstead.words import (
    age,
    as_sentence,
    channel_wait,
    late_account,
    litres,
    moment,
    span,
    spread,
    state_mark,
    state_words,
    upkeep_lines,
    when,
)

__all__ = ["environment"]


def environment() -> Environment:
    """The templates, every value escaped."""
    made = Environment(
        loader=PackageLoader("rainstead_page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "age": age,
        "as_sentence": as_sentence,
        "channel_wait": channel_wait,
        "late_account": late_account,
        "litres": litres,
        "moment": moment,
        "number": number,
        "percent": percent,
        "ranged": ranged,
        "span": span,
        "spread": spread,
        "state_mark": state_mark,
        "state_words": state_words,
        "upkeep_lines": lambda answer: upkeep_lines(answer.backup, answer.check, answer.time_zone),
        "utc": utc_text,
        "when": when,
        "words": lambda text: text.replace("_", " "),
    }
    made.tests["unknown"] = lambda value: isinstance(value, Unknown)
    return made


def number(value: float | None, digits: int = 0) -> str:
    """With a mark at the thousands; empty where there is none."""
    return "" if value is None or math.isnan(value) else f"{value:z,.{digits}f}"


def percent(answered: Answered, digits: int = 0) -> str:
    """A ratio as a percentage, `≥` before a bound; empty where it is not known."""
    if isinstance(answered, Unknown):
        return ""
    return f"{'≥ ' if answered.high is None else ''}{100 * answered.value:z,.{digits}f} %"


def ranged(answered: Any, unit: str, digits: int = 0) -> str:
    """Value, unit and 95 % interval; or why there is none."""
    if isinstance(answered, Unknown):
        return f"not enough to say, because {answered.because}"
    if answered.high is None:
        return f"{answered.value:z,.{digits}f} {unit} or more"
    return f"{answered.value:z,.{digits}f} {unit} ({answered.low:z,.{digits}f} to {answered.high:z,.{digits}f})"
