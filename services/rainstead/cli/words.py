"""Numbers and times as people read them; the board's page has the same words."""

from rainstead.words import age, channel_wait, litres, moment, span, spread, state_mark, state_words, upkeep_lines, when

__all__ = [
    "age",
    "channel_wait",
    "litres",
    "moment",
    "span",
    "spread",
    "state_mark",
    "state_words",
    "upkeep_lines",
    "when",
]
