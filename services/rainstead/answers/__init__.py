"""What the desk says, as data with stable keys that carry units. How it looks is the command line's business."""

from rainstead.calc.desk import Answered, Estimate, Unknown

from .alarms import AlarmsAnswer, AlarmStanding, alarms
from .answer import Answer
from .book import PERIODS, BookAnswer, BookLine, BookTank, NoBook, NotInBook, book
from .counterfits import GaugeFit, MeterFit, bucket_fit, gauge_fit, runs_fit
from .days import local, rain_day_of, rain_day_start_ms, read_time_ms
from .defence import DefenceAnswer, DefenceAsked, DefenceTank, defence
from .filling import LeftOut
from .fittedyield import TankFit, fitted_yields
from .fitting import Compared, DipsFit, LitresFit, StepLine, StrappingFit, dips_fit, strapping_fit
from .forwarding import ForwardingAnswer, RefusedPoint, forwarding
from .health import BoardHealth, ForwarderHealth, HealthAnswer, MessengerHealth, SensorReport, health
from .leaks import LeakLine, WatchedDay
from .levels import TankLevel, Total
from .logfile import BackupAnswer, RestoreAnswer, VerifyAnswer, backup_site, restore_site, verify_log
from .losses import LevelLine, LevelStep, LossesAnswer, SpellLine, TankLosses, losses
from .messaging import GivenUpMessage, MessageChannelLine, MessagesAnswer, messages, messages_channels
from .notes import (
    NoteLine,
    NotesAnswer,
    delivery_entry,
    dip_entry,
    forecast_entry,
    fuel_entry,
    known_volume_entry,
    note_line,
    notes,
    run_entry,
)
from .now import NowAnswer, now, now_from_state
from .outlook import OutlookAnswer, outlook
from .plain import to_plain, utc_text
from .pump import PumpAnswer, pump
from .rain import RainAnswer, StormsAnswer, rain, storms
from .rainahead import RainAhead, rain_ahead, read_rain
from .rainrecord import rain_record
from .replaying import ReplayAnswer, replay_log
from .run import NoRun, RunAnswer, run
from .salvaging import OtherValue, SalvageAnswer, salvage_site
from .sites import SiteLine, SitesAnswer, sites
from .sizing import SizingAnswer, sizing
from .storm import StormAnswer, StormGroup, StormPeak, StormSeries, StormTank, storm
from .tanks import TanksAnswer, tanks
from .transfer import TransferAnswer, TransferMove, TransferPlan, transfer
from .typedplan import read_draw, read_horizons, read_options
from .typedyield import read_yields
from .upkeep import BackupHealth, CheckHealth, LastTime, back_up_and_note, check_and_note
from .yields import YieldAnswer, YieldChange, YieldCurve, YieldGroup, YieldStorm, yields

__all__ = [
    "PERIODS",
    "AlarmStanding",
    "AlarmsAnswer",
    "Answer",
    "Answered",
    "BackupAnswer",
    "BackupHealth",
    "BoardHealth",
    "BookAnswer",
    "BookLine",
    "BookTank",
    "CheckHealth",
    "Compared",
    "DefenceAnswer",
    "DefenceAsked",
    "DefenceTank",
    "DipsFit",
    "Estimate",
    "ForwarderHealth",
    "ForwardingAnswer",
    "GaugeFit",
    "GivenUpMessage",
    "HealthAnswer",
    "LastTime",
    "LeakLine",
    "LeftOut",
    "LevelLine",
    "LevelStep",
    "LitresFit",
    "LossesAnswer",
    "MessageChannelLine",
    "MessagesAnswer",
    "MessengerHealth",
    "MeterFit",
    "NoBook",
    "NoRun",
    "NotInBook",
    "NoteLine",
    "NotesAnswer",
    "NowAnswer",
    "OtherValue",
    "OutlookAnswer",
    "PumpAnswer",
    "RainAhead",
    "RainAnswer",
    "RefusedPoint",
    "ReplayAnswer",
    "RestoreAnswer",
    "RunAnswer",
    "SalvageAnswer",
    "SensorReport",
    "SiteLine",
    "SitesAnswer",
    "SizingAnswer",
    "SpellLine",
    "StepLine",
    "StormAnswer",
    "StormGroup",
    "StormPeak",
    "StormSeries",
    "StormTank",
    "StormsAnswer",
    "StrappingFit",
    "TankFit",
    "TankLevel",
    "TankLosses",
    "TanksAnswer",
    "Total",
    "TransferAnswer",
    "TransferMove",
    "TransferPlan",
    "Unknown",
    "VerifyAnswer",
    "WatchedDay",
    "YieldAnswer",
    "YieldChange",
    "YieldCurve",
    "YieldGroup",
    "YieldStorm",
    "alarms",
    "back_up_and_note",
    "backup_site",
    "book",
    "bucket_fit",
    "check_and_note",
    "defence",
    "delivery_entry",
    "dip_entry",
    "dips_fit",
    "fitted_yields",
    "forecast_entry",
    "forwarding",
    "fuel_entry",
    "gauge_fit",
    "health",
    "known_volume_entry",
    "local",
    "losses",
    "messages",
    "messages_channels",
    "note_line",
    "notes",
    "now",
    "now_from_state",
    "outlook",
    "pump",
    "rain",
    "rain_ahead",
    "rain_day_of",
    "rain_day_start_ms",
    "rain_record",
    "read_draw",
    "read_horizons",
    "read_options",
    "read_rain",
    "read_time_ms",
    "read_yields",
    "replay_log",
    "restore_site",
    "run",
    "run_entry",
    "runs_fit",
    "salvage_site",
    "sites",
    "sizing",
    "storm",
    "storms",
    "strapping_fit",
    "tanks",
    "to_plain",
    "transfer",
    "utc_text",
    "verify_log",
    "yields",
]
