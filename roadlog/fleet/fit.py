"""One model over the pass tables of many vehicles: tables in, `FleetResult` out.

Each vehicle is reduced to its switch units as soon as its table comes (`vehicle`); the design's
estimator makes the fleet's contrast of them; from there on all designs share interval, spread,
next vehicle, influence and finding.
"""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.analysis.summary import economy_interval, economy_interval_mpg_us
from roadlog.effect.fixed_offset import FuelPhysics
from roadlog.effect.held_equal import MOST_UNKNOWN_UNITS, filled_air, held_by
from roadlog.effect.result import HeldEqual
from roadlog.errors import InputError
from roadlog.fleet.closed import FilledFuel, filled_fuel
from roadlog.fleet.contrast import FleetContrast, in_order, t_half
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.doubts import doubts_of, forbidden_by_figure
from roadlog.fleet.estimators import (
    at_equal_driving,
    estimate,
    estimate_if_told,
    estimate_without,
)
from roadlog.fleet.finding import decide_fleet
from roadlog.fleet.inference import copies, named, outlying
from roadlog.fleet.order import forbidden_by_order, without_once
from roadlog.fleet.parallel import orders_parallel
from roadlog.fleet.result import ArmUse, FleetResult, GroupEffect
from roadlog.fleet.rollout import estimate_rollout
from roadlog.fleet.tables import forest_rows, left_out_table, vehicle_table
from roadlog.fleet.vehicle import VEHICLE, VehicleUnits, reduce_vehicle
from roadlog.fleet.within import orders_within
from roadlog.quantities.facts import Fact, Veto, Warned
from roadlog.stats import power
from roadlog.stats.interval import (
    Finding,
    Interval,
    Obstacle,
    Randomisation,
    percent,
    percent_interval,
)
from roadlog.stats.rollout import RolloutOrders
from roadlog.stats.unit_contrast import LEAST_DF
from roadlog.stats.unit_randomisation import Orders, in_percent
from roadlog.study.car import NO_CHANGE, Claim
from roadlog.wording.numbers import scaled

LEAST_IN_GROUP = 3
_SHARED_MATTERS = 0.4  # of the mean's variance; by chance alone it is about a sixth
_OBSTACLE_SHARE = 0.2  # of the fleet's weight, from which driving isn't held equal


def fit_fleet(
    vehicles: Iterable[VehicleUnits | pd.DataFrame],
    design: FleetDesign,
    *,
    physics: FuelPhysics | Mapping[str, FuelPhysics] | None = None,
    claim: Claim | None = None,
    groups: Mapping[str, str] | None = None,
    whole_runs: bool = False,
    seed: int = 1,
) -> FleetResult:
    """Fit one model over all vehicles.

    Parameters
    ----------
    vehicles : iterable of VehicleUnits or DataFrame
        What `reduce_vehicle` made of each vehicle, or its pass table (a column `vehicle`, all of
        one vehicle together; `gather` puts tables apart that are cut otherwise). Read once, one at
        a time, in any order: the result is the same to the last digit.
    design : FleetDesign
    physics : FuelPhysics, or a mapping of vehicle to it
        Needed for pass tables.
    claim : Claim, optional
    groups : mapping of vehicle to label, optional
        Used only if the design planned groups.
    whole_runs : bool
        Whether a pass is a whole run.
    seed : int
        Of the orders that chance could have drawn.

    Raises
    ------
    DesignError, FitError, InputError
        If the tables can't answer, or one vehicle comes twice.
    """
    reduced = in_order([
        _reduced(v, design, physics, groups or {}, whole_runs=whole_runs) for v in vehicles
    ])  # fmt: skip
    names = [v.vehicle for v in reduced]
    twice = [name for name, count in Counter(names).items() if count > 1]
    if twice:
        raise InputError(
            f"{named(twice)} come{'s' * (len(twice) == 1)} in more than one table: hand over all "
            "passes of a vehicle together (roadlog.fleet.gather)"
        )
    counted, double = _without_copies(without_once(reduced, design))
    return _result(_make(counted, design, seed), counted, double, design, claim)


def _reduced(
    given: VehicleUnits | pd.DataFrame,
    design: FleetDesign,
    physics: FuelPhysics | Mapping[str, FuelPhysics] | None,
    groups: Mapping[str, str],
    *,
    whole_runs: bool,
) -> VehicleUnits:
    if isinstance(given, VehicleUnits):
        return replace(given, group=groups.get(given.vehicle, given.group))
    name = str(given[VEHICLE].iloc[0]).strip() if VEHICLE in given and len(given) else ""
    own = physics.get(name) if isinstance(physics, Mapping) else physics
    if own is None:
        raise InputError(
            f"vehicle {name or '?'} has no declared car and fuel: give `physics` "
            "(roadlog.fuel_physics) for each vehicle"
        )
    return reduce_vehicle(given, design, own, group=groups.get(name, ""), whole_runs=whole_runs)


def _without_copies(
    vehicles: Sequence[VehicleUnits],
) -> tuple[list[VehicleUnits], list[tuple[str, str, bool]]]:
    """The vehicles with every copy marked as left out, and the pairs of which one is the other's.

    Of two that hold the same drives the one whose name comes first counts.
    """
    double = copies(vehicles)
    of = {second: first for first, second, _ in double}
    kept = [
        replace(v, figures=None, left_out=f"holds the same drives as vehicle {of[v.vehicle]}")
        if v.vehicle in of
        else v
        for v in vehicles
    ]
    return kept, double


@dataclass(frozen=True)
class _Made:
    """What a design's estimator gives of one value a unit."""

    contrast: FleetContrast
    orders: Orders | None = None
    chance: Randomisation | None = None
    exposure: pd.DataFrame = field(default_factory=pd.DataFrame)


def _make(vehicles: Sequence[VehicleUnits], design: FleetDesign, seed: int) -> _Made:
    """The contrast at equal driving, with what the orders of chance say of it."""
    if design.switched == "rollout":
        contrast, orders, exposure = estimate_rollout(vehicles, design, at_equal_driving, seed)
        return _Made(contrast, orders, _chance(orders), exposure)
    contrast = estimate(vehicles, design, at_equal_driving)
    if not design.randomised:
        return _Made(contrast)
    if design.switched == "within":
        found = orders_within(contrast, at_equal_driving, seed)
    else:
        found = orders_parallel(contrast, design, at_equal_driving, seed)
    return _Made(contrast, found, None if found is None else in_percent(found))


def _chance(orders: RolloutOrders | None) -> Randomisation | None:
    if orders is None:
        return None
    ends = orders.interval()
    low, high = (None, None) if ends is None else (percent(ends[0]), percent(ends[1]))
    return Randomisation(orders.p_of(0.0), low, high, orders.orders, orders.exact)


def _result(
    made: _Made,
    vehicles: Sequence[VehicleUnits],
    double: Sequence[tuple[str, str, bool]],
    design: FleetDesign,
    claim: Claim | None,
) -> FleetResult:
    contrast = made.contrast
    effect = _interval(contrast)
    total = _interval(estimate(vehicles, design, lambda f: f.total))
    spread, following, reading = _between(contrast)
    held = _held(contrast)
    smallest = power.smallest_detectable_pct(contrast.se, contrast.df)
    fuel = filled_fuel([v.filled for v in contrast.vehicles], design, smallest)
    said = _said(made, vehicles, double, design, claim, effect, held, following, fuel, smallest)
    apart = said.apart
    baseline, fitted = (_arm_use(contrast, arm) for arm in (0, 1))
    base = baseline.l_per_100km
    return FleetResult(
        design=design.switched,
        effect=effect,
        total=total,
        spread=spread,
        next_vehicle=following,
        next_reading=reading,
        baseline=baseline,
        fitted=fitted,
        economy_pct=economy_interval(effect),
        economy_mpg_us=economy_interval_mpg_us(effect, base),
        l_per_100km=scaled(effect, base / 100),
        vehicles=vehicle_table(contrast, apart),
        left_out=left_out_table(contrast.alone),
        forest=forest_rows(effect, total, following, _plain_means(contrast)),
        randomisation=made.chance,
        held=held,
        finding=said.finding,
        smallest_detectable_pct=smallest,
        n_vehicles=len(contrast.vehicles),
        n_units=sum(len(v.units) for v in contrast.vehicles),
        n_passes=sum(v.passes for v in contrast.vehicles),
        by_group=_by_group(vehicles, design),
        exposure=made.exposure,
        warnings=said.warnings,
        against_change=said.against_change,
        filled=fuel,
    )


@dataclass(frozen=True, eq=False)
class _Said:
    """The finding, what stands against a change, what is to be told, and vehicles that stand apart
    (n,)."""

    finding: Finding
    against_change: tuple[Fact | str, ...]
    warnings: tuple[Warned, ...]
    apart: NDArray[np.bool_]


def _said(
    made: _Made,
    vehicles: Sequence[VehicleUnits],
    double: Sequence[tuple[str, str, bool]],
    design: FleetDesign,
    claim: Claim | None,
    effect: Interval,
    held: HeldEqual,
    following: Interval | None,
    fuel: FilledFuel | None,
    smallest_pct: float,
) -> _Said:
    contrast = made.contrast
    apart = outlying(contrast)
    names = [v.vehicle for v, a in zip(contrast.vehicles, apart, strict=True) if a]
    always = [*_blocking(double, design), *forbidden_by_order(contrast.vehicles, design)]
    by_figure = partial(
        forbidden_by_figure, doubts_of(contrast, design), contrast, vehicles, design,
        fuel=fuel, effect=effect, margin=held.margin, smallest_pct=smallest_pct,
    )  # fmt: skip
    bent, told = by_figure(claim=claim)
    finding = decide_fleet(
        contrast, effect, claim, held=held, orders=made.orders,
        rest=estimate_without(vehicles, names, design), apart=names,
        next_vehicle=following, blocking=[*always, *bent],
    )  # fmt: skip
    of_change = [*always, *by_figure(claim=NO_CHANGE)[0]]
    warnings = _warnings(contrast, names, double)
    warnings += [Warned("figure-in-doubt", told)] if told else []
    against = tuple(dict.fromkeys(v.plain for v in of_change))
    return _Said(finding, against, tuple(warnings), apart)


def _interval(contrast: FleetContrast) -> Interval:
    found = percent_interval(contrast.tau, contrast.half, contrast.df, contrast.method)
    if contrast.ends is None:
        return found
    return replace(found, low=percent(contrast.ends[0]), high=percent(contrast.ends[1]))


def _between(
    contrast: FleetContrast,
) -> tuple[Interval | None, Interval | None, Interval | None]:
    """Spread, next vehicle's own effect, and what it would read; None where they can't be told."""
    draws = contrast.draws
    if draws is None:
        return None, None, None
    low, high = draws.spread()
    middle = float(np.sqrt(max(contrast.tau2, 0.0)))
    spread = Interval(
        100 * middle, 100 * low, 100 * high,
        method="standard deviation between vehicles; from the distribution of generalised Q",
    )  # fmt: skip
    ends = draws.next_one(more=contrast.shared)
    following = Interval(
        percent(contrast.tau), percent(ends[0]), percent(ends[1]),
        method="own effect of the next vehicle: spread, noise and mean as the data leave them open",
    )  # fmt: skip
    n = len(contrast.vehicles)
    half = float(t_half(math.hypot(contrast.reading_sd, math.sqrt(contrast.shared)), n - 1))
    reading = percent_interval(
        contrast.tau, half, n - 1, "what the next vehicle would read, tested like these"
    )
    return spread, following, reading


def _held(contrast: FleetContrast) -> HeldEqual:
    warmer, unknown = 0.0, 0.0
    for v, unit_weights, weight in zip(
        contrast.vehicles, contrast.unit_weights, contrast.weights, strict=True
    ):
        by = float(unit_weights @ filled_air(v.known.air_c))
        if math.isfinite(by):
            warmer += by
        else:
            unknown += abs(weight)
    known = 1 - unknown / float(np.abs(contrast.weights).sum())
    shares: dict[Obstacle, float] = {}
    for v, weight in zip(contrast.vehicles, contrast.weights, strict=True):
        for obstacle in v.obstacles:
            shares[obstacle] = shares.get(obstacle, 0.0) + abs(float(weight))
    return held_by(
        contrast.of(lambda f: f.total - f.value),
        contrast.of(lambda f: f.physical - f.value),
        warmer / known if known >= 1 - MOST_UNKNOWN_UNITS else math.nan,
        tuple(o for o, share in sorted(shares.items()) if share > _OBSTACLE_SHARE),
    )


def _blocking(double: Sequence[tuple[str, str, bool]], design: FleetDesign) -> list[Veto]:
    if design.switched != "within" and not design.randomised:
        return [
            Veto(
                "undecided: which vehicles got the add-on, or when, wasn't drawn by chance, so "
                "what else differs between them can look like an effect",
                "chance didn't decide which vehicles got the add-on",
            )
        ]
    crossed = [(a, b) for a, b, alike in double if not alike]
    if not crossed:
        return []
    a, b = crossed[0]
    return [
        Veto(
            f"undecided: vehicles {a} and {b} hold the same drives with different arms: one of the "
            "two tables is wrong",
            "the same drives stand under two vehicles with different arms",
        )
    ]


def _plain_means(contrast: FleetContrast) -> dict[str, Interval]:
    """Means of the vehicles' own contrasts by other weights, with a t interval over vehicles."""
    if contrast.ends is not None:
        return {}
    t, n = contrast.raw, len(contrast.raw)
    if n < LEAST_IN_GROUP or not np.isfinite(t).all():
        return {}
    litres = np.array([v.known.burned_ml.sum() for v in contrast.vehicles])
    rows = {}
    for name, w in (("every vehicle alike", np.ones(n)), ("by litres burned", litres)):
        w = w / w.sum()
        mean = float(w @ t)
        se = math.sqrt(float(w**2 @ (t - mean) ** 2) * n / (n - 1) + contrast.shared)
        df = 1 / float((w**2).sum()) - 1  # of as many vehicles alike as these weights are worth
        half = float(t_half(se, df)) if df >= LEAST_DF else math.nan
        rows[name] = percent_interval(mean, half, df, "t over vehicles")
    return rows


def _by_group(vehicles: Sequence[VehicleUnits], design: FleetDesign) -> tuple[GroupEffect, ...]:
    found = []
    for group in design.groups:
        contrast = estimate_if_told([v for v in vehicles if v.group == group], design)
        found.append(
            GroupEffect(group, 0, Interval(math.nan, None, None))
            if contrast is None
            else GroupEffect(group, len(contrast.vehicles), _interval(contrast))
        )
    return tuple(found)


def _arm_use(contrast: FleetContrast, arm: int) -> ArmUse:
    known = [v.known for v in contrast.vehicles]
    ml = sum(float(f.burned_ml[f.arm == arm].sum()) for f in known)
    km = sum(float(f.km[f.arm == arm].sum()) for f in known)
    return ArmUse(
        ml / km / 10 if km else math.nan, km, sum(bool((f.arm == arm).any()) for f in known),
        sum(int((f.arm == arm).sum()) for f in known),
    )  # fmt: skip


def _warnings(
    contrast: FleetContrast, apart: Sequence[str], double: Sequence[tuple[str, str, bool]]
) -> list[Warned]:
    told = [Warned("copied-vehicle", f"vehicle {b} holds the same drives as {a}: it counts once")
            for a, b, _ in double]  # fmt: skip
    if apart:
        told.append(
            Warned(
                "outlying-vehicle",
                f"{named(apart)} stand{'s' * (len(apart) == 1)} apart from the others: look at its "
                "logs for a bent sensor or a wrong unit (roadlog check)",
            )
        )
    if contrast.alone:
        names = [name for name, _ in contrast.alone]
        told.append(
            Warned(
                "vehicle-left-out",
                f"{named(names)}: no word on the change, why stands in left_out.csv",
            )
        )
    for note in contrast.notes:
        told.append(Warned("fleet", note))
    stood_in = [v.vehicle for v in contrast.vehicles if v.notes]
    if stood_in:
        example = next(v.notes[0] for v in contrast.vehicles if v.notes)
        told.append(Warned("expected-fuel", f"{named(stood_in)}: {example}"))
    for obstacle, words in (
        ("no-work", "work at the wheels isn't known"),
        ("weak-work", "fuel hardly rose with the work at the wheels"),
    ):
        weak = [v.vehicle for v in contrast.vehicles if obstacle in v.obstacles]
        if weak:
            told.append(Warned("driving-not-held", f"{named(weak)}: {words}"))
    if contrast.shared > _SHARED_MATTERS * contrast.se**2:
        told.append(
            Warned(
                "shared-days",
                "vehicles that drove on the same days moved together, so the interval counts days "
                "beside vehicles",
            )
        )
    return told
