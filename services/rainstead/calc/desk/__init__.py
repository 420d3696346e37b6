"""The water science of the desk: pure like its parent, but free to use scipy, so the logger never imports it."""

from .cascade import Cascade, cascade_of
from .estimate import Answered, Estimate, Unknown, estimate, lower_bound
from .evaporation import (
    EvaporationDays,
    air_range_c,
    extraterrestrial_mj,
    hargreaves_mm,
    monthly_mm_day,
    with_gaps_filled,
)
from .fall import daily_fall
from .feeds import Feed, feeds_of, roof_water_l
from .freeboard import freeboard
from .leakwatch import LeakCall, LeakWatch, WatchPlan, WatchRows, cusum_arl, cusum_limit, leak_watch
from .levels import LevelMean, TankMinutes, level_mean, volume_change
from .network import Network, Roof, Settled, WaterTank
from .outlook import chance, days_quantile, days_without_rain, first_touched
from .rainexpected import RainExpected
from .resample import season_paths
from .seepage import LossFit, fit_mornings, fit_nights, loss_against_depth, without_evaporation
from .sizing import OptionResult, Site, WorkOption, simulate_options
from .standing import Mornings, Nights, Spans, dawn_levels, night_falls, standing_spans
from .stores import DayRows, Draw, RoofPipe, Stores, StoreState, advance_days, start_of
from .transfer import Move, MovePlan, PumpReach, SpillOutlook, coming_l, plan_moves, spill_outlook

__all__ = [
    "Answered",
    "Cascade",
    "DayRows",
    "Draw",
    "Estimate",
    "EvaporationDays",
    "Feed",
    "LeakCall",
    "LeakWatch",
    "LevelMean",
    "LossFit",
    "Mornings",
    "Move",
    "MovePlan",
    "Network",
    "Nights",
    "OptionResult",
    "PumpReach",
    "RainExpected",
    "Roof",
    "RoofPipe",
    "Settled",
    "Site",
    "Spans",
    "SpillOutlook",
    "StoreState",
    "Stores",
    "TankMinutes",
    "Unknown",
    "WatchPlan",
    "WatchRows",
    "WaterTank",
    "WorkOption",
    "advance_days",
    "air_range_c",
    "cascade_of",
    "chance",
    "coming_l",
    "cusum_arl",
    "cusum_limit",
    "daily_fall",
    "dawn_levels",
    "days_quantile",
    "days_without_rain",
    "estimate",
    "extraterrestrial_mj",
    "feeds_of",
    "first_touched",
    "fit_mornings",
    "fit_nights",
    "freeboard",
    "hargreaves_mm",
    "leak_watch",
    "level_mean",
    "loss_against_depth",
    "lower_bound",
    "monthly_mm_day",
    "night_falls",
    "plan_moves",
    "roof_water_l",
    "season_paths",
    "simulate_options",
    "spill_outlook",
    "standing_spans",
    "start_of",
    "volume_change",
    "with_gaps_filled",
    "without_evaporation",
]
