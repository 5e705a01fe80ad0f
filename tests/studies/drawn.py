"""Simulated studies from the bank of driven days: a schedule by chance, both stages, the finding.

Days of one invented road (`tests.studies.bank`) and what differs with the add-on go in; a study
comes out after stage one, ready to take a scatter of days and an effect. Both multiply a day's
fuel, which moves that day's figure by just so much and nothing else (docs/method.md, section 4),
so one fit serves several scatters, effects and claims. Everything from the fits to the word is the
shipped code; only the table work before it is done once for all studies.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.analysis.accessory_time import LEAST_WORTH_PCT
from roadlog.effect.estimate import both_fits
from roadlog.effect.expected_fuel import TIME, WORK, ExpectedFuel, Terms, expected_terms
from roadlog.effect.finding import decide
from roadlog.effect.fixed_offset import fuel_physics
from roadlog.effect.held_equal import hold_equal, temperature_factor
from roadlog.effect.result import HeldEqual
from roadlog.plan.schedule import block_sizes, orders_of_plan
from roadlog.quantities.arrays import Floats
from roadlog.quantities.fuels import FUELS
from roadlog.stats.interval import FindingWord, percent_interval
from roadlog.stats.randomise import Assignments
from roadlog.stats.unit_contrast import UnitContrast, block_columns, contrast_units, unit_t
from roadlog.stats.unit_randomisation import UnitRandomisation, randomise_units
from roadlog.study.car import Claim

Codes = NDArray[np.intp]

E10 = FUELS["E10"]
PHYSICS = fuel_physics(density_kg_m3=E10.density_kg_m3, lhv_mj_kg=E10.lhv_mj_kg, displacement_l=1.8)
ACCESSORY_ML_S = 0.18  # what an accessory takes while it is on; invented
SHARE_KNOWN_TO = 0.066  # sd of a run's accessory share, as noted or seen at idle (docs/planning.md)
FLOW_KNOWN_TO = 0.10  # sd of what the accessory takes while on, of itself; invented
FIRST_SEED = 20261125  # the day on which it was written, chosen before any result


@dataclass(frozen=True)
class Kind:
    """What differs with the add-on in a simulated study, and what the analysis knows.

    `base` and `fitted` are variants of the bank; `pace_mixed` draws faster or slower by 4 % for
    each fitted day; `hard_lost` is the arm that loses its hardest tenth of passes; `constant`
    takes the same millilitres on every pass; `accessory` is the share of a run that an accessory
    is on, by arm, from 0 or from the first to the second figure; `passes` leaves so many a day;
    `whole_runs` is a study without positions.
    """

    name: str = "alike"
    effect: float = 0.0
    run_sd: float = 0.01
    base: str = "usual"
    fitted: str = "usual"
    pace_mixed: bool = False
    hard_lost: str = ""
    constant: bool = False
    demand_noise: float = 0.0
    accessory: tuple[float, float] = (0.0, 0.0)
    accessory_fitted: tuple[float, float] | None = None
    accessory_known: bool = False
    passes: int = 0
    whole_runs: bool = False


@dataclass(frozen=True)
class Route:
    """All passes of one road: `terms` and what else is drawn from, one row a pass."""

    terms: Terms
    days: Mapping[str, Mapping[int, Codes]]  # variant, then day: rows
    way: Codes
    segment: Codes
    air_c: Floats

    @property
    def dates(self) -> list[int]:
        """The days that the bank drove."""
        return sorted(self.days["usual"])


@cache
def routes(folder: Path) -> tuple[Route, ...]:
    """The bank, used passes only."""
    found = []
    for path in sorted(folder.glob("route-*.parquet")):
        table = pd.read_parquet(path)
        table = table[table["used"].astype(bool)].reset_index(drop=True)
        n = len(table)
        terms, unknown = expected_terms(table, np.zeros(n, dtype=np.intp), np.ones(n))
        assert not unknown
        days: dict[str, dict[int, Codes]] = {}
        for (variant, date), rows in table.groupby(["variant", "date"]).indices.items():
            days.setdefault(str(variant), {})[int(date)] = np.asarray(rows, dtype=np.intp)
        found.append(
            Route(
                terms, days, table["way"].to_numpy(dtype=np.intp),
                np.asarray(pd.factorize(table["segment"])[0], dtype=np.intp),
                table["ambient_c"].to_numpy(dtype=float),
            )
        )  # fmt: skip
    return tuple(found)


@cache
def block_labels(days: int, pairs: bool = False) -> tuple[str, ...]:
    """Block of each day, as the schedule draws them."""
    sizes = [2] * (days // 2) if pairs else block_sizes(days, 4)
    return tuple(f"b{i}" for i, size in enumerate(sizes) for _ in range(size))


@cache
def all_orders(days: int, pairs: bool = False) -> Assignments:
    """All orders that the plan could draw (20,000 at most; a single change of arms never)."""
    arm = [i % 2 for label, n in _sizes(block_labels(days, pairs)).items() for i in range(n)]
    return orders_of_plan(arm, block_labels(days, pairs), np.random.default_rng(1))


def _sizes(labels: Sequence[str]) -> dict[str, int]:
    return {label: labels.count(label) for label in dict.fromkeys(labels)}


def draw_order(days: int, pairs: bool, rng: np.random.Generator) -> Assignments:
    """One of the orders, drawn by chance and put first."""
    every = all_orders(days, pairs)
    assert every.exact
    arms, drawn = every.arms.copy(), int(rng.integers(len(every.arms)))
    arms[[0, drawn]] = arms[[drawn, 0]]
    return replace(every, arms=arms)


@dataclass(frozen=True)
class Staged:
    """A study after stage one: fits, schedule and what holding the driving equal rests on."""

    fit: ExpectedFuel
    total: ExpectedFuel
    held: HeldEqual
    orders: Assignments
    fixed: Floats
    contrast: UnitContrast
    unit_air_c: Floats
    blocking: tuple[str, ...] = ()

    @property
    def driving(self) -> Floats:
        """Share that driving explains, of each day."""
        return np.asarray(self.total.ratio_log - self.fit.ratio_log)

    def finish(self, scatter: Floats) -> "Outcome":
        """Stage two and the orders with this log scatter of days."""
        z, size = self.fit.ratio_log + scatter, self.fit.unit_expected_ml
        arm = self.orders.arms[0].astype(np.intp)
        contrast = contrast_units(z, arm, self.fixed, size, self.fit.pass_variance)
        assert contrast is not None
        orders = randomise_units(
            z, arm, self.fixed, self.orders, weights=size / (size + size.mean())
        )
        return Outcome(contrast, self.held, orders, self.blocking)


@dataclass(frozen=True)
class Outcome:
    """What one study came to; `word` holds it against a claim."""

    contrast: UnitContrast
    held: HeldEqual
    orders: UnitRandomisation | None
    blocking: tuple[str, ...] = ()

    def word(self, claim_pct: float, effect: float = 0.0) -> FindingWord | None:
        """Word against a claim [% fuel] if the add-on had this further effect (log)."""
        c, orders = self.contrast, self.orders
        primary = percent_interval(c.tau + effect, c.half_width(), c.df, "")
        moved = None if orders is None else replace(orders, estimate=orders.estimate + effect)
        claim, blocking = Claim(fuel_pct=-claim_pct), self.blocking
        return decide(primary, claim, held=self.held, orders=moved, blocking=blocking).word


def draw_study(
    kind: Kind,
    days: int,
    bank: Sequence[Route],
    rng: np.random.Generator,
    *,
    pairs: bool = False,
    route: Route | None = None,
    dates: Sequence[int] | None = None,
) -> Staged:
    """One study through stage one, its days drawn from the bank unless given."""
    if route is None:
        route = bank[int(rng.integers(len(bank)))]
    if dates is None:
        dates = np.sort(rng.choice(route.dates, days, replace=False)).tolist()
    orders = draw_order(days, pairs, rng)
    arm = orders.arms[0].astype(np.intp)
    terms, air = drawn_terms(kind, route, dates, arm, rng)
    fit, total, _ = both_fits(terms, PHYSICS, whole_runs=kind.whole_runs)
    assert fit.fitted or kind.whole_runs or kind.passes, kind.name
    fixed = block_columns(days, block_labels(days, pairs))
    contrast = contrast_units(fit.ratio_log, arm, fixed, fit.unit_expected_ml, fit.pass_variance)
    assert contrast is not None
    unit = terms.unit
    of_unit = np.bincount(unit, air, days) / np.bincount(unit, minlength=days)
    held = hold_equal(fit, total, contrast, of_unit, PHYSICS)
    blocking = _accessory_differed(fit, arm, fixed) if kind.accessory_known else ()
    return Staged(fit, total, held, orders, fixed, contrast, np.asarray(of_unit), blocking)


def _accessory_differed(fit: ExpectedFuel, arm: Codes, fixed: Floats) -> tuple[str, ...]:
    """The analysis's stop (`roadlog.analysis.accessory_time`), on the accessory's share of each
    day's fuel."""
    terms = fit.terms
    of_day = np.bincount(terms.unit, terms.offset_ml, terms.units) / fit.unit_expected_ml
    difference, half, _ = unit_t(of_day, arm, fixed)
    matters = 100 * abs(difference) >= LEAST_WORTH_PCT
    return ("accessory differed",) if abs(difference) > half and matters else ()


def drawn_terms(
    kind: Kind,
    route: Route,
    dates: Sequence[int],
    arm: Codes,
    rng: np.random.Generator,
) -> tuple[Terms, Floats]:
    """Terms of these days' passes as the analysis sees them, and each pass's air temperature."""
    days, rows = len(dates), []
    for u, date in enumerate(dates):
        variant = kind.fitted if arm[u] else kind.base
        if kind.pace_mixed and arm[u]:
            prefix = "curved " if kind.base == "curved" else ""
            variant = prefix + ("slower 4", "faster 4")[int(rng.integers(2))]
        rows.append(route.days[variant][int(date)])
    row, unit = np.concatenate(rows), np.repeat(np.arange(days), [len(r) for r in rows])
    if kind.passes:
        row, unit = _few_passes(kind.passes, route, row, unit, rng)
    of_arm, all_terms, names = arm[unit], route.terms, route.terms.names
    columns = all_terms.columns[row]
    seconds, work = columns[:, names.index(TIME)], names.index(WORK)
    fuel = all_terms.fuel_ml[row]
    fuel = fuel + of_arm * kind.effect * (fuel.mean() if kind.constant else fuel)
    fuel = fuel * np.exp(kind.run_sd * rng.standard_normal((days, 2))[unit, route.way[row]])
    on = _accessory_on(kind, arm, rng)[unit, route.way[row]]
    fuel = fuel + ACCESSORY_ML_S * on * seconds
    offset = np.zeros(len(row))
    if kind.accessory_known:
        seen = on + SHARE_KNOWN_TO * rng.standard_normal((days, 2))[unit, route.way[row]]
        flow = ACCESSORY_ML_S * (1 + FLOW_KNOWN_TO * rng.standard_normal())
        offset = flow * np.clip(seen, 0, 1) * seconds
    km = columns[:, [i for i, n in enumerate(names) if n.startswith("segment ")]].sum(axis=1)
    demand = columns[:, work] / km
    hard = demand > np.quantile(demand, 0.9)
    lost = hard & (of_arm == int(kind.hard_lost == "fitted")) & bool(kind.hard_lost)
    columns[:, work] *= np.exp(kind.demand_noise * rng.standard_normal(len(row)))
    segment, air = route.segment[row], route.air_c[row]
    in_both = np.intersect1d(segment[~lost & (of_arm == 1)], segment[~lost & (of_arm == 0)])
    keep = ~lost & np.isin(segment, in_both)
    terms = Terms(columns, names, unit, fuel, temperature_factor(air), offset)
    terms, air = _kept(terms, keep), air[keep]
    if kind.whole_runs:
        return _by_run(terms, air, route.way[row[keep]])
    used = np.abs(terms.columns).sum(axis=0) > 0
    return replace(
        terms, columns=terms.columns[:, used],
        names=tuple(n for n, u in zip(names, used, strict=True) if u),
        factor=temperature_factor(air),
    ), air  # fmt: skip


def _accessory_on(kind: Kind, arm: Codes, rng: np.random.Generator) -> Floats:
    """Share of each day's two runs that an accessory is on: one a day, as the day's heat asks."""
    low, high = np.array([kind.accessory, kind.accessory_fitted or kind.accessory])[arm].T
    return np.repeat(rng.uniform(low, high)[:, None], 2, axis=1)


def _few_passes(
    passes: int, route: Route, row: Codes, unit: Codes, rng: np.random.Generator
) -> tuple[Codes, Codes]:
    """The same one or few kilometres of every day, drawn among those driven on all days."""
    days = int(unit.max()) + 1
    pairs = np.unique(np.column_stack([route.segment[row], unit]), axis=0)
    driven = np.flatnonzero(np.bincount(pairs[:, 0]) == days)
    start = int(rng.integers(len(driven) - passes + 1))
    keep = np.isin(route.segment[row], driven[start : start + passes])
    return row[keep], unit[keep]


def _kept(terms: Terms, keep: NDArray[np.bool_]) -> Terms:
    return Terms(
        terms.columns[keep], terms.names, terms.unit[keep], terms.fuel_ml[keep],
        terms.factor[keep], terms.offset_ml[keep],
    )  # fmt: skip


def _by_run(terms: Terms, air: Floats, way: Codes) -> tuple[Terms, Floats]:
    """A pass is a run: everything summed over it, distance in one column."""
    code = 2 * terms.unit + way
    runs, code = np.unique(code, return_inverse=True)
    of_segment = np.array([n.startswith("segment ") for n in terms.names])
    columns = np.zeros((len(runs), len(terms.names)))
    np.add.at(columns, code, terms.columns)
    count = np.bincount(code)
    mean_air = np.bincount(code, air) / count
    kept = [i for i, s in enumerate(of_segment) if not s]
    return Terms(
        np.column_stack([columns[:, of_segment].sum(axis=1), columns[:, kept]]),
        ("segment run", *(terms.names[i] for i in kept)),
        (runs // 2).astype(np.intp), np.bincount(code, terms.fuel_ml),
        temperature_factor(mean_air), np.bincount(code, terms.offset_ml),
    ), mean_air  # fmt: skip
