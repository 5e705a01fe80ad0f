"""What the diagnostic socket shows of mixture and catalyst, by arm; no tailpipe measurement.

In go the samples of every run with arm, switch unit and block; out come the differences of trims,
air-fuel ratio, closed-loop share and catalyst temperature, and the trouble codes and readiness
that the tester noted. Implements emissions of method section 7.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.errors import DesignError
from roadlog.fuel.trims import bank_trims
from roadlog.quantities.signals import CLOSED_LOOP
from roadlog.quantities.warm import warm_samples
from roadlog.stats.compare import Comparison, compare_arms
from roadlog.trials.result import TrialResult

NOT_A_TEST = (
    "This is not a tailpipe measurement: OBD shows how the engine controls itself, not what leaves "
    "the exhaust."
)
CAUTIONS = (
    "Changing parts that affect emissions may be against the law where you live, whatever these "
    "signals show; an emissions test is for a test station.",
)
NOTED = {  # word in the heading of notes.csv: what it is
    "trouble codes": "stored trouble codes",
    "monitors not ready": "readiness monitors not complete",
}


@dataclass(frozen=True)
class Quantity:
    """One OBD quantity: heading, unit, decimals."""

    name: str
    unit: str
    digits: int


QUANTITIES = {
    "trim_pct": Quantity("fuel trims, short and long term together", "%", 2),
    "lambda": Quantity("measured air-fuel ratio, lambda", "", 4),
    "closed_loop_pct": Quantity("time in closed loop", "%", 1),
    "catalyst_temp_c": Quantity("catalyst temperature", "°C", 1),
}


def run_values(samples: pd.DataFrame) -> dict[str, float]:
    """Means of one run over its warm time; NaN for what the log doesn't hold.

    Parameters
    ----------
    samples : DataFrame
        `tables.SAMPLES`.
    """
    weight = np.where(warm_samples(samples), samples["dt_s"].to_numpy(float), 0.0)
    out = dict.fromkeys(QUANTITIES, float("nan"))
    banks = bank_trims(samples)
    if banks:
        out["trim_pct"] = float(np.mean(list(banks.values())))
    for name, column in (("lambda", "lambda_measured"), ("catalyst_temp_c", "catalyst_temp_c")):
        if column in samples:
            out[name] = _mean(samples[column].to_numpy(float), weight)
    if "fuel_status" in samples:
        status = samples["fuel_status"].to_numpy(float)
        closed = np.where(np.isfinite(status), 100.0 * (status == CLOSED_LOOP), np.nan)
        out["closed_loop_pct"] = _mean(closed, weight)
    return out


def by_arm(values: Sequence[Mapping[str, float]], runs: pd.DataFrame) -> dict[str, Comparison]:
    """Difference of each quantity, fitted less baseline, by switch unit.

    Parameters
    ----------
    values : sequence of mapping
        `run_values` of each run.
    runs : DataFrame
        `arm`, `switch_unit`, `block` of the same runs.

    Raises
    ------
    DesignError
        If no quantity is there in both arms.
    """
    table = pd.concat([runs.reset_index(drop=True), pd.DataFrame(list(values))], axis=1)
    out = {}
    for name in QUANTITIES:
        known = table[table[name].notna()]
        if known["arm"].nunique() < 2:
            continue
        units = known.groupby("switch_unit", sort=False).agg(
            arm=("arm", "first"), block=("block", "first"), y=(name, "mean")
        )
        if units.groupby("block")["arm"].nunique().max() < 2:
            units["block"] = ""
        out[name] = compare_arms(units.reset_index(drop=True))
    if not out:
        raise DesignError(
            "no log holds fuel trims, lambda, fuel-system status or catalyst temperature in both "
            "arms: log them to see what the engine control does"
        )
    return out


def compare_engine_signals(
    samples: Sequence[pd.DataFrame],
    runs: pd.DataFrame,
    notes: pd.DataFrame | None = None,
    *,
    device: str = "add-on",
) -> TrialResult:
    """What the engine control shows, by arm: from samples to the trial's result.

    Parameters
    ----------
    samples : sequence of DataFrame
        `tables.SAMPLES` of each run.
    runs : DataFrame
        `arm`, `switch_unit`, `block` of the same runs.
    notes : DataFrame, optional
        See `engine_signals_result`.

    Raises
    ------
    DesignError
        If no quantity is known in both arms.

    >>> arms = ["baseline", "fitted"] * 3
    >>> runs = pd.DataFrame({"arm": arms, "switch_unit": list("abcdef"), "block": ""})
    >>> drive = pd.DataFrame({"t_s": [0.0, 1.0], "dt_s": 1.0, "coolant_temp_c": 90.0})
    >>> samples = [drive.assign(catalyst_temp_c=t) for t in (610, 623, 608, 619, 611, 622)]
    >>> compare_engine_signals(samples, runs).measured
    'catalyst temperature +7.5 to +15.8 °C (95 % interval; estimate +11.7).'
    """
    values = [run_values(s) for s in samples]
    means = arm_means(values, runs["arm"].tolist())
    return engine_signals_result(by_arm(values, runs), means, notes, device=device)


def engine_signals_result(
    compared: Mapping[str, Comparison],
    means: Mapping[str, tuple[float, float]],
    notes: pd.DataFrame | None,
    *,
    device: str = "add-on",
) -> TrialResult:
    """The signals as one part of the claim; there is no single number and no finding.

    Parameters
    ----------
    compared : mapping
        See `by_arm`.
    means : mapping
        Baseline and fitted mean of each quantity.
    notes : DataFrame or None
        `notes.csv` with an `arm` column and columns of `NOTED`, where the tester wrote them down.
    """
    rows = []
    moved = []
    for name, c in compared.items():
        q = QUANTITIES[name]
        rows.append(_row(name, c, means[name]))
        if c.low is not None and c.high is not None and (c.low > 0 or c.high < 0):
            moved.append(f"{q.name} {_change(c, q)}")
    seen = ", ".join(QUANTITIES[n].name for n in compared)
    measured = f"{'; '.join(moved)}." if moved else f"No difference beyond chance in {seen}."
    noted = [_noted(notes, word, what) for word, what in NOTED.items()]
    return TrialResult(
        trial="engine-signals",
        question=f"What does the engine control show with the {device} fitted?",
        claimed="",
        measured=measured,
        estimate=None,
        low=None,
        high=None,
        unit="",
        finding=None,
        strength="Indirect: no statement about emissions can rest on it. " + NOT_A_TEST,
        cautions=CAUTIONS,
        notes=(
            f"{len(compared)} quantities, each at 95 %: one in twenty differs by chance alone.",
            "An add-on that bends an oxygen sensor's signal changes what the car reports without "
            "changing the exhaust alike.",
            *noted,
        ),
        method="t interval of switch-unit means over warm time",
        details={"signals": rows},
    )


def arm_means(
    values: Sequence[Mapping[str, float]], arms: Sequence[str]
) -> dict[str, tuple[float, float]]:
    """Plain mean of each quantity over the runs of each arm (baseline, fitted)."""
    table = pd.DataFrame(list(values)).assign(arm=list(arms)).groupby("arm").mean()
    return {
        name: (float(table[name].get("baseline", np.nan)), float(table[name].get("fitted", np.nan)))
        for name in QUANTITIES
    }


def _mean(values: "np.ndarray[tuple[int], np.dtype[np.float64]]", weight: object) -> float:
    w = np.where(np.isfinite(values), np.asarray(weight, float), 0.0)
    total = w.sum()
    return float(np.nansum(w * np.nan_to_num(values)) / total) if total > 0 else float("nan")


def _change(c: Comparison, q: Quantity) -> str:
    if c.low is None or c.high is None:
        return f"no interval (estimate {c.estimate:+.{q.digits}f} {q.unit}".strip() + ")"
    ends = f"{c.low:+.{q.digits}f} to {c.high:+.{q.digits}f} {q.unit}".strip()
    return f"{ends} (95 % interval; estimate {c.estimate:+.{q.digits}f})"


def _row(name: str, c: Comparison, means: tuple[float, float]) -> dict[str, object]:
    q = QUANTITIES[name]
    return {
        "signal": q.name,
        "unit": q.unit,
        "baseline": round(means[0], 4),
        "fitted": round(means[1], 4),
        "change": c.estimate,
        "low": c.low,
        "high": c.high,
        "df": c.df,
    }


def _noted(notes: pd.DataFrame | None, word: str, what: str) -> str:
    if notes is None or "arm" not in notes.columns:
        return f"{what.capitalize()}: not written down (column '{word}' of notes.csv)."
    column = next((c for c in notes.columns if c.lower().strip() == word), None)
    if column is None:
        return f"{what.capitalize()}: not written down (column '{word}' of notes.csv)."
    said = notes[[column, "arm"]].dropna()
    by_arm_ = said.groupby("arm")[column].agg(lambda s: ", ".join(sorted(set(map(str, s)))))
    return f"{what.capitalize()}: " + "; ".join(f"{a}: {v}" for a, v in by_arm_.items()) + "."
