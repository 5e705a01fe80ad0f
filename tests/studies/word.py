"""How often is the final word wrong, and how often does it come? Simulated studies, known truth.

Days drawn from the bank (`tests.studies.bank`) become studies: a schedule by chance, an effect, a
scatter of days and runs, a driver who drives otherwise with the add-on, warm weeks, lost passes,
noisy demand, a loose accessory. Each goes through both stages, the orders that chance could have
drawn and the rule of the finding, as shipped. `python -m tests.studies.word BANK OUT` keeps a file
a cell in OUT (a rerun does only what is missing) and prints the table of docs/calibration.md.
"""

import argparse
import json
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.effect.crosschecks import percent_interval
from roadlog.effect.expected_fuel import ExpectedFuel, expected_terms, fit_expected_fuel
from roadlog.effect.finding import decide
from roadlog.effect.fixed_offset import fuel_physics
from roadlog.effect.held_equal import conditions_only, hold_equal, temperature_factor
from roadlog.effect.layout import block_columns
from roadlog.effect.randomise import Assignments, assignments
from roadlog.effect.unit_contrast import contrast_units
from roadlog.effect.unit_randomisation import randomise_units
from roadlog.fuels import FUELS
from roadlog.plan.schedule import block_sizes
from roadlog.results import Finding, HeldEqual
from roadlog.study import Claim

Floats = NDArray[np.float64]
Route = Mapping[str, Mapping[int, pd.DataFrame]]

E10 = FUELS["E10"]
PHYSICS = fuel_physics(density_kg_m3=E10.density_kg_m3, lhv_mj_kg=E10.lhv_mj_kg, displacement_l=1.8)
CLAIMS_PCT = (-10.7, -6.0, -5.0)
ACCESSORY_ML_S = 0.18  # what a loose accessory takes while it is on; invented
FIRST_SEED = 20261125  # the day on which it was written, chosen before any result


@dataclass(frozen=True)
class Cell:
    """One kind of study: its days, what is true, and what differs with the add-on.

    `base` and `fitted` are variants of the bank; `pace_mixed` draws faster or slower by 4 % for
    each fitted day; `hard_lost` is the arm that loses its hardest tenth of passes; `constant`
    takes the same millilitres on every pass; `accessory` is the largest share of a day that an
    accessory is on, unknown to the analysis.
    """

    days: int = 12
    day_sd: float = 0.02
    kind: str = "alike"
    effect: float = 0.0
    run_sd: float = 0.01
    base: str = "usual"
    fitted: str = "usual"
    pace_mixed: bool = False
    hard_lost: str = ""
    constant: bool = False
    demand_noise: float = 0.0
    accessory: float = 0.0
    pairs: bool = False

    @property
    def name(self) -> str:
        """Days, scatter and kind."""
        order = ", pairs" if self.pairs else ""
        return f"{self.days} days, sd {100 * self.day_sd:g} %, {self.kind}{order}"


def cells(days: Sequence[int]) -> Iterator[Cell]:
    """The cells of method section 5.4, and driving as loose as on commutes."""
    for n in days:
        for sd in (0.02, 0.005):
            own: dict[str, Any] = {"days": n, "day_sd": sd}
            yield Cell(**own)
            yield Cell(**own, kind="alike", pairs=True)
            for variant in ("slower 2", "slower 4", "slower 6", "faster 4", "warm"):
                yield Cell(**own, kind=variant, fitted=variant)
            for arm in ("fitted", "baseline"):
                yield Cell(**own, kind=f"hard passes lost, {arm}", hard_lost=arm)
            for effect in (-0.05, 0.05, -0.10, 0.10):
                kind = f"constant mL {100 * effect:+g} %"
                yield Cell(**own, kind=kind, effect=effect, constant=True)
            for noise in (0.1, 0.2):
                kind = f"pace +-4, demand noise {100 * noise:g} %"
                yield Cell(**own, kind=kind, pace_mixed=True, demand_noise=noise)
            yield Cell(**own, kind="pace +-4, curved engine", base="curved", pace_mixed=True)
            yield Cell(
                **own, kind="slower 4, curved engine", base="curved", fitted="curved slower 4"
            )
            yield Cell(**own, kind="accessory on 0 to 60 %, unknown", accessory=0.6)
            yield Cell(**own, kind="true saving 6 %", effect=-0.06)


@cache
def routes(folder: Path) -> list[Route]:
    """The bank: route, then variant, then day; used passes only."""
    found = []
    for path in sorted(folder.glob("route-*.parquet")):
        table = pd.read_parquet(path)
        table = table[table["used"].astype(bool)]
        found.append(
            {
                str(v): {int(d): g.reset_index(drop=True) for d, g in t.groupby("date")}
                for v, t in table.groupby("variant")
            }
        )
    return found


@cache
def block_labels(days: int, pairs: bool) -> tuple[str, ...]:
    """Block of each day, as the schedule draws them."""
    sizes = [2] * (days // 2) if pairs else block_sizes(days, 4)
    return tuple(f"b{i}" for i, size in enumerate(sizes) for _ in range(size))


def draw_arms(labels: Sequence[str], rng: np.random.Generator) -> NDArray[np.intp]:
    """Half of every block fitted; of an odd block chance decides which arm gets more."""
    arm = np.zeros(len(labels), dtype=np.intp)
    for label in dict.fromkeys(labels):
        where = np.flatnonzero(np.array(labels) == label)
        size = (len(where) + int(rng.integers(2)) * (len(where) % 2)) // 2
        arm[rng.permutation(where)[:size]] = 1
    return arm


@cache
def _orders(labels: tuple[str, ...], arm: bytes) -> Assignments:
    real = np.frombuffer(arm, dtype=np.int8)
    return assignments(real, labels, np.random.default_rng(1), exact_limit=8000, draws=2000)


def drawn_passes(
    cell: Cell, bank: Sequence[Route], rng: np.random.Generator
) -> tuple[pd.DataFrame, NDArray[np.intp], NDArray[np.intp]]:
    """One study: its passes as the analysis sees them, the day of each, the arm of each day."""
    route = bank[int(rng.integers(len(bank)))]
    labels = block_labels(cell.days, cell.pairs)
    arm = draw_arms(labels, rng)
    dates = np.sort(rng.choice(list(route[cell.base]), cell.days, replace=False))
    parts = []
    for u, date in enumerate(dates):
        variant = cell.fitted if arm[u] else cell.base
        if cell.pace_mixed and arm[u]:
            prefix = "curved " if cell.base == "curved" else ""
            variant = prefix + ("slower 4", "faster 4")[int(rng.integers(2))]
        parts.append(route[variant][int(date)])
    table = pd.concat(parts, ignore_index=True)
    day = np.repeat(np.arange(cell.days), [len(p) for p in parts])
    of_arm = arm[day]
    scatter = cell.day_sd * rng.standard_normal(cell.days)
    by_run = cell.run_sd * rng.standard_normal((cell.days, 2))
    fuel = table["fuel_ml"].to_numpy(dtype=float)
    if cell.constant:
        fuel = fuel + of_arm * cell.effect * fuel.mean()
    else:
        fuel = fuel * (1 + cell.effect * of_arm)
    fuel = fuel * np.exp(scatter[day] + by_run[day, table["way"]])
    on = rng.uniform(0, cell.accessory, cell.days) if cell.accessory else np.zeros(cell.days)
    fuel = fuel + ACCESSORY_ML_S * on[day] * table["duration_s"]
    demand = table["demand_kj_per_km"].to_numpy(dtype=float)
    hard = demand > np.quantile(demand, 0.9)
    lost = hard & (of_arm == int(cell.hard_lost == "fitted")) & bool(cell.hard_lost)
    noise = np.exp(cell.demand_noise * rng.standard_normal(len(demand)))
    table = table.assign(fuel_ml=np.asarray(fuel), demand_kj_per_km=demand * noise)
    arms = pd.Series(of_arm[~lost]).groupby(table["segment"][~lost].to_numpy()).nunique()
    keep = ~lost & table["segment"].isin(arms.index[arms == 2]).to_numpy()
    return table[keep].reset_index(drop=True), day[keep].astype(np.intp), arm


@dataclass(frozen=True)
class Outcome:
    """What one study came to: interval on the log scale, and words against claims."""

    tau: float
    half: float
    held: HeldEqual
    words: dict[float, Finding]


def outcome(
    cell: Cell, bank: Sequence[Route], rng: np.random.Generator, claims: Sequence[float]
) -> Outcome:
    """Both stages and the finding of one drawn study against each claim [% fuel]."""
    return _of(cell, *drawn_passes(cell, bank, rng), claims)


def _of(
    cell: Cell,
    table: pd.DataFrame,
    day: NDArray[np.intp],
    arm: NDArray[np.intp],
    claims: Sequence[float],
) -> Outcome:
    labels = block_labels(cell.days, cell.pairs)
    air = table["ambient_c"].to_numpy(dtype=float)
    terms, _ = expected_terms(table, day, temperature_factor(air))
    fit, total = fit_expected_fuel(terms), fit_expected_fuel(conditions_only(terms))
    assert fit.converged, cell.name
    assert total.converged, cell.name
    fixed, size = block_columns(len(arm), labels), fit.unit_expected_ml
    contrast = contrast_units(fit.ratio_log, arm, fixed, size, fit.pass_variance)
    assert contrast is not None
    held = hold_equal(fit, total, contrast, _by_day(air, fit), PHYSICS)
    half = contrast.half_width()
    primary = percent_interval(contrast.tau, half, contrast.df, "")
    drawn = _orders(labels, arm.astype(np.int8).tobytes())
    orders = randomise_units(fit.ratio_log, arm, fixed, drawn, weights=size / (size + size.mean()))
    words = {c: decide(primary, Claim(fuel_pct=-c), held=held, orders=orders) for c in claims}
    return Outcome(contrast.tau, half, held, words)


def _by_day(air: Floats, fit: ExpectedFuel) -> Floats:
    unit, n = fit.terms.unit, fit.terms.units
    return np.asarray(np.bincount(unit, air, n) / np.bincount(unit, minlength=n))


def tabulate(cell: Cell, bank: Sequence[Route], studies: int) -> dict[str, Any]:
    """Counts of one cell: coverage, width, wrong words at claim = truth, power against claims."""
    rng = np.random.default_rng([zlib.crc32(cell.name.encode()), FIRST_SEED])
    claim, truth = 100 * cell.effect, float(np.log1p(cell.effect))
    rows = []
    for _ in range(studies):
        o = outcome(cell, bank, rng, (claim, *CLAIMS_PCT))
        rows.append(
            {
                "held": abs(o.tau - truth) <= o.half, "width": 200 * o.half,
                "tau": o.tau - truth, "margin": 100 * o.held.margin,
                "stopped": bool(o.held.obstacles),
                "wrongly refuted": o.words[claim].word == "refuted",
                "wrongly supported": o.words[claim].word == "supported",
                **{f"refuted {c:g}": o.words[c].word == "refuted" for c in CLAIMS_PCT},
            }
        )  # fmt: skip
    t = pd.DataFrame(rows).astype(float)
    mean = t.mean()
    return {
        **asdict(cell), "name": cell.name, "studies": studies,
        "coverage_pct": 100 * mean["held"], "width": mean["width"],
        "width_p90": t["width"].quantile(0.9), "bias_pct": 100 * mean["tau"],
        "narrowest_tenth_pct": 100
        * t.loc[t["width"] <= t["width"].quantile(0.1), "held"].mean(),
        "wrongly_refuted_pct": 100 * mean["wrongly refuted"],
        "wrongly_supported_pct": 100 * mean["wrongly supported"],
        "margin": mean["margin"], "stopped_pct": 100 * mean["stopped"],
        **{f"refuted_at_{-c:g}_pct": 100 * mean[f"refuted {c:g}"] for c in CLAIMS_PCT},
    }  # fmt: skip


def main() -> None:
    """Do the missing cells and print the table."""
    from tqdm import tqdm

    parser = argparse.ArgumentParser(
        prog="python -m tests.studies.word", description="Simulate studies with known truth."
    )
    parser.add_argument("bank", type=Path, help="folder of tests.studies.bank")
    parser.add_argument("out", type=Path, help="folder that keeps a file a cell")
    parser.add_argument("--studies", type=int, default=1000, metavar="N", help="a cell (1000)")
    parser.add_argument("--days", type=int, nargs="*", default=[10, 12, 20])
    parser.add_argument("--only", default="", help="cells whose name holds this")
    a = parser.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    rows = []
    for cell in tqdm([c for c in cells(a.days) if a.only in c.name], unit="cell"):
        path = a.out / f"{zlib.crc32(cell.name.encode()):08x}-{a.studies}.json"
        if not path.exists():
            path.write_text(json.dumps(tabulate(cell, routes(a.bank), a.studies)))
        rows.append(json.loads(path.read_text()))
    table = pd.DataFrame(rows).drop(columns=list(asdict(Cell())))
    with pd.option_context(
        "display.width", 250, "display.max_columns", 30, "display.max_rows", 999
    ):
        print(table.round(2).to_string(index=False))


if __name__ == "__main__":
    main()
