"""What could be wrong with the design or the fit: aliasing, drift, influence, missing passes.

In go the design and the primary fit; out come the tables that the report shows and warnings with
stable codes.
"""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.effect.crosschecks import fit_percent, percent, percent_interval, unit_t
from roadlog.effect.design import TREND, Design, plain_name, without_fuel
from roadlog.effect.primary import fit_primary
from roadlog.effect.reduction import containment_df, reduce_design
from roadlog.errors import FitError, RoadlogError
from roadlog.results import Interval, Warned
from roadlog.tables import NOTE, REMARK

Floats = NDArray[np.floating[Any]]

_MOVES = 0.75
ALIASED = 0.6  # |correlation| of the arm with another unit-level quantity that is worth a warning

_WORTH_TELLING = 0.03  # difference of kept shares from which unequal loss is worth a warning
_UNEVEN_LEVEL = 0.10
_PRIOR_UNITS = 8


def design_table(design: Design, randomised: bool) -> pd.DataFrame:
    """Correlation of the arm with calendar time, temperature, hour, weather ... by switch unit.

    A note stands where it is over `ALIASED` and, if chance decided the order, beyond what chance
    draws in one of twenty orders: smaller ones are what the interval already allows for.
    """
    limit = max(ALIASED, _chance_correlation(len(design.units))) if randomised else ALIASED
    p = design.passes
    unit_rows = p.groupby(design.unit)
    quantities: dict[str, pd.Series] = {"order in time": pd.Series(np.arange(len(design.units)))}
    if p["start"].notna().all():
        hours = p["start"].dt.hour + p["start"].dt.minute / 60
        quantities["hour of day"] = hours.groupby(design.unit).mean()
        weekday = p["start"].dt.day_of_week.astype(float)
        quantities["weekday"] = weekday.groupby(design.unit).mean()
    for column, name in (
        ("fuel_lhv_mj_kg", "fuel's energy by batch"),
        ("ambient_c", "ambient temperature"),
        ("air_density_kg_m3", "air density"),
        ("headwind_m_s", "headwind"),
        ("coolant_start_c", "coolant at start"),
    ):
        if column in p:
            quantities[name] = unit_rows[column].mean()
    for column in (c for c in p.columns if c.startswith((NOTE, REMARK))):
        quantities |= _of_note(p[column], design)
    rows = []
    for name, values in quantities.items():
        v = values.to_numpy(dtype=float)
        if not np.isfinite(v).all() or np.ptp(v) < 1e-9:
            continue
        r = float(np.corrcoef(v, design.unit_arm)[0, 1])
        note = "arm and this can't be told apart well" if abs(r) > limit else ""
        rows.append({"what": name, "correlation": r, "note": note})
    return pd.DataFrame(rows, columns=["what", "correlation", "note"])


def _of_note(note: pd.Series, design: Design) -> dict[str, pd.Series]:
    """Unit means of a noted number; of noted words (tank A, tank B), the one nearest to the arm."""
    name = plain_name(str(note.name))
    numbers = pd.to_numeric(note, errors="coerce")
    if numbers.notna().all():
        return {name: numbers.groupby(design.unit).mean()}
    words = note.astype(object).where(note.notna(), "").astype(str).str.strip()
    levels = [w for w in words.unique() if w]
    if not 2 <= len(set(words)) <= len(design.units) // 2:
        return {}
    shares = {
        f"{name}: {w}": (words == w).astype(float).groupby(design.unit).mean() for w in levels
    }
    varied = {k: v for k, v in shares.items() if np.ptp(v.to_numpy()) > 0}
    if not varied:
        return {}
    near = max(varied, key=lambda k: abs(np.corrcoef(varied[k], design.unit_arm)[0, 1]))
    return {near: varied[near]}


def _chance_correlation(units: int) -> float:
    """Size of correlation [-] that independent normal pairs exceed in 5 % of samples."""
    from scipy.special import stdtrit

    t = float(stdtrit(units - 2, 0.975)) if units > 2 else np.inf
    return float(1 / np.sqrt(1 + (units - 2) / t**2)) if np.isfinite(t) else 1.0


def leave_one_out(design: Design) -> pd.DataFrame:
    """The primary effect with each switch unit left out in turn (percent).

    NaN where no degree of freedom is left without the unit: arm and covariates can't be told apart.
    """
    names = design.names
    fixed = design.fixed_with(names)
    rows = []
    for k, label in enumerate(design.units):
        keep = design.unit != k
        other = None if design.other is None else design.other[keep]
        df = containment_df(design.fixed[keep], design.unit[keep], design.arm[keep], other)
        df -= len(design.between)
        try:
            if df < 1:
                raise FitError("no degree of freedom is left between switch units")
            reduced = reduce_design(
                fixed[keep],
                design.arm[keep],
                design.unit[keep],
                other,
                design.weights[keep],
                df,
            )
            fit = fit_primary(reduced, design.y[keep])
        except RoadlogError:
            rows.append({"switch_unit": label, "estimate": np.nan, "low": np.nan, "high": np.nan})
            continue
        rows.append({"switch_unit": label, **fit_percent(fit)})
    return pd.DataFrame(rows)


def influence_warnings(primary: Interval, table: pd.DataFrame) -> list[Warned]:
    """Name a switch unit whose removal moves the estimate by over 3/4 of the half-width left.

    The half-width without the unit is the yardstick: one wild day widens the whole study's interval
    so much that nothing can move the estimate out of it. Measured with independent normal days, the
    warning comes for no reason in 0-9 % of studies (8-20 days, most for 8 days in pairs), and for
    one day that is 10 standard deviations out in 55-97 %.
    """
    if primary.low is None or primary.high is None or table.empty:
        return []
    whole = (primary.high - primary.low) / 2
    half = ((table["high"] - table["low"]) / 2).fillna(whole)
    moves = (table["estimate"] - primary.estimate).abs()
    if not (moves > _MOVES * half).any():
        return []
    worst = table.iloc[int(np.nanargmax((moves / half).to_numpy()))]
    return [
        Warned(
            "influential-unit",
            f"switch unit {worst['switch_unit']} carries much of the result: without it the change "
            f"is {worst['estimate']:+.1f} % instead of {primary.estimate:+.1f} %",
        )
    ]


def design_warnings(design: Design, table: pd.DataFrame, randomised: bool) -> list[Warned]:
    """Warnings about the schedule: order not randomised, aliasing, too few units."""
    out = []
    if not randomised:
        out.append(
            Warned(
                "order-not-randomised",
                "the order of arms wasn't randomised, so a drift over the weeks (weather, fuel, "
                "tyres) can look like an effect of the add-on",
            )
        )
    for row in table.itertuples():
        if row.note:
            out.append(
                Warned(
                    "aliased",
                    f"the arm goes together with {row.what} (correlation {row.correlation:+.2f}): "
                    "their effects can't be told apart well",
                )
            )
    return out


def drift_warnings(design: Design, unit_values: Floats) -> list[Warned]:
    """Warn if the switch units' adjusted means drift with time beyond chance (5 % level)."""
    order = np.arange(len(design.units), dtype=float)
    x = np.column_stack([np.ones_like(order), design.unit_arm, order])
    if len(order) < 6:
        return []
    from scipy.special import stdtr

    beta, _, rank, _ = np.linalg.lstsq(x, unit_values, rcond=None)
    df = len(order) - rank
    residual = unit_values - x @ beta
    variance = residual @ residual / df * np.linalg.pinv(x.T @ x)[2, 2]
    if rank < 3 or variance <= 0:
        return []
    p = 2 * stdtr(df, -abs(beta[2]) / np.sqrt(variance))
    if p >= 0.05:
        return []
    if design.blocked:
        kept_out = "blocks of neighbouring switch units keep it out of the effect"
    elif any(name.startswith(TREND) for name in design.fixed_names):
        kept_out = "a smooth trend in the model keeps it out of the effect as far as it was smooth"
    else:
        kept_out = "and nothing in the design keeps it out of the effect"
    change = percent(beta[2] * (len(order) - 1))
    return [Warned("drift", f"fuel use drifted by {change:+.1f} % over the study; {kept_out}")]


def missing_warnings(passes: pd.DataFrame) -> list[Warned]:
    """Warn if one arm lost more of its passes than chance explains.

    Lost are passes that were excluded, and segments that a run of the study's usual route lacks.
    A miss costs more here than a false alarm, so the level is 10 %; rates: docs/calibration.md.
    """
    if passes.empty or passes["run"].nunique() < 4:
        return []
    usual = float(passes.groupby("run")["segment"].nunique().quantile(0.9))
    used = passes[passes["used"].astype(bool)].groupby("run")["segment"].nunique()
    runs = passes.groupby("run").agg(arm=("arm", "first"), unit=("switch_unit", "first"))
    runs["kept"] = used.reindex(runs.index).fillna(0).clip(upper=usual)
    runs["driven"] = usual
    units = runs.groupby("unit").agg({"arm": "first", "kept": "sum", "driven": "sum"})
    fitted = (units["arm"] == "fitted").to_numpy()
    if fitted.sum() < 2 or (~fitted).sum() < 2:
        return []
    kept, driven = units["kept"].to_numpy(dtype=float), units["driven"].to_numpy(dtype=float)
    share = {arm: kept[fitted == arm].sum() / driven[fitted == arm].sum() for arm in (False, True)}
    if abs(share[True] - share[False]) < _WORTH_TELLING:
        return []
    if _uneven_p(kept, driven, fitted) >= _UNEVEN_LEVEL:
        return []
    return [
        Warned(
            "uneven-missing",
            f"the arms lost unequal shares of their passes (baseline kept {share[False]:.0%}, "
            f"fitted {share[True]:.0%}): if hard drives dropped out of one arm, the effect is "
            "biased",
        )
    ]


def without_fuel_warnings(passes: pd.DataFrame) -> list[Warned]:
    """Name the segments that are left out because a pass burned nothing on them."""
    names = without_fuel(passes[passes["used"].astype(bool)])
    if not names:
        return []
    return [
        Warned(
            "segment-without-fuel",
            f"segment {' and '.join(names)} left out in both arms: a pass there was driven wholly "
            "on the overrun and burned nothing, which can't be compared as a ratio",
        )
    ]


def _uneven_p(kept: Floats, driven: Floats, fitted: NDArray[np.bool_]) -> float:
    """Two-sided p of equal kept shares in both arms, from counts (units,) of passes.

    Binomial variance times an overdispersion of at least 1, estimated between the switch units of
    an arm and drawn towards 1 as if `_PRIOR_UNITS` more units had shown binomial scatter: a few
    units alone can't tell it.

    References
    ----------
    McCullagh P., Nelder J.A. (1989), Generalized Linear Models, 2nd ed., section 4.5
    (overdispersion; from memory).
    """
    from scipy.special import stdtr

    n = np.array([driven[~fitted].sum(), driven[fitted].sum()])
    share = np.array([kept[~fitted].sum(), kept[fitted].sum()]) / n
    pooled = kept.sum() / driven.sum()
    variance = pooled * (1 - pooled)
    if variance <= 0:
        return 1.0
    scatter = ((kept - driven * share[fitted.astype(int)]) ** 2 / (driven * variance)).sum()
    df = len(kept) - 2
    overdispersion = max(1.0, float(_PRIOR_UNITS + scatter) / (_PRIOR_UNITS + df))
    se = np.sqrt(overdispersion * variance * (1 / n).sum())
    return float(2 * stdtr(_PRIOR_UNITS + df, -abs(share[1] - share[0]) / se))


def segment_effects(design: Design, adjusted: Floats) -> pd.DataFrame:
    """Change by segment (percent) from switch-unit means of the adjusted log fuel use."""
    rows = []
    segment = design.passes["segment"].to_numpy()
    n_units = len(design.units)
    for s in dict.fromkeys(segment):
        here = segment == s
        count = np.bincount(design.unit[here], minlength=n_units)
        total = np.bincount(design.unit[here], weights=adjusted[here], minlength=n_units)
        means = np.where(count > 0, total / np.maximum(count, 1), np.nan)
        tau, half, df = unit_t(means, design.unit_arm, design.unit_fixed)
        if not np.isfinite(tau):
            tau, half, df = unit_t(means, design.unit_arm, None)
        interval = percent_interval(tau, half, df, "")
        rows.append(
            {
                "segment": s,
                "change_pct": interval.estimate,
                "low": np.nan if interval.low is None else interval.low,
                "high": np.nan if interval.high is None else interval.high,
                "passes_baseline": int((here & (design.arm == 0)).sum()),
                "passes_fitted": int((here & (design.arm == 1)).sum()),
            }
        )
    return pd.DataFrame(rows)
