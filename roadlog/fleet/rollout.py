"""Vehicles that get the add-on at different times and keep it: a stepped wedge.

Switch units become cells of vehicle and period of calendar time, and `roadlog.stats.rollout` holds
treated cells against what the vehicle's own untreated cells and the vehicles not yet fitted let
expect. Weeks that all vehicles share (weather, fuel, season) drop out, and an effect may grow or
fade with time. The unit of replication is the vehicle: each is left out in turn (jackknife, t).
Under nine vehicles with an effect of their own the jackknife is too careful, and the interval
collects the effects that the orders of chance don't reject; with more, those are too careful where
effects differ (docs/fleet.md).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.errors import DesignError, FitError
from roadlog.fleet.contrast import FleetContrast, Which, in_order, t_half
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.inference import named
from roadlog.fleet.vehicle import NO_DAY, VehicleUnits
from roadlog.quantities.arrays import Floats
from roadlog.stats.between import LEAST_VEHICLES, Between, fit_between
from roadlog.stats.interval import percent
from roadlog.stats.rollout import (
    Imputed,
    RolloutOrders,
    impute,
    impute_without_each,
    rollout_orders,
)
from roadlog.stats.unit_contrast import unit_weights

LEAST_WITH_EFFECT = 3  # vehicles whose own effect tells the spread
LEAST_FOR_JACKKNIFE = 9  # with an effect of their own, from which the orders aren't asked
MOST_PERIODS = 400


@dataclass(frozen=True, eq=False)
class Cells:
    """Vehicles by periods: `value`, `size` (n, t), `start` (n,), and each unit's place.

    `period` holds, a vehicle, its units' periods, -1 for units that fit no cell; `weight` theirs.
    """

    vehicles: tuple[VehicleUnits, ...]
    value: Floats
    size: Floats
    start: NDArray[np.intp]
    period: tuple[NDArray[np.intp], ...]
    weight: tuple[Floats, ...]
    alone: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]


def estimate_rollout(
    vehicles: Sequence[VehicleUnits],
    design: FleetDesign,
    which: Which,
    seed: int = 1,
    *,
    influence: bool = True,
) -> tuple[FleetContrast, RolloutOrders | None, pd.DataFrame]:
    """The fleet's contrast, what the orders of chance say of it, and the effect by time fitted.

    Without `influence` no vehicle is left out in turn, unless the interval needs it.

    Raises
    ------
    DesignError
        If no vehicle can be held against one not yet fitted.
    """
    cells = make_cells(vehicles, design, which)
    found = impute(cells.value, cells.size, cells.start)
    if found is None:
        raise DesignError(
            "no vehicle was fitted while another one, seen before too, was still without the "
            "add-on: a roll-out needs weeks in which some have it and some don't"
        )
    orders = None
    if design.randomised:
        strata = [design.strata.get(v.vehicle, "") for v in cells.vehicles]
        orders = rollout_orders(
            cells.value, cells.size, cells.start, strata, np.random.default_rng(seed)
        )
    made = _contrast(cells, found, orders, influence=influence)
    return made, orders, _exposure(cells) if influence else pd.DataFrame()


def make_cells(vehicles: Sequence[VehicleUnits], design: FleetDesign, which: Which) -> Cells:
    """Put the vehicles' units into cells of vehicle and period.

    A vehicle's start is the period of its first fitted unit; units of the other arm in and after
    it fit no cell.

    Raises
    ------
    DesignError
        If dates are unknown, or fewer than two vehicles have any.
    """
    alone, kept, off = [], [], 0
    for v in in_order(vehicles):
        if v.figures is None:
            alone.append((v.vehicle, v.left_out))
        elif (v.figures.day == NO_DAY).any():
            alone.append((v.vehicle, "without dates it has no place in calendar time"))
        else:
            kept.append(v)
    if len(kept) < 2:
        raise DesignError(f"{len(kept)} vehicles have dates and comparable drives: a roll-out "
                          "needs two at the least")  # fmt: skip
    kept, told = _in_reach(kept, design.period_days)
    first = min(int(v.known.day.min()) for v in kept)
    periods = [(v.known.day - first) // design.period_days for v in kept]
    t = max(int(p.max()) for p in periods) + 1
    alone += told
    value, size = np.zeros((len(kept), t)), np.zeros((len(kept), t))
    start = np.full(len(kept), t, dtype=np.intp)
    place, weights = [], []
    for i, (v, period) in enumerate(zip(kept, periods, strict=True)):
        f = v.known
        if f.arm.any():
            start[i] = int(period[f.arm == 1].min())
        fits = (period >= start[i]) == (f.arm == 1)
        off += int((~fits).sum())
        w = unit_weights(f.expected_ml)
        np.add.at(size[i], period[fits], w[fits])
        np.add.at(value[i], period[fits], (w * which(f))[fits])
        place.append(np.where(fits, period, -1).astype(np.intp))
        weights.append(w)
    notes = (f"{off} switch units without the add-on, driven in or after the period in which their "
             "vehicle got it, are left out",) if off else ()  # fmt: skip
    with np.errstate(invalid="ignore"):
        value = np.where(size > 0, value / np.where(size > 0, size, 1), 0.0)
    return Cells(tuple(kept), value, size, start, tuple(place), tuple(weights), tuple(alone), notes)


def _in_reach(
    vehicles: Sequence[VehicleUnits], period_days: int
) -> tuple[list[VehicleUnits], list[tuple[str, str]]]:
    """The vehicles whose dates lie near the others', and those that a wrong clock puts far off.

    Raises
    ------
    DesignError
        If fewer than two lie near each other.
    """
    middle = float(np.median([np.median(v.known.day) for v in vehicles]))
    reach = MOST_PERIODS * period_days / 2
    near = [v for v in vehicles if float(np.abs(v.known.day - middle).max()) < reach]
    if len(near) < 2:
        raise DesignError(
            f"the roll-out spans more than {MOST_PERIODS} periods of {period_days} days: look for "
            "a wrong date, or make periods longer"
        )
    far = [(v, int(v.known.day[np.abs(v.known.day - middle).argmax()])) for v in vehicles]
    return near, [
        (v.vehicle, f"its dates lie years from the others' ({np.datetime64(day, 'D')}): correct "
                    "its clock")
        for v, day in far if v not in near
    ]  # fmt: skip


def _silent(cells: Cells, found: Imputed) -> tuple[str, ...]:
    """What is to be told of vehicles that were fitted and add nothing to the effect."""
    t = cells.size.shape[1]
    before = (cells.size * (np.arange(t) < cells.start[:, None])).sum(axis=1) > 0
    silent = (found.share == 0) & (cells.start < t)
    told = []
    for mask, why in (
        (silent & ~before, "no drive without the add-on beforehand, so nothing to hold it against"),
        (silent & before, "no vehicle was left without the add-on when they got it: yardstick "
                          "before, and no word of what came after"),
    ):  # fmt: skip
        if mask.any():
            names = [v.vehicle for v, m in zip(cells.vehicles, mask, strict=True) if m]
            told.append(f"{named(names)}: {why}")
    return tuple(told)


def _contrast(
    cells: Cells, found: Imputed, orders: RolloutOrders | None, *, influence: bool
) -> FleetContrast:
    n = len(cells.vehicles)
    judged = int((found.share > 0).sum())
    ends = None if orders is None or judged >= LEAST_FOR_JACKKNIFE else orders.interval()
    needed = influence or ends is None
    without = (
        impute_without_each(cells.value, cells.size, cells.start)
        if needed
        else np.full(n, found.estimate)
    )
    some = without[np.isfinite(without)]
    df = float(len(some) - 2)
    jackknife = float(np.sqrt((n - 1) * some.var())) if len(some) else float("nan")
    if ends is None:
        half, se = float(t_half(jackknife, df)), jackknife
        method = (
            "vehicles held against those not yet fitted, by period; jackknife over vehicles, t "
            f"with {df:.0f} degrees of freedom"
        )
    else:
        half = max(ends[1] - found.estimate, found.estimate - ends[0])
        se = max(half / float(t_half(1.0, df)), 0.0) if df > 0 else half / 2
        method = (
            f"vehicles held against those not yet fitted, by period; effects that "
            f"{orders.orders if orders is not None else 0:,} orders of going over don't reject"
        )
    between = _between(cells, found)
    noise = np.full(n, np.nan)
    own = np.isfinite(found.own)
    if between is not None:
        noise[own] = between.sigma2 * between.noise
    return FleetContrast(
        vehicles=cells.vehicles,
        tau=found.estimate,
        se=se,
        df=df,
        half=half,
        method=method,
        raw=found.own,
        noise=noise,
        weights=found.share,
        without=without,
        without_half=np.full(n, half) * np.sqrt(n / (n - 1)),
        unit_weights=_unit_weights(cells, found),
        draws=None if between is None else between.draws.about(found.estimate, se, max(df, 1.0)),
        reading_sd=float("nan") if between is None else between.reading_sd(se),
        scale=float("nan") if between is None else between.sigma2,
        tau2=float("nan") if between is None else between.tau2,
        alone=cells.alone,
        notes=(*cells.notes, *_silent(cells, found)),
        ends=ends,
    )


def _between(cells: Cells, found: Imputed) -> Between | None:
    """Spread of the vehicles' own effects, with the cells' scatter within vehicles as noise."""
    own = np.isfinite(found.own)
    if own.sum() < LEAST_WITH_EFFECT:
        return None
    t = cells.size.shape[1]
    before = np.arange(t) < cells.start[:, None]
    judged = (cells.size * before).sum(axis=0) > 0
    rest = cells.value - found.level[:, None] - found.period
    level = np.where(own, found.own, 0.0)
    rest = np.where(before, rest, rest - level[:, None])
    counts = (cells.size > 0) & (before | (own[:, None] & judged))
    squares = float((cells.size * counts * rest**2).sum())
    df = int(counts.sum()) - len(own) - int(judged.sum()) + 1 - int(own.sum())
    if df < 1:
        return None
    untreated = (cells.size * before).sum(axis=1)[own]
    treated = (cells.size * ~before * judged).sum(axis=1)[own]
    try:
        return fit_between(found.own[own], 1 / untreated + 1 / treated, squares, float(df))
    except FitError:
        return None


def _unit_weights(cells: Cells, found: Imputed) -> tuple[Floats, ...]:
    shares = []
    for row, size, period, weight in zip(
        found.weights, cells.size, cells.period, cells.weight, strict=True
    ):
        inside = period >= 0
        place = np.where(inside, period, 0)
        shares.append(np.where(inside, row[place] * weight / np.maximum(size[place], 1e-300), 0.0))
    return tuple(shares)


def _exposure(cells: Cells) -> pd.DataFrame:
    """The effect by periods since the add-on came, each with a clustered t interval over vehicles.

    `periods`, `estimate`, `low`, `high` [% fuel use], `vehicles`.
    """
    t = cells.size.shape[1]
    since = np.arange(t) - cells.start[:, None]
    rows = []
    for k in range(t):
        found = impute(cells.value, cells.size, cells.start, since == k)
        if found is None:
            continue
        count = int((found.share > 0).sum())
        half = float(t_half(found.error, count - 1)) if count >= LEAST_VEHICLES else float("nan")
        rows.append(
            {
                "periods": k,
                "estimate": percent(found.estimate),
                "low": percent(found.estimate - half),
                "high": percent(found.estimate + half),
                "vehicles": count,
            }
        )
    return pd.DataFrame(rows, columns=["periods", "estimate", "low", "high", "vehicles"])
