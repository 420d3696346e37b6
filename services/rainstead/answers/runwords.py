"""What explains a disagreement, in words: one sentence for each cause."""

from rainstead.calc import desk
from rainstead.settings import Pump

__all__ = ["cause_words"]


def cause_words(cause: desk.Cause, pump: Pump, to: str | None, said_k_per_l: float | None) -> str:
    """One sentence; it names the tank or the meter, and how large it would have to be."""
    size = f"{abs(cause.size_l.value):,.0f} L"
    match cause.what:
        case "meter_dead":
            return f"{pump.meter} counted next to nothing while water moved: its cable, its pull-up or its rotor"
        case "air_in_meter":
            return f"{pump.source} was down to the suction: the pump drew air, and air spins a meter too"
        case "k_factor":
            right = cause.right_k_per_l
            told = "" if right is None or said_k_per_l is None else _k_words(right, said_k_per_l)
            return f"the K-factor of {pump.meter}{told}{_likely(cause)}"
        case "source_calibration" | "receiver_calibration":
            tank = pump.source if cause.what == "source_calibration" else to
            ratio = 0.0 if cause.ratio is None else cause.ratio
            way = "much" if ratio > 0 else "little"
            return f"the calibration of {tank}: it would read {abs(ratio):.1%} too {way}{_likely(cause)}"
        case "source_loses":
            return f"{size} left {pump.source} another way: a leak, another draw, or a leak before the meter"
        case "source_gains":
            return f"{size} came into {pump.source} meanwhile: rain off a roof, an overflow, or water run back"
        case "water_elsewhere":
            return f"{size} did not reach {to}: a leaking or open hose, or water let out on the way"
        case "spilt":
            return f"{to} came to its brim: {size} or some of it spilt"
        case "receiver_loses":
            return f"{to} was losing water while the pump stood, too: a leak or a draw there, of {size}"
        case "receiver_gains":
            return f"{size} came into {to} meanwhile: rain off a roof, or an overflow"
        case _:
            return cause.what.replace("_", " ")


def _k_words(right: desk.Estimate, said: float) -> str:
    off = right.value / said - 1
    return f": {right.value:,.1f} ±{1.96 * right.u:,.1f} pulses per litre instead of {said:,.1f} ({off:+.1%})"


def _likely(cause: desk.Cause) -> str:
    if cause.in_u is None:
        return ", though the settings say that it is exact"
    return f"; {cause.in_u:.1f} of its standard uncertainties"
