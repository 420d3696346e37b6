"""The water science of the desk: pure like its parent, but free to use scipy, so the logger never imports it."""

from .agreement import Best, Measure, Pair, Part, best_of, pairs
from .book import IN, OUT, Balance, balance, level_at, spill_kind
from .bookrain import STORM_SCATTER_RATIO, TippedRain, direct_kind, roof_kind
from .calibration import Against, Scatter, against
from .cascade import Cascade, cascade_of
from .catching import Catching, GroupGain, catchings, group_gain
from .catchment import YieldFit, expected_gain, fit_yield, is_odd, yield_nll
from .course import Amount, Course, Kind, amount_of, steps_course, straight_course, sum_of
from .defence import DefencePlan, TankPart, TankStock, defence_plan
from .dipfit import DipFit, DipPair, fit_dips
from .draws import DrawSteps, draw_steps
from .endurance import Burnt, Endurance, endurance, fuel_rate, quotient
from .estimate import Answered, Estimate, Unknown, estimate, lower_bound
from .evaporation import (
    EvaporationDays,
    air_range_c,
    extraterrestrial_mj,
    hargreaves_mm,
    monthly_mm_day,
    with_gaps_filled,
)
from .explain import METER, RECEIVER, SOURCE, Cause, Findings, RunFacts, explain
from .fall import daily_fall
from .fallfit import Fall, FallSpan, fall_fit, steep_falls
from .feeds import LOSS_U_RATIO, NOMINAL_YIELD_U_RATIO, Feed, TankFit, feeds_of, roof_water_l
from .fillsteps import FillStep, StraightFit, WaterLevel, fit_straight, told_apart, zero_depth_m
from .flowtrend import FlowTrend, RunFlow, flow_trend, next_flow
from .freeboard import freeboard, usable
from .gaugefit import Pour, depth_per_tip_mm, tip_volume_ml
from .intensity import caught_mm, peak_mm_h
from .kfit import KFit, KPoint, fit_k
from .lastingfall import FALSE_ONE_IN, LastingChange, change_at, lasting_change
from .leakwatch import LeakCall, LeakWatch, WatchPlan, WatchRows, cusum_arl, cusum_limit, leak_watch
from .levels import LevelMean, TankMinutes, level_mean, volume_change
from .moves import WaterMove, moved_l
from .network import Network, Roof, Settled, WaterTank
from .nights import Nights, night_falls
from .outlook import chance, days_quantile, days_without_rain, first_touched
from .rainexpected import RainExpected
from .resample import season_paths
from .runreview import LeftOut, MeterRows, RunReview, Side, review_run
from .runwater import SideWater, household_out, rain_in, still_loss_l_h
from .seepage import LossFit, fit_mornings, fit_nights, loss_against_depth, without_evaporation
from .sizing import OptionResult, Site, WorkOption, simulate_options
from .standing import (
    Mornings,
    Spans,
    cut_at_steps,
    dawn_levels,
    spell_slope_l_day,
    standing_spans,
)
from .steadyflow import FlowSpan, SteadyFlow, Step, flow_span, slope_with_memory, steady_flow
from .stores import DayRows, Draw, RoofPipe, Stores, StoreState, advance_days, start_of
from .stormwater import DryDays, Household, StormWindow, TankGain, dry_days, storm_window, tank_gain
from .strapfit import StrappingFit, TablePoint, fit_strapping
from .tankchange import STILL_AFTER_MS, STILL_FOR_MS, still_after, still_before, tank_change
from .transfer import Move, MovePlan, PumpReach, SpillOutlook, coming_l, plan_moves, spill_outlook
from .waterwork import bucket_flow, plant_rating_ratio, water_kwh_per_l, water_power_w
from .yieldlikelihood import Bound, StormGains

__all__ = [
    "FALSE_ONE_IN",
    "IN",
    "LOSS_U_RATIO",
    "METER",
    "NOMINAL_YIELD_U_RATIO",
    "OUT",
    "RECEIVER",
    "SOURCE",
    "STILL_AFTER_MS",
    "STILL_FOR_MS",
    "STORM_SCATTER_RATIO",
    "Against",
    "Amount",
    "Answered",
    "Balance",
    "Best",
    "Bound",
    "Burnt",
    "Cascade",
    "Catching",
    "Cause",
    "Course",
    "DayRows",
    "DefencePlan",
    "DipFit",
    "DipPair",
    "Draw",
    "DrawSteps",
    "DryDays",
    "Endurance",
    "Estimate",
    "EvaporationDays",
    "Fall",
    "FallSpan",
    "Feed",
    "FillStep",
    "Findings",
    "FlowSpan",
    "FlowTrend",
    "GroupGain",
    "Household",
    "KFit",
    "KPoint",
    "Kind",
    "LastingChange",
    "LeakCall",
    "LeakWatch",
    "LeftOut",
    "LevelMean",
    "LossFit",
    "Measure",
    "MeterRows",
    "Mornings",
    "Move",
    "MovePlan",
    "Network",
    "Nights",
    "OptionResult",
    "Pair",
    "Part",
    "Pour",
    "PumpReach",
    "RainExpected",
    "Roof",
    "RoofPipe",
    "RunFacts",
    "RunFlow",
    "RunReview",
    "Scatter",
    "Settled",
    "Side",
    "SideWater",
    "Site",
    "Spans",
    "SpillOutlook",
    "SteadyFlow",
    "Step",
    "StoreState",
    "Stores",
    "StormGains",
    "StormWindow",
    "StraightFit",
    "StrappingFit",
    "TablePoint",
    "TankFit",
    "TankGain",
    "TankMinutes",
    "TankPart",
    "TankStock",
    "TippedRain",
    "Unknown",
    "WatchPlan",
    "WatchRows",
    "WaterLevel",
    "WaterMove",
    "WaterTank",
    "WorkOption",
    "YieldFit",
    "advance_days",
    "against",
    "air_range_c",
    "amount_of",
    "balance",
    "best_of",
    "bucket_flow",
    "cascade_of",
    "catchings",
    "caught_mm",
    "chance",
    "change_at",
    "coming_l",
    "cusum_arl",
    "cusum_limit",
    "cut_at_steps",
    "daily_fall",
    "dawn_levels",
    "days_quantile",
    "days_without_rain",
    "defence_plan",
    "depth_per_tip_mm",
    "direct_kind",
    "draw_steps",
    "dry_days",
    "endurance",
    "estimate",
    "expected_gain",
    "explain",
    "extraterrestrial_mj",
    "fall_fit",
    "feeds_of",
    "first_touched",
    "fit_dips",
    "fit_k",
    "fit_mornings",
    "fit_nights",
    "fit_straight",
    "fit_strapping",
    "fit_yield",
    "flow_span",
    "flow_trend",
    "freeboard",
    "fuel_rate",
    "group_gain",
    "hargreaves_mm",
    "household_out",
    "is_odd",
    "lasting_change",
    "leak_watch",
    "level_at",
    "level_mean",
    "loss_against_depth",
    "lower_bound",
    "monthly_mm_day",
    "moved_l",
    "next_flow",
    "night_falls",
    "pairs",
    "peak_mm_h",
    "plan_moves",
    "plant_rating_ratio",
    "quotient",
    "rain_in",
    "review_run",
    "roof_kind",
    "roof_water_l",
    "season_paths",
    "simulate_options",
    "slope_with_memory",
    "spell_slope_l_day",
    "spill_kind",
    "spill_outlook",
    "standing_spans",
    "start_of",
    "steady_flow",
    "steep_falls",
    "steps_course",
    "still_after",
    "still_before",
    "still_loss_l_h",
    "storm_window",
    "straight_course",
    "sum_of",
    "tank_change",
    "tank_gain",
    "tip_volume_ml",
    "told_apart",
    "usable",
    "volume_change",
    "water_kwh_per_l",
    "water_power_w",
    "with_gaps_filled",
    "without_evaporation",
    "yield_nll",
    "zero_depth_m",
]
