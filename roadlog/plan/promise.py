"""What an order of arms promises: the finding's whole rule over simulated studies.

The order, the orders that chance could have drawn and the scatter go in; each simulated study comes
out as the bounds that its interval, its margin for driving and its orders set for any claim. The
pieces are those of the analysis (docs/method.md, sections 5 to 8), looked at for all studies at
once; a true effect moves every bound by as much, so that one simulation serves all effects and
claims.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.effect.before_after import changed_once
from roadlog.effect.finding import LEAST_P_FOR_GATE
from roadlog.effect.held_equal import MOST_DRIVING, PER_DEGREE, SHARE_OF_DRIVING, UNKNOWN_AIR
from roadlog.effect.layout import lay_out
from roadlog.errors import DesignError
from roadlog.plan.schedule import block_sizes, orders_of_plan, redraw
from roadlog.quantities.arrays import Floats
from roadlog.stats.randomise import Assignments
from roadlog.stats.reduction import orthonormal
from roadlog.stats.unit_contrast import LEAST_DF, block_columns, contrast_units
from roadlog.study.settings import Schedule

STUDIES = 2000
SEED = 1
# Beyond these the orders are drawn: the share of 5 % is then known to half a point.
EXACT_ORDERS, DRAWN_ORDERS = 8000, 2000
MANY_UNITS = 40  # above, the interval decides nearly always, and a rough gate will do
_ROWS = 200  # studies held against all orders at a time


@dataclass(frozen=True)
class Scatter:
    """Standard deviations of log fuel use (0.01 is about 1 %) of one switch unit, and their source.

    `unit_sd` of fuel over expected fuel, whatever it comes from; `driving_sd` of the share that
    driving explains; `pass_sd` of the part of `unit_sd` that the passes within a unit show, under
    which no interval goes (0: passes are runs). `air_sd_k` of the air's temperature [K] about what
    neighbouring units share, NaN if it won't be known. `df` of a pilot, None for an assumption.
    """

    unit_sd: float
    source: str
    df: float | None = None
    driving_sd: float = 0.032
    pass_sd: float = 0.010
    air_sd_k: float = 3.0  # common practice, no source


@dataclass(frozen=True)
class Order:
    """Arms of the switch units (n,), what is fixed about them (n, k), and the orders of chance.

    `orders` is None where chance didn't draw the order.
    """

    arm: NDArray[np.intp]
    fixed: Floats
    orders: Assignments | None

    @property
    def df(self) -> int:
        """Degrees of freedom of the arm."""
        return len(self.arm) - int(orthonormal(self.fixed).shape[1]) - 1


@dataclass(frozen=True)
class Simulated:
    """Bounds of many studies of an add-on that does nothing, log scale, one value a study.

    `refutes` and `supports` are what a claim has to lie below, or not below, for the firm word;
    minus or plus infinity where driving differed too much for any. `half` is the interval's half
    width and `high` its upper end.
    """

    refutes: Floats
    supports: Floats
    half: Floats
    high: Floats

    def refuted(self, claim: float, effect: float = 0.0) -> float:
        """Share of studies that refute a claim, both as log ratios."""
        return float(np.mean(claim < self.refutes + effect))

    def supported(self, claim: float, effect: float = 0.0) -> float:
        """Share of studies that support it."""
        return float(np.mean(claim >= self.supports + effect))

    def refutable(self, chance: float = 0.8) -> float:
        """Smallest claim (log ratio) that this share of studies refutes if nothing happens."""
        return float(np.quantile(self.refutes, 1 - chance))


def order_of_schedule(schedule: Schedule) -> Order:
    """The order as the analysis will see it.

    Raises
    ------
    DesignError
        If the schedule can't give an interval.
    """
    names = [str(u.unit) for u in schedule.unit]
    table = pd.DataFrame(
        {
            "used": True,
            "segment": "1",
            "run": range(len(names)),
            "start": pd.NaT,
            "arm": [u.arm for u in schedule.unit],
            "switch_unit": names,
            "day": names,
            "block": ["" if u.block is None else str(u.block) for u in schedule.unit],
        }
    )
    table["start"] = pd.Timestamp("2001-01-01") + pd.to_timedelta(table["run"], unit="D")
    if changed_once(table, schedule.randomised):
        raise DesignError(
            "the schedule changes the arm once and chance didn't draw it: no analysis gives that "
            "an interval: draw another with --redraw"
        )
    layout = lay_out(table, randomised=schedule.randomised)
    orders = None
    if schedule.randomised:
        rng = np.random.default_rng(SEED)
        orders = redraw(schedule, names, rng, exact_limit=EXACT_ORDERS, draws=DRAWN_ORDERS)
    return Order(layout.unit_arm, layout.unit_fixed, orders)


def typical_order(units: int, block_size: int) -> Order:
    """An order of so many units such as the plan would draw, without a weekday limit."""
    sizes = block_sizes(units, block_size)
    blocks = [str(b) for b, size in enumerate(sizes) for _ in range(size)]
    arm = [i % 2 for size in sizes for i in range(size)]
    draws = DRAWN_ORDERS if units <= MANY_UNITS else DRAWN_ORDERS // 4
    rng = np.random.default_rng(SEED)
    orders = orders_of_plan(arm, blocks, rng, exact_limit=DRAWN_ORDERS, draws=draws)
    fixed = block_columns(len(arm), blocks)
    return Order(np.asarray(arm, dtype=np.intp), fixed, orders)


def simulate(
    order: Order, scatter: Scatter, *, studies: int = STUDIES, seed: int = SEED
) -> Simulated:
    """Draw studies of an add-on that does nothing, and hold each against the rule.

    Parameters
    ----------
    order : Order
    scatter : Scatter
        Of a pilot with few degrees of freedom it is drawn anew for each study, by chi-square.
    studies, seed : int

    Raises
    ------
    DesignError
        If the order leaves too few degrees of freedom for an interval.
    """
    if order.df < LEAST_DF:
        raise DesignError(
            f"{len(order.arm)} switch units in this order leave {max(order.df, 0)} degrees of "
            "freedom, too few for an interval: plan 6 units or more"
        )
    rng = np.random.default_rng(seed)
    shape = (studies, len(order.arm))
    sd = np.full((studies, 1), scatter.unit_sd)
    if scatter.df is not None:
        sd = sd * np.sqrt(scatter.df / rng.chisquare(scatter.df, (studies, 1)))
    z = sd * rng.standard_normal(shape)
    driving = scatter.driving_sd * rng.standard_normal(shape)
    air = scatter.air_sd_k * rng.standard_normal(shape)
    return simulated_bounds(order, z, driving, scatter.pass_sd, air)


def simulated_bounds(
    order: Order, z: Floats, driving: Floats, pass_sd: float, air_c: Floats
) -> Simulated:
    """The rule's bounds for given values.

    Parameters
    ----------
    z, driving : (studies, units) arrays
        Log fuel over expected fuel, and the share of driving, of each unit.
    pass_sd : float
        Of each unit's z by its passes.
    air_c : (studies, units) array
        Temperature of the air [°C] in each unit; NaN where it isn't known.
    """
    from scipy.special import ndtri, stdtrit

    contrast = contrast_units(z[0], order.arm, order.fixed)
    if contrast is None:
        raise DesignError("the blocks hold one arm each: draw another schedule with --redraw")
    weights = contrast.weights
    tau = z @ weights
    basis = orthonormal(np.column_stack([order.fixed, order.arm]))
    rest = z - (z @ basis) @ basis.T
    length = math.sqrt(float(weights @ weights))
    se = np.sqrt((rest**2).sum(axis=1) / order.df) * length
    half = np.maximum(float(stdtrit(order.df, 0.975)) * se, float(ndtri(0.975)) * pass_sd * length)
    explained = driving @ weights
    air = PER_DEGREE * np.abs(air_c @ weights)
    margin = SHARE_OF_DRIVING * np.abs(explained) + np.where(np.isfinite(air), air, UNKNOWN_AIR)
    below, above = _gate(order, z - tau[:, None] * order.arm)
    stopped = np.abs(explained) > MOST_DRIVING
    refutes = np.minimum(tau - half, tau + below) - margin
    supports = np.maximum(tau + half, tau + above) + margin
    return Simulated(
        refutes=np.where(stopped, -np.inf, refutes),
        supports=np.where(stopped, np.inf, supports),
        half=half,
        high=tau + half,
    )


def _gate(order: Order, z: Floats) -> tuple[Floats, Floats]:
    """Under which effect the orders' one-sided p is 5 % or less, and over which; less the estimate.

    `z` (studies, units) less each one's estimate for the fitted units. Infinite, so that the
    interval alone decides, where the orders are too few for a gate (finding.LEAST_P_FOR_GATE).
    """
    free = np.full(len(z), np.inf), np.full(len(z), -np.inf)
    if order.orders is None or order.orders.total < 2:
        return free
    basis = orthonormal(order.fixed)
    arms = order.orders.arms.astype(float)
    arms = arms - (arms @ basis) @ basis.T
    length = np.sqrt((arms**2).sum(axis=1))
    arms = arms[length > 1e-6] / length[length > 1e-6, None]
    slope = arms @ arms[0]
    alike = slope >= 1 - 1e-9
    least = float(np.mean(alike))
    if least > LEAST_P_FOR_GATE:
        return free
    allowed = math.floor(max(0.05, least) * len(arms) + 1e-9)
    scale = np.where(alike, 1.0, 1 - slope) * length[0]
    below, above = np.empty(len(z)), np.empty(len(z))
    for start in range(0, len(z), _ROWS):
        rows = slice(start, start + _ROWS)
        cross = z[rows] @ arms.T / scale
        cross[:, alike] = np.inf
        below[rows] = -np.partition(cross, -1 - allowed, axis=1)[:, -1 - allowed]
        cross[:, alike] = -np.inf
        above[rows] = -np.partition(cross, allowed, axis=1)[:, allowed]
    return below, above


def needed_units(
    claim: float, scatter: Scatter, block_size: int, *, chance: float = 0.8, most: int = 400
) -> int | None:
    """Fewest units (even) that refute a claim (log ratio) this often if the add-on does nothing.

    None if `most` are not enough.
    """

    def enough(half_units: int) -> bool:
        order = typical_order(2 * half_units, block_size)
        return order.df >= LEAST_DF and (
            simulate(order, scatter, studies=STUDIES // 2).refuted(claim) >= chance
        )

    high = 2
    while not enough(high):
        if 2 * high >= most:
            return None
        high = min(2 * high, most // 2)
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return 2 * high


def refutable_by_units(scatter: Scatter, block_size: int, units: Iterable[int]) -> dict[int, float]:
    """Smallest claim (log ratio) refuted 4 times out of 5, for each number of units."""
    found = {}
    for n in units:
        order = typical_order(n, block_size)
        if order.df >= LEAST_DF:
            found[n] = simulate(order, scatter, studies=STUDIES // 2).refutable()
    return found
