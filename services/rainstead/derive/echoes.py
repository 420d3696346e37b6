"""What the log calls a level and is none: an echo that the owner has named false, or one at twice its distance."""

import numpy as np

from rainstead import calc
from rainstead.readings import F64, I64, U8, Quality
from rainstead.settings import Ranger

__all__ = ["judged_echoes"]


def judged_echoes(
    ranger: Ranger, state: calc.BlindState, t_ms: I64, raw_mm: F64, ullage_m: F64, quality: U8
) -> tuple[calc.BlindState, U8]:
    """The readings' quality with those turned into FALSE_ECHO and BLANKED; the raw values stay as they are.

    ullage_m: corrected for the air, because a ladder that stays where it is seems to come and go with the warmth.
    """
    seen = (quality == Quality.OK) | (quality == Quality.NOISY)
    marks_mm = tuple(mark_m * 1000 for mark_m in ranger.false_echoes_m)
    is_false = seen & calc.near_any(ullage_m * 1000, marks_mm, ranger.false_echo_within_m * 1000)
    steady = ((quality == Quality.OK) & ~is_false) | (quality == Quality.BLANKED)
    state, is_doubled = calc.doubled(
        state,
        t_ms,
        np.where(steady, raw_mm, np.nan),
        blind_mm=ranger.blanking_m * 1000,
        fastest_mm_min=ranger.fastest_m_min * 1000,
    )
    judged = np.where(is_doubled, Quality.BLANKED, np.where(is_false, Quality.FALSE_ECHO, quality))
    return state, judged.astype(np.uint8)
