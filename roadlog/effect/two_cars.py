"""Two cars on the same days: what the test car's fuel did beyond what the control car's did.

The passes of both cars go in, with units (days, or whatever was switched) in common; the difference
in differences of fuel over expected fuel comes out, with its interval by unit, and what it rests
on. Each car's expected fuel is its own (`roadlog.effect.one_car`), so that neither the cars' sizes
nor what they were driven like enter. What both cars met (weather, traffic, fuel from one pump) goes
out of the difference; what happened to one of them alone stays in it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from roadlog.effect.fixed_offset import FuelPhysics
from roadlog.effect.held_equal import filled_air, held_by
from roadlog.effect.layout import Layout, orders_by_chance
from roadlog.effect.one_car import arm_blind_fits, one_road, physical_ratio, work_obstacles
from roadlog.effect.result import HeldEqual
from roadlog.quantities.arrays import Floats
from roadlog.stats.interval import Interval, Obstacle, percent_interval
from roadlog.stats.periods import PeriodContrast, contrast_periods
from roadlog.stats.power import smallest_detectable_pct
from roadlog.stats.unit_contrast import UnitContrast, contrast_units, unit_weights
from roadlog.stats.unit_randomisation import Redraw, UnitRandomisation

Design = Literal["switched", "one change", "baseline-device-baseline"]

# What one car alone can do at a single change, unseen: tyres, alignment, brakes, service, load.
# Common practice, no source.
ONE_CAR_ALONE = 0.03


@dataclass(frozen=True)
class CarUnits:
    """One car's units (u,) in order of time; values are logs of fuel over expected fuel.

    `value` at equal driving, `total` with the driving as it was, `physical` with coefficients from
    physics; `fuel_ml` [mL] and `km` as driven. `notes` are sentences on what was left out or
    couldn't be fitted.
    """

    units: tuple[str, ...]
    value: Floats
    total: Floats
    physical: Floats
    expected_ml: Floats
    pass_variance: Floats
    air_c: Floats
    fuel_ml: Floats
    km: Floats
    obstacles: tuple[Obstacle, ...]
    notes: tuple[str, ...]

    def of(self, units: Sequence[str]) -> "CarUnits":
        """These units alone, in this order."""
        at = [self.units.index(u) for u in units]
        arrays = (
            "value", "total", "physical", "expected_ml", "pass_variance", "air_c", "fuel_ml", "km",
        )  # fmt: skip
        return replace(self, units=tuple(units), **{k: getattr(self, k)[at] for k in arrays})


@dataclass(frozen=True)
class Difference:
    """The test car's change less the control car's, and each car's own.

    `test_alone` and `control_alone` are each car's own change between the arms. `drift` is how far
    the cars came apart by themselves: the second baseline less the first where there are two, else
    what their drift within the periods makes between the middles of the two; None in a switched
    study. `gain` is the interval's half width over that of the test car alone by the same method,
    `correlation` that of the cars' units about their arms' means. `pairs` has a row a unit.
    """

    design: Design
    primary: Interval
    total: Interval
    test_alone: Interval
    control_alone: Interval
    drift: Interval | None
    correlation: float
    gain: float
    held: HeldEqual
    orders: UnitRandomisation | None
    smallest_detectable_pct: float
    pairs: pd.DataFrame


def car_units(passes: pd.DataFrame, physics: FuelPhysics, *, whole_runs: bool = False) -> CarUnits:
    """One car's units, its expected fuel fitted without a look at any arm.

    Raises
    ------
    DesignError
        If its passes can't be compared with each other.
    """
    layout = one_road(passes)
    fit, total, notes = arm_blind_fits(layout, physics, whole_runs=whole_runs)
    used, unit, n = layout.passes, layout.unit, len(layout.units)
    return CarUnits(
        units=layout.units,
        value=fit.ratio_log,
        total=total.ratio_log,
        physical=physical_ratio(fit, physics),
        expected_ml=fit.unit_expected_ml,
        pass_variance=fit.pass_variance,
        air_c=used["ambient_c"].groupby(unit).mean().to_numpy(dtype=float),
        fuel_ml=np.bincount(unit, used["fuel_ml"], n).astype(float),
        km=np.bincount(unit, used["distance_km"], n).astype(float),
        obstacles=work_obstacles(fit, physics),
        notes=(*layout.dropped, *notes),
    )


def compare_switched(
    test: CarUnits, control: CarUnits, layout: Layout, seed: int, redraw: Redraw | None
) -> Difference | None:
    """The difference where the add-on was switched again and again; None if the arm can't be told.

    Parameters
    ----------
    test, control : CarUnits
        Of the same units as `layout`, in its order.
    layout : Layout
        Of the test car's passes on these units; `randomised` is in its columns.
    seed : int
    redraw : callable, optional
        As for `roadlog.effect.estimate_effect`; no orders are looked at where seed is negative.
    """
    size = test.expected_ml / test.expected_ml.mean() * control.expected_ml
    size = np.sqrt(size * control.expected_ml.mean())

    def of(values: Floats, variance: Floats | None = None) -> UnitContrast | None:
        return contrast_units(values, layout.unit_arm, layout.unit_fixed, size, variance)

    apart = test.value - control.value
    main = of(apart, test.pass_variance + control.pass_variance)
    alone, own, total = of(test.value), of(control.value), of(test.total - control.total)
    if main is None or alone is None or own is None or total is None:
        return None
    rng = np.random.default_rng(max(seed, 0))
    orders = None if seed < 0 else orders_by_chance(layout, apart, rng, redraw, unit_weights(size))
    said = f"two cars' fuel over expected fuel by switch unit, t with {main.df} degrees of freedom"
    primary = percent_interval(main.tau, main.half_width(), main.df, said)
    half, half_alone = main.half_width(), alone.half_width()
    return Difference(
        design="switched",
        primary=replace(primary, se=main.se, floor_se=main.floor_se),
        total=_interval(total, "as driven"),
        test_alone=_interval(alone, "the test car alone"),
        control_alone=_interval(own, "the control car alone"),
        drift=None,
        correlation=_correlation(test.value, control.value, layout.unit_arm),
        gain=half / half_alone if half_alone > 0 else float("nan"),
        held=_held(main.of, test, control, own.tau),
        orders=orders,
        smallest_detectable_pct=smallest_detectable_pct(max(main.se, main.floor_se), main.df)
        if main.bounded
        else float("nan"),
        pairs=_pairs(test, control, layout.unit_arm),
    )


def compare_periods(test: CarUnits, control: CarUnits, arm: Sequence[int]) -> Difference:
    """The difference where the add-on came once, or came and went: by days within periods.

    Parameters
    ----------
    test, control : CarUnits
        Of the same units, in order of time.
    arm : sequence of int
        0 or 1, in two or three unbroken stretches.
    """
    arms = np.asarray(arm)
    starts = np.flatnonzero(np.diff(arms, prepend=-1))
    periods = np.split(np.arange(len(arms)), starts[1:])
    again = len(periods) == 3
    sign = 1.0 if arms[periods[-1][0]] == 1 else -1.0
    signs = (sign / 2, -sign, sign / 2) if again else (-sign, sign)

    def of(values: Floats) -> PeriodContrast:
        return contrast_periods([values[p] for p in periods], signs)

    def plain(values: Floats) -> float:
        return of(values).tau

    apart = test.value - control.value
    main, alone, own, total = of(apart), of(test.value), of(control.value), of(
        test.total - control.total
    )  # fmt: skip
    drift = _between_baselines(apart, periods) if again else _own_drift(apart, periods, sign)
    held = _held(plain, test, control, own.tau)
    from_drift = abs(np.log1p(drift.estimate / 100)) / 2 if again else ONE_CAR_ALONE
    held = replace(
        held, margin=held.margin + from_drift, one_car=from_drift, never_supports=not again
    )
    said = (
        f"two cars' fuel over expected fuel by day, {len(periods)} periods, by what changed slowest"
        f" within them: t with {main.df:.1f} degrees of freedom"
    )
    return Difference(
        design="baseline-device-baseline" if again else "one change",
        primary=percent_interval(main.tau, main.half, main.df, said),
        total=_of_periods(total, "as driven"),
        test_alone=_of_periods(alone, "the test car alone"),
        control_alone=_of_periods(own, "the control car alone"),
        drift=drift,
        correlation=_correlation(test.value, control.value, arms),
        gain=main.half / alone.half if alone.half > 0 else float("nan"),
        held=held,
        orders=None,
        smallest_detectable_pct=smallest_detectable_pct(main.se, main.df)
        if np.isfinite(main.half)
        else float("nan"),
        pairs=_pairs(test, control, arms),
    )


def _held(
    of: Callable[[Floats], float], test: CarUnits, control: CarUnits, own: float
) -> HeldEqual:
    """What holding the driving equal rests on in the difference.

    The control car's own change may have been shared, and then the difference is the effect, or
    its own (it got the add-on too, its logs are of another unit), and then the test car alone tells
    it: a firm word has to hold either way.
    """
    driving = of((test.total - test.value) - (control.total - control.value))
    shift = of((test.physical - test.value) - (control.physical - control.value))
    warmer = of(filled_air(test.air_c) - filled_air(control.air_c))
    obstacles = tuple(dict.fromkeys((*test.obstacles, *control.obstacles)))
    held = held_by(driving, shift, warmer, obstacles)
    return replace(held, below=max(0.0, -own), above=max(0.0, own), cars=2)


def _interval(c: UnitContrast, said: str) -> Interval:
    return percent_interval(c.tau, c.half_width(), c.df, said)


def _of_periods(c: PeriodContrast, said: str) -> Interval:
    return percent_interval(c.tau, c.half, c.df, said)


def _between_baselines(apart: Floats, periods: Sequence[np.ndarray]) -> Interval:
    """Second baseline less the first."""
    found = contrast_periods([apart[p] for p in periods], (-1.0, 0.0, 1.0))
    return _of_periods(found, "second baseline less the first")


def _own_drift(apart: Floats, periods: Sequence[np.ndarray], sign: float) -> Interval:
    """What a line within the periods makes between their middles, by independent days."""
    from scipy.special import stdtrit

    n = len(apart)
    x = np.arange(n, dtype=float)
    centred, rest = np.empty(n), np.empty(n)
    for p in periods:
        centred[p], rest[p] = x[p] - x[p].mean(), apart[p] - apart[p].mean()
    length, df = float(centred @ centred), n - len(periods) - 1
    between = sign * (x[periods[1]].mean() - x[periods[0]].mean())
    if length <= 0 or df < 1:
        return Interval(0.0, None, None)
    slope = float(centred @ rest) / length
    left = rest - slope * centred
    se = float(np.sqrt(left @ left / df / length))
    half = float(stdtrit(df, 0.975)) * se * abs(between)
    return percent_interval(slope * between, half, df, "drift within the periods")


def _correlation(a: Floats, b: Floats, arm: Sequence[int] | np.ndarray) -> float:
    """Of the units of both cars about their arms' means."""
    arms = np.asarray(arm)
    rest = []
    for values in (a, b):
        left = values.copy()
        for k in (0, 1):
            if (arms == k).any():
                left[arms == k] -= values[arms == k].mean()
        rest.append(left)
    length = float(np.sqrt((rest[0] @ rest[0]) * (rest[1] @ rest[1])))
    return float(rest[0] @ rest[1]) / length if length > 0 and len(a) > 3 else float("nan")


def _pairs(test: CarUnits, control: CarUnits, arm: Sequence[int] | np.ndarray) -> pd.DataFrame:
    """A row a unit: arm, both cars' fuel over expected fuel about their means [%], their
    difference, and the plain ratio of fuel per distance."""
    apart = test.value - control.value
    return pd.DataFrame(
        {
            "unit": list(test.units),
            "arm": np.where(np.asarray(arm) == 1, "fitted", "baseline"),
            "test_pct": 100 * (test.value - test.value.mean()),
            "control_pct": 100 * (control.value - control.value.mean()),
            "difference_pct": 100 * (apart - apart.mean()),
            "test_km": test.km,
            "control_km": control.km,
            "ratio": (test.fuel_ml / test.km) / (control.fuel_ml / control.km),
        }
    )
