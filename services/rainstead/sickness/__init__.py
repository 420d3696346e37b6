"""Sensors that speak and are sick all the same, worked out from the log alone, by the same functions for the logger and
at the desk; and what these stand on, where a desk question asks for it by itself."""

from .finding import find_sickness
from .judgedlevels import judged_levels
from .meterdoubt import doubtful_words, doubts_of
from .sick import Sickness

__all__ = ["Sickness", "doubtful_words", "doubts_of", "find_sickness", "judged_levels"]
