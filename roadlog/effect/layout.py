"""What was switched, in which order, on which road: comparable passes and their switch units.

The pass table goes in; the passes that can be compared come out, with a code for each switch unit,
its arm and block, and the columns that take what the arm must not (blocks as drawn, a trend where
chance didn't draw the order, routes that share no segment).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.errors import DesignError, InputError
from roadlog.quantities.arrays import Floats
from roadlog.stats.unit_contrast import block_columns, require_replication
from roadlog.stats.unit_randomisation import Redraw, UnitRandomisation, orders_of, randomise_units

TREND = "trend over time"
ROUTE = "route"
UNITS_PER_TREND_TERM = 4
LEAST_UNITS_FOR_TREND = 6


@dataclass(frozen=True)
class Layout:
    """Comparable passes in order of time, and their switch units.

    `unit` (passes,) are codes into `units`; `unit_arm` (units,) is 0 or 1; `unit_fixed` (units, k)
    holds the intercept with blocks, trend and routes, named by `fixed_names`; `dropped` are plain
    sentences on what can't be compared and was left out.
    """

    passes: pd.DataFrame
    unit: NDArray[np.intp]
    units: tuple[str, ...]
    unit_arm: NDArray[np.intp]
    unit_block: tuple[str, ...]
    blocked: bool
    trended: bool
    unit_fixed: Floats
    fixed_names: tuple[str, ...]
    dropped: tuple[str, ...]

    @property
    def starts(self) -> "pd.Series[pd.Timestamp]":
        """Wall clock of each unit's first pass."""
        return self.passes.groupby(self.unit)["start"].min()

    def without(self, unit: int) -> tuple[NDArray[np.intp], Floats]:
        """Arms and fixed columns of all units but one."""
        keep = np.arange(len(self.units)) != unit
        return self.unit_arm[keep], self.unit_fixed[keep]


def lay_out(passes: pd.DataFrame, *, randomised: bool) -> Layout:
    """Find comparable passes, units, blocks and the columns that stand for time and route.

    Where chance didn't decide the order of arms, a drift leaks through blocks (fitted always second
    in its pair gains a day's drift in each), so a smooth trend over the order of switch units
    stands in their place, from `LEAST_UNITS_FOR_TREND` units on (docs/calibration.md, group E).
    Runs that were switched one by one within days are compared within their days. Where one draw
    decided the whole order a line over time stands beside the arm: it keeps a drift's scatter out.

    Parameters
    ----------
    passes : DataFrame
        `roadlog.quantities.tables.PASSES`; rows with `used` False are left out, and segments that
        were driven in one arm only.
    randomised : bool
        Whether chance decided the order of arms.

    Raises
    ------
    DesignError
        One arm only, one switch unit an arm, or no segment driven in both arms.
    InputError
        A switch unit with runs of both arms.
    """
    used = _comparable(passes[passes["used"].astype(bool)])
    used, route, dropped = _connected(used)
    unit, labels = pd.factorize(used["switch_unit"], sort=False)
    first = used.groupby(unit)[["arm", "block"]].first()
    arm = (first["arm"] == "fitted").to_numpy().astype(np.intp)
    _check_units(used, unit, labels)
    block, blocked = _blocks(first)
    by_day = not blocked and _switched_within_days(used, unit)
    if by_day:
        block = tuple(used["day"].groupby(unit).first().astype(str))
    by_lots = randomised and not by_day and set(block) == {""}
    trend = np.empty((len(arm), 0)) if randomised or by_day else _trend(arm)
    trended = trend.shape[1] > 0
    blocked = (blocked or by_day) and not trended
    if by_lots and len(arm) >= LEAST_UNITS_FOR_TREND:
        trend = _line(len(arm))[:, None]
    of_unit = pd.Series(route).groupby(unit).first().to_numpy()
    routes = [(of_unit == r).astype(float) for r in range(1, int(route.max()) + 1)]
    return Layout(
        passes=used,
        unit=unit.astype(np.intp),
        units=tuple(str(u) for u in labels),
        unit_arm=arm,
        unit_block=block,
        blocked=blocked,
        trended=trended,
        unit_fixed=np.column_stack(
            [block_columns(len(arm), block if blocked else None), trend, *routes]
        ),
        fixed_names=(
            "intercept",
            *(f"block {b}" for b in (list(dict.fromkeys(block))[1:] if blocked else [])),
            *(f"{TREND} {k}" for k in range(1, trend.shape[1] + 1)),
            *(f"{ROUTE} {k + 1}" for k in range(1, len(routes) + 1)),
        ),
        dropped=dropped,
    )


def without_fuel(used: pd.DataFrame) -> list[str]:
    """Segments that a pass drove wholly on the overrun: no fuel has no logarithm.

    Models of log fuel leave them out in both arms. Leaving out the pass alone would choose by
    outcome.
    """
    least = used.groupby("segment")["ml_per_km"].min()
    return [str(s) for s in least.index[least <= 0]]


def _comparable(used: pd.DataFrame) -> pd.DataFrame:
    if used.empty:
        raise DesignError("no pass is usable: see the reasons in passes.csv, or add runs")
    for arm in ("baseline", "fitted"):
        if not (used["arm"] == arm).any():
            raise DesignError(
                f"no usable run of the {arm} arm: an effect needs runs with the add-on in and out"
            )
    both = used.groupby("segment")["arm"].nunique()
    kept = used[used["segment"].isin(both.index[both == 2])]
    if kept.empty:
        raise DesignError(
            "no segment was driven in both arms, so arm and road can't be told apart: drive the "
            "same road with the add-on in and out"
        )
    order = ["start", "run"] if kept["start"].notna().all() else ["run"]
    return kept.sort_values(order, kind="stable")


def route_of(used: pd.DataFrame) -> NDArray[np.intp]:
    """Number of each pass's route: switch units belong to one where segments link them."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    unit, units = pd.factorize(used["switch_unit"], sort=False)
    segment, segments = pd.factorize(used["segment"], sort=False)
    size = len(units) + len(segments)
    link = coo_array((np.ones(len(used)), (unit, len(units) + segment)), shape=(size, size))
    return np.asarray(connected_components(link, directed=False)[1][unit])


def _connected(used: pd.DataFrame) -> tuple[pd.DataFrame, NDArray[np.intp], tuple[str, ...]]:
    """Passes whose route was driven in both arms, and the number of each one's route.

    Units belong to one route where segments that they share link them; units of different routes
    say nothing of each other's level.
    """
    route = route_of(used)
    segment = pd.factorize(used["segment"], sort=False)[0]
    arms = used["arm"].groupby(route).nunique()
    alone = list(arms.index[arms < 2])
    keep = ~np.isin(route, alone)
    kept = used[keep]
    told = tuple(
        f"a route of {len(set(segment[route == r]))} segments that only "
        f"{used['arm'][route == r].iloc[0]} units drove is left out"
        for r in alone
    )
    if kept.empty:
        raise DesignError(
            "no route was driven in both arms, so arm and road can't be told apart: drive the "
            "same road with the add-on in and out"
        )
    return kept, pd.factorize(route[keep], sort=False)[0].astype(np.intp), told


def _check_units(used: pd.DataFrame, unit: NDArray[np.intp], labels: pd.Index) -> None:
    mixed = used.groupby(unit)["arm"].nunique()
    if (mixed > 1).any():
        name = labels[int(mixed.index[mixed > 1][0])]
        raise InputError(
            f"switch unit {name} holds runs of both arms: "
            "say --switched-by run if the add-on was switched between its runs"
        )
    require_replication(used)


def _blocks(first: pd.DataFrame) -> tuple[tuple[str, ...], bool]:
    """Block label of each unit, and whether the design is blocked.

    It is where at least two blocks, and half of all, hold both arms: a block that lost one arm
    (a missed day) says nothing about the effect, but must not unblock the others.
    """
    labels = tuple(first["block"].astype(str))
    if len(set(labels)) < 2 or "" in labels:
        return labels, False
    whole = first.groupby("block")["arm"].nunique() == 2
    return labels, bool(whole.sum() >= 2 and whole.mean() >= 0.5)


def _switched_within_days(used: pd.DataFrame, unit: NDArray[np.intp]) -> bool:
    """Whether switch units are parts of days, most of which hold both arms."""
    days = used.groupby("day")
    if days.ngroups >= int(unit.max()) + 1 or used.groupby(unit)["day"].nunique().max() > 1:
        return False
    both = days["arm"].nunique() == 2
    return bool(both.sum() >= 2 and both.mean() >= 0.5)


def _trend(unit_arm: NDArray[np.intp]) -> Floats:
    """Slow change over the order of switch units: a line, then cosines of rising frequency.

    `unit_arm` (units,) is in order of time. Strict turns leave the arm at the highest frequency
    that units have, and what days share with their neighbours at the low ones; there the terms
    take all but the fastest third of the units' degrees of freedom (two at least), so that the
    scatter is judged where the arm is. Other orders keep three quarters. Empty under
    `LEAST_UNITS_FOR_TREND` units, which can't spare a degree of freedom.
    """
    n = len(unit_arm)
    if n < LEAST_UNITS_FOR_TREND:
        return np.empty((n, 0))
    strict_turns = bool(np.all(np.diff(unit_arm) != 0))
    terms = n - 2 - max(2, round(n / 3)) if strict_turns else n // UNITS_PER_TREND_TERM
    place = (np.arange(n) + 0.5) / n
    return np.column_stack([_line(n), *(np.cos(np.pi * k * place) for k in range(2, terms + 1))])


def _line(n: int) -> Floats:
    return np.asarray(2 * (np.arange(n) + 0.5) / n - 1)


def orders_by_chance(
    layout: Layout,
    values: Floats,
    rng: np.random.Generator,
    redraw: Redraw | None,
    weights: Floats | None = None,
) -> UnitRandomisation | None:
    """What the orders that chance could have drawn say of one value (units,) a switch unit.

    The arguments are those of `orders_of` and `randomise_units`.
    """
    blocks = layout.unit_block if layout.blocked else None
    drawn = orders_of(layout.units, layout.unit_arm, blocks, rng, redraw)
    return randomise_units(values, layout.unit_arm, layout.unit_fixed, drawn, weights=weights)
