"""Numbers and times as people read them; the board's page has the same words."""

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

__all__ = [
    "age",
    "as_sentence",
    "channel_wait",
    "late_account",
    "litres",
    "moment",
    "span",
    "spread",
    "state_mark",
    "state_words",
    "upkeep_lines",
    "when",
]
