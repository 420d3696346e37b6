"""Water in motion for one step of time: off the roof, over the gutter, into the tanks, over the brim."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from rainstead_board.twin.truth import TrueRoof, TwinSite

__all__ = ["CUMULATIVE", "SiteState", "Waterworks", "first_state"]

CUMULATIVE = ("link_l", "spill_l", "draw_l", "evaporation_l", "seepage_l", "hand_l")
"""What `Waterworks` counts for each tank."""
_YEAR_S = 365 * 86_400.0


@dataclass(frozen=True, slots=True)
class SiteState:
    """Where everything stands at one moment: what a live twin goes on from."""

    t_ms: int
    volumes_l: tuple[float, ...]
    roof_wetting_mm: tuple[float, ...]
    """Rain that each roof still takes before it sheds any."""
    roof_flush_l: tuple[float, ...]
    """Room left in each first-flush chamber."""
    dry_s: float
    """Since rain last fell."""
    bucket_mm: float
    """Rain waiting in the gauge's bucket."""
    pulse_part: float
    """Part of a pulse that the meter's rotor has turned."""


@dataclass(slots=True)
class _Roof:
    """A roof with its memory, and where its rain went."""

    true: TrueRoof
    wetting_mm: float
    flush_l: float
    in_l: float = 0.0
    wetted_l: float = 0.0
    shed_l: float = 0.0
    flushed_l: float = 0.0
    over_l: float = 0.0
    out_l: float = 0.0

    def rain(self, rain_mm: float, dt_s: float, dry_s: float, site: TwinSite) -> float:
        """Litres that leave the gutter towards the tanks in this step."""
        true = self.true
        if dry_s > site.roof_dry_s:
            self.wetting_mm = true.initial_loss_mm
        if dry_s > site.flush_drains_s:
            self.flush_l = true.first_flush_l
        wetted_mm = min(self.wetting_mm, rain_mm)
        self.wetting_mm -= wetted_mm
        runs_l = (rain_mm - wetted_mm) * true.area_m2
        flow_l = runs_l * true.runoff_ratio
        flushed_l = min(self.flush_l, flow_l)
        self.flush_l -= flushed_l
        out_l = min(flow_l - flushed_l, true.gutter_l_s * dt_s)
        self.in_l += rain_mm * true.area_m2
        self.wetted_l += wetted_mm * true.area_m2
        self.shed_l += runs_l - flow_l
        self.flushed_l += flushed_l
        self.over_l += flow_l - flushed_l - out_l
        self.out_l += out_l
        return out_l


@dataclass(slots=True)
class Waterworks:
    """The site in motion. `rain` then `step`, for one step of time; lists are cumulative litres by tank."""

    site: TwinSite
    volumes_l: list[float]
    roofs: list[_Roof]
    dry_s: float
    link_l: list[float] = field(init=False)
    spill_l: list[float] = field(init=False)
    draw_l: list[float] = field(init=False)
    evaporation_l: list[float] = field(init=False)
    seepage_l: list[float] = field(init=False)
    hand_l: list[float] = field(init=False)
    pump_l: float = 0.0

    def __post_init__(self) -> None:
        for key in CUMULATIVE:
            setattr(self, key, [0.0] * len(self.site.tanks))

    @staticmethod
    def start(site: TwinSite, state: SiteState) -> "Waterworks":
        """The site as `state` says, with nothing flown yet."""
        roofs = [
            _Roof(roof, wetting, flush)
            for roof, wetting, flush in zip(site.roofs, state.roof_wetting_mm, state.roof_flush_l, strict=True)
        ]
        return Waterworks(site, list(state.volumes_l), roofs, state.dry_s)

    def rain(self, rain_mm: float, dt_s: float) -> list[float]:
        """Litres off the roofs into each tank, from rain of this step."""
        into = [0.0] * len(self.volumes_l)
        if rain_mm > 0:
            for roof in self.roofs:
                out_l = roof.rain(rain_mm, dt_s, self.dry_s, self.site)
                for k, share in enumerate(roof.true.shares):
                    into[k] += out_l * share
            self.dry_s = 0.0
        else:
            self.dry_s += dt_s
        return into

    def step(
        self,
        inflow_l: Sequence[float],
        *,
        evaporation_l: Sequence[float],
        seepage_l: Sequence[float],
        draw_l: Sequence[float],
        hand_l: Sequence[float],
        pump_l: float,
    ) -> float:
        """Move the water of one step; what is asked for is given as far as there is water. Returns pumped litres."""
        site, volumes = self.site, self.volumes_l
        link = [0.0] * len(volumes)
        pumped_l = 0.0
        for k in site.order:
            tank = site.tanks[k]
            volume = volumes[k] + inflow_l[k] + link[k]
            hand = hand_l[k]
            if hand:
                hand = max(hand, -volume)
                volume += hand
                self.hand_l[k] += hand
            lost = min(evaporation_l[k], volume)
            volume -= lost
            self.evaporation_l[k] += lost
            seeped = min(seepage_l[k], volume)
            volume -= seeped
            self.seepage_l[k] += seeped
            drawn = min(draw_l[k], max(volume - tank.outlet_l, 0.0))
            volume -= drawn
            self.draw_l[k] += drawn
            if pump_l and k == site.pump_source:
                pumped_l = min(pump_l, max(volume - site.pump_suction_l, 0.0))
                volume -= pumped_l
                self.pump_l += pumped_l
            if volume > tank.brim_l:
                over = volume - tank.brim_l
                volume = tank.brim_l
                self.spill_l[k] += over
                to = site.downstream[k]
                if to >= 0:
                    link[to] += over
                    self.link_l[to] += over
            volumes[k] = volume
        return pumped_l


def first_state(site: TwinSite, t_ms: int, full_ratio: float | Sequence[float]) -> SiteState:
    """Tanks so full (one ratio of the brim's litres for all, or one each), roofs dry, chambers empty."""
    ratios = [full_ratio] * len(site.tanks) if isinstance(full_ratio, (int, float)) else list(full_ratio)
    return SiteState(
        t_ms,
        tuple(tank.brim_l * ratio for tank, ratio in zip(site.tanks, ratios, strict=True)),
        tuple(roof.initial_loss_mm for roof in site.roofs),
        tuple(roof.first_flush_l for roof in site.roofs),
        _YEAR_S,
        site.bucket_start_mm,
        0.0,
    )
