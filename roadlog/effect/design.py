"""From the pass table to a design: response, arm, switch units, blocks, covariates, weights.

The covariate policy of docs/method.md lives here: which columns may enter which model, in which
order of priority, how many that vary mostly between switch units the study can afford, and which
never enter because they lie on the path from device to fuel.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.effect.power import covariate_budget
from roadlog.effect.reduction import containment_df, orthonormal
from roadlog.errors import DesignError, FitError, InputError
from roadlog.tables import NOTE, REMARK
from roadlog.units import canonical_unit

Floats = NDArray[np.floating[Any]]

# On the path from device to fuel: never conditioned on in the main model.
MEDIATORS = (
    "engine_load", "load_pct", "absolute_load", "maf", "throttle", "pedal", "rpm", "stft", "ltft",
    "trim", "lambda", "intake_air_temp", "coolant_temp", "map_kpa", "oil_temp", "catalyst_temp",
    "cold_share", "fuel_rate", "fuel_flow",
)  # fmt: skip

# What the driver and the road asked: in the equal-driving model, left out of the total effect.
DRIVING = ("demand_kj_per_km", "mean_speed_kmh", "idle_s_per_km")

# Known before or whatever the device does; the order is the priority under the budget.
CONDITIONS = ("warmup_deficit_c", "ambient_c", "headwind_m_s", "wet_road")

WARMUP_TIME_CONSTANT_S = 300.0  # common practice, no source: coolant warms in about ten minutes
WARM_COOLANT_C = 80.0

TREND = "trend over time"
UNITS_PER_TREND_TERM = 4
LEAST_UNITS_FOR_TREND = 6

TERM_UNITS = {
    "arm": "log ratio",
    "demand_kj_per_km": "per kJ/km at mean fuel use",
    "mean_speed_kmh": "per km/h at mean fuel use",
    "idle_s_per_km": "per s/km at mean fuel use",
    "warmup_deficit_c": "per °C below warm",
    "ambient_c": "per °C",
    "headwind_m_s": "per m/s",
    "wet_road": "wet against dry",
}

_PLAIN = {
    "demand_kj_per_km": "demand",
    "mean_speed_kmh": "mean speed",
    "idle_s_per_km": "idle time",
    "warmup_deficit_c": "warm-up",
    "ambient_c": "ambient temperature",
    "headwind_m_s": "headwind",
    "wet_road": "wet road by the weather",
}

_PRESENT = 0.95
_MOSTLY_BETWEEN = 0.5


@dataclass(frozen=True)
class Design:
    """The used passes as arrays, one row a pass.

    `passes` keeps the table's index; `unit`, `other` are integer codes (`other` is None where runs
    and switch units coincide and days add nothing); `unit_fixed` holds intercept and blocks (or the
    trend over time), one row a switch unit, `fixed` the same a pass and the segments,
    `covariates` the centred covariates of the equal-driving model, `fuel_scale` the mean fuel use
    over the segment's own, `weights` the fuel that each pass's segment needs over the pass's
    length, mean 1, and `base_df` the containment degrees of freedom without covariates.
    """

    passes: pd.DataFrame
    y: Floats
    arm: Floats
    unit: NDArray[np.intp]
    units: tuple[str, ...]
    unit_arm: NDArray[np.intp]
    unit_block: tuple[str, ...]
    unit_fixed: Floats
    other: NDArray[np.intp] | None
    other_name: str
    fixed: Floats
    fixed_names: tuple[str, ...]
    covariates: pd.DataFrame
    between: tuple[str, ...]
    blocked: bool
    notes: tuple[str, ...]
    fuel_scale: Floats
    weights: Floats
    base_df: int

    @property
    def names(self) -> list[str]:
        """Covariates of the equal-driving model."""
        return [str(c) for c in self.covariates.columns]

    @property
    def driving(self) -> list[str]:
        """Covariates that describe the driving, absent from the total-effect model."""
        return [c for c in self.names if c in DRIVING]

    @property
    def conditions(self) -> list[str]:
        """Covariates that the arm can't change."""
        return [c for c in self.names if c not in DRIVING]

    def fixed_with(self, covariates: Sequence[str]) -> Floats:
        """The fixed effects without the arm, with these covariates."""
        return np.column_stack([self.fixed, self.covariates[list(covariates)].to_numpy()])

    def df(self, covariates: Sequence[str]) -> int:
        """Containment degrees of freedom with these covariates."""
        return self.base_df - sum(c in self.between for c in covariates)


def refuse_mediators(covariates: Sequence[str]) -> None:
    """Raise InputError if a covariate lies on the path from device to fuel.

    >>> refuse_mediators(["ambient_c"])
    """
    for name in covariates:
        hit = [m for m in MEDIATORS if m in name.lower()]
        if hit:
            raise InputError(
                f"'{name}' can't be a covariate of the main model: the device may change it, and "
                "holding it equal would hide the effect; leave it out of [analysis]"
            )


def require_replication(rows: pd.DataFrame) -> None:
    """Raise DesignError if each arm has one switch unit (`rows`: columns `arm`, `switch_unit`)."""
    counts = rows.groupby("arm")["switch_unit"].nunique()
    if counts.max() == 1:
        raise DesignError(
            "one switch unit in each arm can't tell the add-on from the day: switch it in and out "
            "again on other days (12 days in randomised pairs are a good start); if it was "
            "switched daily, say --switched-by day"
        )


def plain_name(column: str) -> str:
    """A pass-table column in words.

    >>> plain_name("note_cold_tyre_pressure_kpa"), plain_name("ambient_c")
    ('cold tyre pressure', 'ambient temperature')
    """
    words = _PLAIN.get(column)
    if words:
        return words
    parts = column.removeprefix(NOTE).removeprefix(REMARK).split("_")
    if len(parts) > 1 and canonical_unit(parts[-1]):
        parts = parts[:-1]
    return " ".join(parts)


def build_design(
    passes: pd.DataFrame, covariates: Sequence[str] | None = None, *, randomised: bool = True
) -> Design:
    """Turn the pass table into a design.

    Where chance didn't decide the order of arms, a drift leaks through blocks (fitted always second
    in its pair gains a day's drift in each), so a smooth trend over the order of switch units
    stands in their place (`_trend`), from `LEAST_UNITS_FOR_TREND` units on. Measured in
    docs/calibration.md, group E.

    Parameters
    ----------
    passes : DataFrame
        `roadlog.tables.PASSES`; rows with `used` False are left out.
    covariates : sequence of str, optional
        Exactly these covariates instead of the policy's own (still within the budget).
    randomised : bool
        Whether chance decided the order of arms.

    Raises
    ------
    DesignError
        One arm only, one switch unit an arm, or no segment driven in both arms.
    InputError
        A covariate that is unknown or lies on the path from device to fuel.
    """
    used = _comparable(passes[passes["used"].astype(bool)])
    segments = list(dict.fromkeys(used["segment"]))
    unit, unit_labels = pd.factorize(used["switch_unit"], sort=False)
    first = used.groupby(unit)[["arm", "block"]].first()
    unit_arm = (first["arm"] == "fitted").to_numpy().astype(np.intp)
    _check_units(used, unit, unit_labels)
    arm = (used["arm"] == "fitted").to_numpy().astype(float)
    unit_block, blocked = _blocks(first)
    trend = _trend(unit_arm) if not randomised else np.empty((len(unit_arm), 0))
    blocked = blocked and trend.shape[1] == 0
    y = np.log(used["ml_per_km"].to_numpy(dtype=float))

    blocks = list(dict.fromkeys(unit_block))[1:] if blocked else []
    unit_fixed = np.column_stack(
        [block_columns(len(unit_arm), unit_block if blocked else None), trend]
    )
    names = [
        "intercept",
        *(f"block {b}" for b in blocks),
        *(f"{TREND} {degree}" for degree in range(1, trend.shape[1] + 1)),
        *(f"segment {s}" for s in segments[1:]),
    ]
    of_segment = [(used["segment"] == s).to_numpy().astype(float) for s in segments[1:]]
    fixed = np.column_stack([unit_fixed[unit], *of_segment])
    other, other_name = _other_grouping(used, unit)
    by_segment = segment_fuel_ml_per_km(used)
    fuel_scale = by_segment.mean() / by_segment
    weights = by_segment * used["distance_km"].to_numpy(dtype=float)
    base_df = containment_df(fixed, unit, arm, other)
    table, between, notes = _covariates(used, fixed, arm, unit, base_df, fuel_scale, covariates)
    return Design(
        passes=used,
        y=y,
        arm=arm,
        unit=unit,
        units=tuple(str(u) for u in unit_labels),
        unit_arm=unit_arm,
        unit_block=unit_block,
        unit_fixed=unit_fixed,
        other=other,
        other_name=other_name,
        fixed=fixed,
        fixed_names=tuple(names),
        covariates=table,
        between=between,
        blocked=blocked,
        notes=notes,
        fuel_scale=fuel_scale,
        weights=weights / weights.mean(),
        base_df=base_df,
    )


def segment_fuel_ml_per_km(used: pd.DataFrame) -> Floats:
    """Fuel use (n,) of each pass's segment: the mean of the two arms' means.

    Weights in proportion to it turn the mean of the segments' log ratios into the log ratio of
    their summed fuel. Vartia's weights, the segments' logarithmic means of the arms over that of
    the sums, do so exactly; these are 0.01 points off where a change of 10 % is 6 % on the
    thirstiest segment and 42 % on the least thirsty.

    References
    ----------
    Vartia Y.O. (1976), Ideal log-change index numbers, Scand. J. Statist. 3, 121-126.

    >>> used = pd.DataFrame({"segment": ["a", "a", "a", "b", "b"], "ml_per_km": [40, 40, 50, 9, 11],
    ...                      "arm": ["baseline", "baseline", "fitted", "baseline", "fitted"]})
    >>> segment_fuel_ml_per_km(used).tolist()
    [45.0, 45.0, 45.0, 10.0, 10.0]
    """
    by_arm = used.groupby(["segment", "arm"])["ml_per_km"].mean().unstack()
    return by_arm.mean(axis=1).reindex(used["segment"]).to_numpy(dtype=float)


def warmup_deficit_c(coolant_start_c: Floats, since_start_s: Floats) -> Floats:
    """How far the engine is below warm at entry [°C], from its state at the start alone.

    Coolant in mid-run isn't used, because the device could change it; the deficit at the start
    decays with a fixed time constant.
    """
    deficit = np.maximum(WARM_COOLANT_C - coolant_start_c, 0.0)
    return np.asarray(deficit * np.exp(-since_start_s / WARMUP_TIME_CONSTANT_S))


def _comparable(used: pd.DataFrame) -> pd.DataFrame:
    if used.empty:
        raise DesignError("no pass is usable: see the reasons in passes.csv, or add runs")
    for arm in ("baseline", "fitted"):
        if not (used["arm"] == arm).any():
            raise DesignError(
                f"no usable run of the {arm} arm: an effect needs runs with the add-on in and out"
            )
    both = used.groupby("segment")["arm"].nunique()
    kept = used[
        used["segment"].isin(both.index[both == 2]) & ~used["segment"].isin(without_fuel(used))
    ]
    if kept.empty:
        raise DesignError(
            "no segment was driven in both arms and burned fuel in every pass, so arm and road "
            "can't be told apart: drive the same road with the add-on in and out"
        )
    order = ["start", "run"] if kept["start"].notna().all() else ["run"]
    return kept.sort_values(order, kind="stable")


def without_fuel(used: pd.DataFrame) -> list[str]:
    """Segments that a pass drove wholly on the overrun: no fuel has no logarithm.

    They are left out in both arms. Leaving out the pass alone would choose by outcome.
    """
    least = used.groupby("segment")["ml_per_km"].min()
    return [str(s) for s in least.index[least <= 0]]


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


def block_columns(n: int, blocks: Sequence[str] | None) -> Floats:
    """Intercept and indicators of all blocks but the first (n, k)."""
    labels = np.asarray([] if blocks is None else blocks)
    return np.column_stack(
        [np.ones(n), *((labels == b).astype(float) for b in [*dict.fromkeys(labels)][1:])]
    )


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
    line = 2 * place - 1
    return np.column_stack([line, *(np.cos(np.pi * k * place) for k in range(2, terms + 1))])


def _other_grouping(
    used: pd.DataFrame, unit: NDArray[np.intp]
) -> tuple[NDArray[np.intp] | None, str]:
    """Runs within switch units, or days over them; None where neither adds a level."""
    run = pd.factorize(used["run"])[0]
    if unit.max() < run.max() < len(run) - 1:
        return run, "run"
    day = pd.factorize(used["day"])[0]
    if 0 < day.max() < unit.max():
        return day, "day"
    return None, ""


def _covariates(
    used: pd.DataFrame,
    fixed: Floats,
    arm: Floats,
    unit: NDArray[np.intp],
    base_df: int,
    fuel_scale: Floats,
    wanted: Sequence[str] | None,
) -> tuple[pd.DataFrame, tuple[str, ...], tuple[str, ...]]:
    """Centred covariates that the policy and the budget admit, those between units, and notes.

    A kJ/km or an idle second costs about the same fuel on every segment, so in the logarithm it
    weighs more where the segment needs less: driving covariates are taken about their segment's
    mean and scaled by `fuel_scale`.
    """
    n_units = int(unit.max()) + 1
    candidates = used.copy()
    candidates["warmup_deficit_c"] = warmup_deficit_c(
        used["coolant_start_c"].to_numpy(dtype=float), used["since_start_s"].to_numpy(dtype=float)
    )
    notes_columns = [c for c in used.columns if c.startswith(NOTE)]
    refuse_mediators(notes_columns)
    policy = [c for c in (*DRIVING, *CONDITIONS, *notes_columns) if c in candidates]
    names = policy if wanted is None else list(wanted)
    if wanted is not None:
        refuse_mediators(names)
        unknown = [c for c in names if c not in candidates.columns]
        if unknown:
            raise InputError(f"covariate '{unknown[0]}' is not in the pass table: see passes.csv")
    basis = orthonormal(fixed)
    budget = covariate_budget(n_units, base_df)
    kept: dict[str, Floats] = {}
    between: list[str] = []
    left_out: dict[str, list[str]] = {}

    def leave_out(name: str, why: str) -> None:
        left_out.setdefault(why, []).append(plain_name(name))

    for name in names:
        values = pd.Series(
            pd.to_numeric(candidates[name], errors="coerce"), index=used.index, dtype=float
        )
        share = float(np.isfinite(values).mean())
        if share < _PRESENT:
            if name in notes_columns and candidates[name].notna().mean() >= _PRESENT:
                leave_out(name, "noted in words, not as numbers or yes and no")
            elif share > 0 or wanted is not None or name in notes_columns:
                leave_out(name, f"known for only {share:.0%} of the passes")
            continue
        filled = values.fillna(values.groupby(used["run"]).transform("mean")).fillna(values.mean())
        centred = np.asarray(filled - filled.mean(), dtype=float)
        if name in DRIVING:
            own = filled.groupby(used["segment"]).transform("mean")
            centred = np.asarray(filled - own, dtype=float) * fuel_scale
        left = centred - basis @ (basis.T @ centred)
        if float(left @ left) <= 1e-12 * max(float(centred @ centred), 1e-24):
            if wanted is not None or float(centred @ centred) > 0:
                leave_out(name, "constant within segments and blocks")
            continue
        others = (k - basis @ (basis.T @ k) for k in kept.values())
        span = orthonormal(np.column_stack([np.asarray(left), *others]))
        if kept and span.shape[1] <= len(kept):
            leave_out(name, "determined by other covariates")
            continue
        if _takes_the_arm(arm, basis, span):
            if wanted is not None:
                raise DesignError(
                    f"arm and {plain_name(name)} went together in every pass, so their effects "
                    f"can't be told apart: leave '{name}' out of [analysis] covariates"
                )
            leave_out(name, "going together with the arm in every pass")
            continue
        if _between_share(left, unit) > _MOSTLY_BETWEEN:
            if len(between) >= budget:
                leave_out(
                    name,
                    f"varying mostly between switch units, and {n_units} units carry at most "
                    f"{budget} such covariate{'s' if budget != 1 else ''}",
                )
                continue
            between.append(name)
        kept[name] = centred
    table = pd.DataFrame(kept, index=used.index)
    notes = tuple(f"{', '.join(who)}: {why}" for why, who in left_out.items())
    return table, tuple(between), notes


def _takes_the_arm(arm: Floats, basis: Floats, span: Floats) -> bool:
    """Whether covariates (orthonormal `span`) leave nothing of the arm that `basis` left."""
    left = arm - basis @ (basis.T @ arm)
    both = orthonormal(np.column_stack([basis, span]))
    rest = arm - both @ (both.T @ arm)
    return float(rest @ rest) <= 1e-8 * float(left @ left)


def _between_share(left: Floats, unit: NDArray[np.intp]) -> float:
    """Share of a covariate's variance, segments and blocks removed, that lies between units."""
    counts = np.bincount(unit)
    means = np.bincount(unit, weights=left) / counts
    return float((counts * means**2).sum() / (left @ left))


def require_rows(design: Design) -> None:
    """Raise FitError if the passes can't carry the fixed effects."""
    n, p = design.fixed.shape
    if n <= p + design.covariates.shape[1] + 2:
        raise FitError(
            f"{n} passes can't carry {p} segments and blocks: add runs, or lengthen the segments"
        )
