"""One car by itself, whatever its arms: expected fuel over all its switch units.

The passes of one car go in; its fuel over expected fuel by switch unit comes out, with and without
driving, without anything having looked at the arm. A control car has no arms, and a car of a fleet
may be in one for good.
"""

import numpy as np
import pandas as pd

from roadlog.effect.estimate import both_fits, terms_of
from roadlog.effect.expected_fuel import WORK, ExpectedFuel
from roadlog.effect.fixed_offset import FuelPhysics, off_ratios
from roadlog.effect.held_equal import (
    LEAST_WORK,
    by_physical_work,
    physical_work,
)
from roadlog.effect.layout import Layout, route_of
from roadlog.errors import DesignError, InputError
from roadlog.quantities.arrays import Floats
from roadlog.stats.interval import Obstacle


def one_road(table: pd.DataFrame) -> Layout:
    """Passes that can be compared whatever the arm: segments that two units drove, one route.

    Raises
    ------
    DesignError
        If no pass is usable, or no segment was driven by two units.
    InputError
        If a switch unit holds both arms.
    """
    used = table[table["used"].astype(bool)]
    if used.empty:
        raise DesignError("no pass is usable: see the reasons in passes.csv, or add runs")
    shared = used.groupby("segment")["switch_unit"].nunique()
    kept = used[used["segment"].isin(shared.index[shared >= 2])]
    if kept.empty:
        raise DesignError("no segment was driven by two switch units, so nothing can be compared")
    route = route_of(kept)
    km = np.bincount(route, kept["distance_km"].to_numpy(dtype=float))
    own = route == int(np.argmax(km))
    dropped = () if own.all() else (f"{int((~own).sum())} passes of other routes are left out",)
    kept = kept[own]
    order = ["start", "run"] if kept["start"].notna().all() else ["run"]
    kept = kept.sort_values(order, kind="stable")
    unit, labels = pd.factorize(kept["switch_unit"], sort=False)
    arms = kept.groupby(unit)["arm"]
    mixed = arms.nunique()
    if mixed.max() > 1:
        name = labels[int(mixed.index[mixed > 1][0])]
        raise InputError(f"switch unit {name} holds runs of both arms")
    arm = (arms.first() == "fitted").to_numpy().astype(np.intp)
    return Layout(
        passes=kept, unit=unit.astype(np.intp), units=tuple(str(u) for u in labels), unit_arm=arm,
        unit_block=("",) * len(arm), blocked=False, trended=False,
        unit_fixed=np.ones((len(arm), 1)), fixed_names=("intercept",), dropped=dropped,
    )  # fmt: skip


def arm_blind_fits(
    layout: Layout, physics: FuelPhysics, *, whole_runs: bool
) -> tuple[ExpectedFuel, ExpectedFuel, tuple[str, ...]]:
    """Expected fuel with driving and without it, the arm nowhere in it, and what is to be told.

    Raises
    ------
    DesignError
        If a switch unit burned nothing.
    """
    terms, unknown = terms_of(layout)
    fit, total, notes = both_fits(terms, physics, whole_runs=whole_runs)
    if not (np.isfinite(fit.ratio_log).all() and np.isfinite(total.ratio_log).all()):
        raise DesignError("a switch unit burned no fuel on the road that is compared")
    return fit, total, (*unknown, *notes)


def physical_ratio(fit: ExpectedFuel, physics: FuelPhysics) -> Floats:
    """The units' values with coefficients from physics; where those are all that there is, with
    the one of them that matters most moved by its error. The arm isn't looked at."""
    if fit.fitted:
        by_work = by_physical_work(fit, physics)
        return fit.ratio_log if by_work is None else by_work.ratio_log
    moved = off_ratios(fit.terms, physics)
    return max(moved, key=lambda z: float(np.std(z - fit.ratio_log)))


def work_obstacles(fit: ExpectedFuel, physics: FuelPhysics) -> tuple[Obstacle, ...]:
    """Why driving can't be held equal in this car, if it can't."""
    if WORK not in fit.terms.names or WORK in fit.aliased:
        return ("no-work",)
    if fit.fitted and fit.coefficients[WORK] < LEAST_WORK * physical_work(physics):
        return ("weak-work",)
    return ()
