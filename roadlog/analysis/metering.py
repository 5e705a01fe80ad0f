"""What each run drove and burned: logs go in, samples, fuel flow and totals of every run come out.

Time base and fuel in their order, for all runs alike: one estimator and one calibration serve both
arms (method sections 1 and 2).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import numpy as np
import pandas as pd

from roadlog import closure, fuel
from roadlog.analysis.earlier import NOTHING_EARLIER, Earlier, has_few_samples
from roadlog.analysis.facts import NotUsed, Righted
from roadlog.errors import DesignError
from roadlog.fuel.batches import weighed_baseline_l
from roadlog.fuel.flow import flow_of_each
from roadlog.fuel.levels import arm_refusal, level_of, refusals
from roadlog.fuel.outliers import outlying_signals
from roadlog.ingest import Log, timebase
from roadlog.quantities.arms import ARMS
from roadlog.quantities.columns import Columns, Table, columns_of, frame_of
from roadlog.quantities.facts import Fact, Warned
from roadlog.quantities.fuels import Fuel
from roadlog.quantities.signals import signal
from roadlog.stats.unit_contrast import require_replication
from roadlog.study.settings import Study
from roadlog.wording.progress import bar

SHORTEST_RUN_KM = 0.5

T = TypeVar("T", bound=Table)


@dataclass(frozen=True)
class Metered:
    """All runs with what they burned.

    `runs` has a row, `burned` (`tables.FUEL`) and `batches` an entry a run, in the same order;
    `flows` are frames of `burned`, made when first asked for. `estimator` and `calibration` are
    those of the whole study, `warnings` what had to be assumed or passed over on the way to them.
    `samples` are the runs' frames, where `meter` was given them.
    """

    runs: pd.DataFrame
    burned: tuple[Columns, ...]
    batches: tuple[Fuel | None, ...]
    estimator: str
    calibration: fuel.Calibration
    warnings: tuple[Warned, ...] = ()
    samples: tuple[pd.DataFrame, ...] = ()

    @cached_property
    def flows(self) -> tuple[pd.DataFrame, ...]:
        """Fuel flow of every run as a frame."""
        return tuple(frame_of(f) for f in self.burned)

    @property
    def usable(self) -> dict[int, Columns]:
        """Fuel flow of the runs that count, by run."""
        each = zip(self.runs["run"], self.burned, self.runs["used"], strict=True)
        return {int(r): f for r, f, used in each if used}


def sampled(
    logs: Sequence[Log], progress: bool, earlier: Earlier = NOTHING_EARLIER
) -> tuple[list[pd.DataFrame], list[Warned]]:
    """Samples of every run, positions brought onto the wheel-speed clock where they correlate.

    Returns
    -------
    list of DataFrame
        `tables.SAMPLES`, one a log.
    list of Warned
        What was put right.
    """
    out: list[pd.DataFrame] = []
    warnings: list[Warned] = []
    found = earlier.each(lambda log: earlier.samples(log.frame), logs, has_few_samples)
    for log, (samples, lag_s) in zip(bar(logs, "time base", progress), found, strict=True):
        out.append(samples)
        warnings += righted(log, lag_s)
    return out, warnings


def righted(log: Log, lag_s: float | None) -> list[Warned]:
    """What was put right in a log, whose positions came late by `lag_s` [s]."""
    told = [Warned("log-repaired", n, log.path.name) for n in log.facts]
    if lag_s is None:
        return told
    return [Warned("clock-offset", Righted.POSITION_CLOCK(seconds=lag_s), log.path.name), *told]


def judged(
    runs: pd.DataFrame,
    samples: Sequence[Table],
    set_aside: Mapping[int, Fact] | None = None,
    *,
    both_arms: bool = True,
) -> pd.DataFrame:
    """Add `km`, `used` and `reason`: a run without speed, or hardly driven, is set aside first.

    Parameters
    ----------
    runs : DataFrame
        As `roadlog.runs.table.build_runs` makes it.
    samples : sequence of DataFrame
        `tables.SAMPLES`, one a run.
    set_aside : mapping of run to Fact, optional
        Why other rules leave a run out (`roadlog.runs.deviations`).
    both_arms : bool
        Whether what follows compares the arms.

    Raises
    ------
    DesignError
        If no run of an arm is left, though both are needed.
    """
    km = [timebase.distance_km(s) if "speed_kmh" in s else np.nan for s in samples]
    noted = set_aside or {}
    reason = [
        NotUsed.NO_SPEED()
        if np.isnan(d)
        else (NotUsed.SHORT(km=d) if d < SHORTEST_RUN_KM else noted.get(int(r), ""))
        for r, d in zip(runs["run"], km, strict=True)
    ]
    told = pd.Series(reason, runs.index, dtype=object)
    table = runs.assign(km=np.nan_to_num(km), reason=told, used=told == "")
    if both_arms:
        _require_arms(table)
    return table


def _require_arms(runs: pd.DataFrame) -> None:
    for arm in ARMS:
        mine = runs[runs["arm"] == arm]
        if mine.empty:
            raise DesignError(
                f"no log of the {arm} arm yet: an effect needs runs with the add-on in and out"
            )
        if not mine["used"].any():
            raise DesignError(
                f"no usable run of the {arm} arm: {mine['file'].iloc[0]}: {mine['reason'].iloc[0]}"
            )


def with_levels_refused(
    runs: pd.DataFrame,
    samples: Sequence[Table],
    study: Study,
    estimator: str,
    units: Sequence[Mapping[str, str]],
    *,
    both_arms: bool = True,
) -> pd.DataFrame:
    """Leave out the runs whose fuel no engine can have burned (`roadlog.fuel.levels`).

    Parameters
    ----------
    runs : DataFrame
        With `used` and `reason` of `judged`.
    samples : sequence of DataFrame
        `tables.SAMPLES`, one a run.
    study : Study
    estimator : str
    units : sequence of mapping of signal to unit
        In which units each run's log was read.
    both_arms : bool
        Whether both arms are needed: a car of a fleet may be in one for good.

    Raises
    ------
    DesignError
        If no run of an arm is left, or the runs of an arm together burn what no engine can.
    """
    at = [int(i) for i in np.flatnonzero(runs["used"])]
    level = {i: level_of(samples[i], study, estimator) for i in at}
    said = refusals(
        [samples[i] for i in at], study, estimator, [units[i] for i in at], list(level.values())
    )
    reason = runs["reason"].astype(object)
    reason.iloc[at] = [fault or "" for fault in said]
    table = runs.assign(reason=reason, used=reason == "")
    if both_arms:
        _require_arms(table)
    for arm in ARMS:
        mine = [int(i) for i in np.flatnonzero(table["used"] & (table["arm"] == arm))]
        if mine and (
            fault := arm_refusal(
                [samples[i] for i in mine],
                study,
                estimator,
                units[mine[0]],
                [level[i] for i in mine],
            )
        ):
            raise DesignError(f"the runs of the {arm} arm together can't be right: {fault}")
    return table


def usable_samples(runs: pd.DataFrame, samples: Sequence[T], arm: str | None = None) -> list[T]:
    """Samples of the runs that count, of one arm if it is named."""
    wanted = runs["used"] & ((runs["arm"] == arm) if arm is not None else True)
    return [s for s, use in zip(samples, wanted, strict=True) if use]


def meter(
    study: Study,
    runs: pd.DataFrame,
    samples: Sequence[pd.DataFrame],
    ledger: closure.Ledger,
    notes: pd.DataFrame | None,
    progress: bool,
    units: Sequence[Mapping[str, str]] | None = None,
) -> Metered:
    """Fuel flow and totals of every run, by the best estimate that all usable runs allow.

    Parameters
    ----------
    study : Study
    runs : DataFrame
        With `km`, `used`, `reason` of `judged`.
    samples : sequence of DataFrame
        `tables.SAMPLES`, one a run.
    ledger : Ledger
        Fills tell which batch of fuel a run burned; cans of the baseline calibrate.
    notes : DataFrame, optional
        The driver's notes, which may name the batch.
    progress : bool
        Show progress bars on standard error.
    units : sequence of mapping of signal to unit, optional
        In which units each run's log was read (`read_units`).

    Raises
    ------
    DesignError
        If no fuel can be told, or what is told is no engine's, or each arm has one switch unit.
    """
    read_in = units or [{} for _ in samples]
    told = [columns_of(s) for s in samples]
    gauge, runs = yardstick(study, runs, told, read_in, ledger)
    metered = metered_by(gauge, study, runs, told, ledger, notes, progress)
    return replace(metered, samples=tuple(samples))


@dataclass(frozen=True)
class Yardstick:
    """What makes fuel of a car's signals, alike for all its runs."""

    estimator: str
    calibration: fuel.Calibration
    warnings: tuple[Warned, ...] = ()


def yardstick(
    study: Study,
    runs: pd.DataFrame,
    samples: Sequence[Table],
    units: Sequence[Mapping[str, str]],
    ledger: closure.Ledger,
    *,
    both_arms: bool = True,
) -> tuple[Yardstick, pd.DataFrame]:
    """Choose the estimator and calibrate it; the runs without those that no engine can have burned.

    Parameters
    ----------
    study, runs, samples, units, ledger
        As for `meter`.
    both_arms : bool
        Whether the car is compared with itself. A car of a fleet that is in one arm for good is
        calibrated on the runs that it has.

    Raises
    ------
    DesignError
        As `meter`.
    """
    usable = usable_samples(runs, samples)
    estimator = fuel.choose_estimator(usable, study)
    passed_over = fuel.passed_over(usable, study, estimator)
    runs = with_levels_refused(runs, samples, study, estimator, units, both_arms=both_arms)
    if both_arms:
        require_replication(runs)
    of_arm = [usable_samples(runs, samples, arm) for arm in ARMS]
    calibration = fuel.calibrate(
        of_arm[0] if both_arms else of_arm[0] or of_arm[1],
        study,
        fitted_samples=of_arm[1],
        baseline_fuel_l=weighed_baseline_l(ledger.cans, runs, study),
    )
    told = (*calibration.warnings, *([passed_over] if passed_over else []))
    return Yardstick(estimator, calibration, tuple(Warned("fuel", w) for w in told)), runs


def metered_by(
    gauge: Yardstick,
    study: Study,
    runs: pd.DataFrame,
    samples: Sequence[Table],
    ledger: closure.Ledger,
    notes: pd.DataFrame | None,
    progress: bool,
) -> Metered:
    """Fuel flow and totals of every run by a yardstick; parameters as for `meter`."""
    batches = fuel.fuels_by_run(runs, study, ledger.fills, notes)
    told = [columns_of(s) for s in bar(samples, "fuel", progress)]
    flows = flow_of_each(told, study, gauge.estimator, gauge.calibration, batches)
    return Metered(
        _with_totals(runs, flows, study, batches),
        tuple(flows),
        tuple(batches),
        gauge.estimator,
        gauge.calibration,
        gauge.warnings,
    )


def apart_from_others(study: Study, metered: Metered) -> list[Warned]:
    """Runs that count and whose fuel signals don't go with those of the others."""
    counted = metered.runs[metered.runs["used"].astype(bool)]
    return outlying_signals(
        [metered.samples[i] for i in counted.index],
        counted["file"].tolist(),
        counted["arm"].tolist(),
        petrol=study.vehicle.fuel != "diesel",
    )


def estimators_beside(
    metered: Metered, runs: pd.DataFrame, study: Study, earlier: Earlier = NOTHING_EARLIER
) -> pd.DataFrame:
    """Every estimator side by side: litres per 100 km by arm and the plain change.

    Parameters
    ----------
    metered : Metered
    runs : DataFrame
        `tables.RUNS`, whose `used` may leave out more than `metered.runs` does.
    """
    variants_of = earlier.variants(study, metered.calibration)
    used = runs["used"].to_numpy(dtype=bool)
    of_runs = zip(metered.samples, metered.batches, used, strict=True)
    counted = [(samples, batch) for samples, batch, use in of_runs if use]
    tables = list(earlier.each(lambda of: variants_of(*of), counted))
    sizes = [len(t) for t in tables]
    every = pd.concat(tables, ignore_index=True).assign(
        arm=np.repeat(runs["arm"].to_numpy(dtype=object)[used], sizes),
        km=np.repeat(runs["km"].to_numpy()[used], sizes),
    )
    rows = []
    for name in every["estimator"].unique():
        mine = every[every["estimator"] == name]
        sums = mine.groupby("arm")[["fuel_l", "km"]].sum()
        use = 100 * sums["fuel_l"] / sums["km"]
        by_arm = {arm: float(use.get(arm, np.nan)) for arm in ARMS}
        rows.append(
            {
                "name": name,
                "available": bool(np.isfinite(list(by_arm.values())).all()),
                "expected_error_pct": fuel.ESTIMATORS[name].expected_error_pct,
                "unshared_error_pct": fuel.ESTIMATORS[name].unshared_error_pct,
                "baseline_l_per_100km": by_arm["baseline"],
                "fitted_l_per_100km": by_arm["fitted"],
                "change_pct": 100 * (by_arm["fitted"] / by_arm["baseline"] - 1),
            }
        )
    return pd.DataFrame(rows)


def _with_totals(
    runs: pd.DataFrame,
    flows: Sequence[Table],
    study: Study,
    batches: Sequence[Fuel | None],
) -> pd.DataFrame:
    """Add distance and fuel over the time in which both fuel and speed are known.

    `fuel_l` and its bounds are litres of the declared fuel with the same energy, `l_per_g` what
    makes them; `burned_l`, `burned_kg` are volume at 15 °C and mass as burned, `lhv_mj_kg` its
    lower heating value.
    """
    each = list(zip(flows, batches, strict=True))
    per_gram = np.array([fuel.litres_per_gram(f, study, b) for f, b in each])
    columns: dict[str, Sequence[float] | np.ndarray] = {
        "km": [timebase.distance_km(f, also=("fuel_flow_g_s",)) for f in flows],
        "hours": [float(signal(f, "dt_s").sum()) / 3600 for f in flows],
        "l_per_g": per_gram,
    }
    for column, source in (
        ("fuel_l", "fuel_flow_g_s"),
        ("fuel_low_l", "fuel_flow_low_g_s"),
        ("fuel_high_l", "fuel_flow_high_g_s"),
    ):
        grams = np.array([timebase.integrate(f, source, also=("speed_kmh",)) for f in flows])
        columns[column] = per_gram * grams
        if column == "fuel_l":
            density = [fuel.fuel_of(f, study, b).density_kg_m3 for f, b in each]
            columns |= {"burned_l": grams / np.array(density), "burned_kg": grams / 1000}
            columns["lhv_mj_kg"] = [fuel.fuel_of(f, study, b).lhv_mj_kg for f, b in each]
    totals = runs.assign(**columns)
    no_fuel = totals["used"] & ~(totals["fuel_l"] > 0)
    return totals.assign(
        used=totals["used"] & ~no_fuel,
        reason=totals["reason"].astype(object).where(~no_fuel, NotUsed.NO_FUEL()),
    )
