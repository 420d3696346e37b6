"""What another tank, more roof, a cover or a smaller draw would have done over a rain record."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rainstead.calc.arrays import F64

from .cascade import Cascade
from .estimate import Answered, Estimate, Unknown
from .network import Network
from .stores import Draw, RoofPipe, Rule, Stores, advance_days, start_of

__all__ = ["OptionResult", "Site", "WorkOption", "simulate_options"]

_YEAR_DAYS = 365.25


@dataclass(frozen=True, slots=True)
class Site:
    """What options change. draw_order: tanks that the house can draw from, one after the other."""

    network: Network
    draw_order: tuple[str, ...]
    draw_l_day: float
    reserve: tuple[str, ...]
    reserve_l: float


@dataclass(frozen=True, slots=True)
class WorkOption:
    """One thing to do. tank_l: another tank, which takes the overflow that is lost now, where most of it is.

    roof_m2: more of the largest roof, into its tanks. cover: over all open tanks, against evaporation, and rain. cost:
    in the owner's money; None where it was not told.
    """

    name: str
    tank_l: float = 0.0
    roof_m2: float = 0.0
    cover: bool = False
    draw_l_day: float | None = None
    cost: float | None = None


@dataclass(frozen=True, slots=True)
class OptionResult:
    """Over the record. supply_ratio: litres got of litres wanted; days_ratio: days with all that was wanted.

    kept_l_year: litres a year that the site no longer loses, or gains from a roof, against the site as it is.
    """

    option: WorkOption
    days: int
    draw_l_day: float
    days_short: int
    longest_short_days: int
    supplied_l_year: float
    spilt_l_year: float
    evaporated_l_year: float
    supply_ratio: float
    days_ratio: float
    kept_l_year: float
    cost_per_kl: Answered


def simulate_options(
    site: Site, options: Sequence[WorkOption], rain_mm: F64, evaporation_mm: F64, *, rule: Rule, years: float
) -> tuple[OptionResult, ...]:
    """Each option beside the site as it is, which comes first and has to be the first of `options`.

    rain_mm, evaporation_mm: (days,), no NaN. The record is run once to find how full the tanks are at its beginning,
    then counted. years: how long an option lasts, for its cost by the litre.
    """
    end = _where_lost_most(site, rain_mm, evaporation_mm, rule)
    stores = _stores(site, options, end, rule)
    cases = len(options)
    half_l = stores.dead_l + 0.5 * (stores.cascade.capacity_l - stores.dead_l)
    rain, dry = rain_mm[:, np.newaxis], evaporation_mm[:, np.newaxis]
    warm, _ = advance_days(start_of(half_l), stores, rain, dry)
    _, rows = advance_days(warm, stores, rain, dry)
    years_run = len(rain_mm) / _YEAR_DAYS
    supplied, wanted, spilt, dried = (
        part.sum(axis=0) for part in (rows.supplied_l, rows.wanted_l, rows.lost_l, rows.evaporated_l)
    )
    # Summed over tanks, a day's draw comes back to the last bit or so.
    short = rows.supplied_l < rows.wanted_l - 1e-6
    started_l = np.array(warm.volume_l).sum(axis=0)
    used_or_held = supplied + rows.volume_l[-1].sum(axis=0) - started_l
    results = []
    for k in range(cases):
        option = options[k]
        # Against the same house: a smaller draw spills more, and that is no fault of the tank.
        kept_l_year = float(used_or_held[k] - used_or_held[0]) / years_run
        results.append(
            OptionResult(
                option=option,
                days=len(rain_mm),
                draw_l_day=float(stores.draws[0].litres[k]),
                days_short=int(short[:, k].sum()),
                longest_short_days=_longest(short[:, k]),
                supplied_l_year=float(supplied[k]) / years_run,
                spilt_l_year=float(spilt[k]) / years_run,
                evaporated_l_year=float(dried[k]) / years_run,
                supply_ratio=float(supplied[k] / wanted[k]) if wanted[k] > 0 else 1.0,
                days_ratio=1 - float(short[:, k].mean()),
                kept_l_year=kept_l_year,
                cost_per_kl=_cost(option, kept_l_year, years),
            )
        )
    return tuple(results)


def _cost(option: WorkOption, kept_l_year: float, years: float) -> Answered:
    if option.cost is None:
        return Unknown("no price was given")
    if option.draw_l_day is not None:
        return Unknown("a smaller draw needs less water; it keeps none")
    if kept_l_year < 1:
        return Unknown("it keeps no more water over this record")
    value = option.cost / (kept_l_year / 1000 * years)
    return Estimate(value, 0.0, value, value)


def _longest(short: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> int:
    run = longest = 0
    for day in short:
        run = run + 1 if day else 0
        longest = max(longest, run)
    return longest


def _where_lost_most(site: Site, rain_mm: F64, evaporation_mm: F64, rule: Rule) -> int:
    """The row of the tank whose overflow goes to nobody and, as the site is, is the most."""
    plain = _stores(site, [WorkOption("as it is")], None, rule)
    _, rows = advance_days(start_of(plain.dead_l), plain, rain_mm[:, np.newaxis], evaporation_mm[:, np.newaxis])
    ends = [row for row, below in enumerate(plain.cascade.below) if below < 0]
    return max(ends, key=lambda row: float(rows.over_l[:, row].sum()))


def _stores(site: Site, options: Sequence[WorkOption], new_below: int | None, rule: Rule) -> Stores:
    """The site with each option as a case; new_below: the row into whose overflow another tank is put."""
    network, cases = site.network, len(options)
    names = tuple(tank.name for tank in network.tanks)
    last = len(names)
    covers = np.array([option.cover for option in options])
    ones = np.ones(cases)
    capacity_l = np.array([tank.capacity_l * ones for tank in network.tanks])
    dead_l = np.array([tank.dead_l * ones for tank in network.tanks])
    mouth_m2 = np.array([np.where(covers, 0.0, tank.open_area_m2) for tank in network.tanks])
    through = np.array([tank.evaporation_ratio for tank in network.tanks])[:, np.newaxis]
    below = [-1 if (to := network.below(name)) is None else names.index(to) for name in names]
    order = [names.index(name) for name in network.downhill()]
    draw_rows = [names.index(name) for name in site.draw_order]
    if new_below is not None:
        below[new_below] = last
        below.append(-1)
        order.append(last)
        draw_rows.append(last)
        capacity_l = np.vstack([capacity_l, [[option.tank_l for option in options]]])
        dead_l, mouth_m2 = (np.vstack([part, np.zeros((1, cases))]) for part in (dead_l, mouth_m2))
        through = np.vstack([through, [[0.0]]])
        names = (*names, "another tank")
    extra_m2 = np.array([option.roof_m2 for option in options])
    largest = max(network.roofs, key=lambda roof: roof.area_m2, default=None)
    pipes = tuple(
        RoofPipe(
            tank=names.index(tank),
            yield_l_mm=share * roof.runoff_ratio * (roof.area_m2 + (extra_m2 if roof is largest else 0.0) * ones),
            loss_mm=(roof.initial_loss_mm + roof.first_flush_l / roof.yield_l_mm) * ones,
        )
        for roof in network.roofs
        for tank, share in roof.shares
    )
    draw = np.array([site.draw_l_day if option.draw_l_day is None else option.draw_l_day for option in options])
    return Stores(
        cascade=Cascade(names, capacity_l, tuple(below), tuple(order)),
        dead_l=dead_l,
        mouth_m2=mouth_m2,
        evaporating_m2=mouth_m2 * through,
        pipes=pipes,
        draws=(Draw(tuple(draw_rows), draw),),
        keep=tuple(names.index(name) for name in site.reserve),
        keep_l=site.reserve_l * ones,
        rule=rule,
    )
