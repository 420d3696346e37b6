"""The water: pure arithmetic on numbers and arrays. No clock, no file, no settings, no logging."""

from .dated import in_force
from .dropouts import DeafHours, deaf_hours
from .echoes import BLIND_START, STEP_ALLOWANCE_MM, BlindState, Plateau, doubled, near_any
from .filters import MEDIAN_START, MedianState, running_median
from .fixedechoes import FixedEcho, fixed_echoes
from .ghosttips import ALONE_MS, TipDoubt, tip_doubts
from .hold import HOLD_START, HoldState, hold
from .latest import LatestState, latest_sum
from .litres import TankLitres, tank_litres
from .pulsedoubt import PulseDoubt, pulse_doubts
from .pump import FLOW_START, RUN_START, FlowState, PumpRun, RunState, flow_rows, open_run, runs
from .rain import TIP_START, TipState, tip_rows
from .sickness import has_moved, last_jump, same_since_ms
from .silentgauge import agreed_rain_mm
from .sound import dry_sound_speed_m_s, sound_speed_m_s, sound_u_ratio
from .spells import Spell
from .storm import STORM_START, Storm, StormState, open_storm, storms
from .strapping import (
    Cuboid,
    Cylinder,
    LitresPerCentimetre,
    LyingCylinder,
    StrappingTable,
    TruncatedCone,
    Volume,
)
from .swapped import Step, crossed_since_ms, lasting_steps
from .ullage import depth_m, ullage_compensated_m, ullage_m
from .uncertainty import combine, resolution_u
from .unwatched import unwatched

__all__ = [
    "ALONE_MS",
    "BLIND_START",
    "FLOW_START",
    "HOLD_START",
    "MEDIAN_START",
    "RUN_START",
    "STEP_ALLOWANCE_MM",
    "STORM_START",
    "TIP_START",
    "BlindState",
    "Cuboid",
    "Cylinder",
    "DeafHours",
    "FixedEcho",
    "FlowState",
    "HoldState",
    "LatestState",
    "LitresPerCentimetre",
    "LyingCylinder",
    "MedianState",
    "Plateau",
    "PulseDoubt",
    "PumpRun",
    "RunState",
    "Spell",
    "Step",
    "Storm",
    "StormState",
    "StrappingTable",
    "TankLitres",
    "TipDoubt",
    "TipState",
    "TruncatedCone",
    "Volume",
    "agreed_rain_mm",
    "combine",
    "crossed_since_ms",
    "deaf_hours",
    "depth_m",
    "doubled",
    "dry_sound_speed_m_s",
    "fixed_echoes",
    "flow_rows",
    "has_moved",
    "hold",
    "in_force",
    "last_jump",
    "lasting_steps",
    "latest_sum",
    "near_any",
    "open_run",
    "open_storm",
    "pulse_doubts",
    "resolution_u",
    "running_median",
    "runs",
    "same_since_ms",
    "sound_speed_m_s",
    "sound_u_ratio",
    "storms",
    "tank_litres",
    "tip_doubts",
    "tip_rows",
    "ullage_compensated_m",
    "ullage_m",
    "unwatched",
]
