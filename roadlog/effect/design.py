"""From the pass table to a design: response, arm, switch units, blocks, covariates, weights.

The covariate policy of docs/method.md lives here: which columns may enter which model, in which
order of priority, how many that vary mostly between switch units the study can afford, and which
never enter because they lie on the path from device to fuel.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.effect.layout import lay_out, without_fuel
from roadlog.errors import DesignError, InputError
from roadlog.quantities.arrays import Floats
from roadlog.quantities.tables import NOTE, REMARK
from roadlog.quantities.units import canonical_unit
from roadlog.quantities.warm import WARMED_UP_COOLANT_C, WARMUP_TIME_CONSTANT_S
from roadlog.stats.power import covariate_budget
from roadlog.stats.reduction import containment_df, orthonormal

# On the path from device to fuel: never conditioned on in the main model.
MEDIATORS = (
    "engine_load", "load_pct", "absolute_load", "maf", "throttle", "pedal", "rpm", "stft", "ltft",
    "trim", "lambda", "intake_air_temp", "coolant_temp", "map_kpa", "oil_temp", "catalyst_temp",
    "cold_share", "fuel_rate", "fuel_flow", "guess",
)  # fmt: skip

# What the driver and the road asked: in the equal-driving model, left out of the total effect.
DRIVING = ("demand_kj_per_km", "mean_speed_kmh", "idle_s_per_km")

# Known before or whatever the device does; the order is the priority under the budget.
CONDITIONS = ("warmup_deficit_c", "ambient_c", "headwind_m_s", "wet_road")

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
    """Turn the pass table into a design of log fuel use (`lay_out` says what is comparable).

    Parameters
    ----------
    passes : DataFrame
        `roadlog.quantities.tables.PASSES`; rows with `used` False are left out, and segments on
        which a pass burned nothing.
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
    layout = lay_out(_with_fuel(passes), randomised=randomised)
    used, unit, unit_arm = layout.passes, layout.unit, layout.unit_arm
    segments = list(dict.fromkeys(used["segment"]))
    arm = unit_arm[unit].astype(float)
    unit_fixed = layout.unit_fixed
    y = np.log(used["ml_per_km"].to_numpy(dtype=float))
    names = [*layout.fixed_names, *(f"segment {s}" for s in segments[1:])]
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
        units=layout.units,
        unit_arm=unit_arm,
        unit_block=layout.unit_block,
        unit_fixed=unit_fixed,
        other=other,
        other_name=other_name,
        fixed=fixed,
        fixed_names=tuple(names),
        covariates=table,
        between=between,
        blocked=layout.blocked,
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
    deficit = np.maximum(WARMED_UP_COOLANT_C - coolant_start_c, 0.0)
    return np.asarray(deficit * np.exp(-since_start_s / WARMUP_TIME_CONSTANT_S))


def _with_fuel(passes: pd.DataFrame) -> pd.DataFrame:
    """The used passes of segments on which every pass burned fuel."""
    used = passes[passes["used"].astype(bool)]
    kept = used[~used["segment"].isin(without_fuel(used))]
    if len(used) and kept.empty:
        raise DesignError("no segment burned fuel in every pass, so that fuel has no logarithm")
    return kept


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
    candidates, names = _candidates(used, wanted)
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
            if name.startswith(NOTE) and candidates[name].notna().mean() >= _PRESENT:
                leave_out(name, "noted in words, not as numbers or yes and no")
            elif share > 0 or wanted is not None or name.startswith(NOTE):
                leave_out(name, f"known for only {share:.0%} of the passes")
            continue
        centred = _centred(values, used, fuel_scale if name in DRIVING else None)
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
    notes = tuple(f"{', '.join(who)}: {why}" for why, who in left_out.items())
    return pd.DataFrame(kept, index=used.index), tuple(between), notes


def _candidates(used: pd.DataFrame, wanted: Sequence[str] | None) -> tuple[pd.DataFrame, list[str]]:
    """The passes with every column that may be a covariate, and their names by priority."""
    candidates = used.assign(
        warmup_deficit_c=warmup_deficit_c(
            used["coolant_start_c"].to_numpy(dtype=float),
            used["since_start_s"].to_numpy(dtype=float),
        )
    )
    noted = [c for c in used.columns if c.startswith(NOTE)]
    refuse_mediators(noted)
    if wanted is None:
        return candidates, [c for c in (*DRIVING, *CONDITIONS, *noted) if c in candidates]
    refuse_mediators(wanted)
    unknown = [c for c in wanted if c not in candidates.columns]
    if unknown:
        raise InputError(f"covariate '{unknown[0]}' is not in the pass table: see passes.csv")
    return candidates, list(wanted)


def _centred(values: pd.Series, used: pd.DataFrame, fuel_scale: Floats | None) -> Floats:
    """A covariate without gaps, about its mean; with a scale, about its segments' and scaled."""
    filled = values.fillna(values.groupby(used["run"]).transform("mean")).fillna(values.mean())
    if fuel_scale is None:
        return np.asarray(filled - filled.mean(), dtype=float)
    own = filled.groupby(used["segment"]).transform("mean")
    return np.asarray(filled - own, dtype=float) * fuel_scale


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
