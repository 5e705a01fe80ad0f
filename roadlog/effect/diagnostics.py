"""What could be wrong with the design or the fit: aliasing, drift, influence, missing passes.

In go the design and the primary fit; out come the tables that the report shows and warnings with
stable codes.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.effect.design import plain_name
from roadlog.effect.expected_fuel import ExpectedFuel
from roadlog.effect.layout import Layout, without_fuel
from roadlog.effect.left_out import without_each_unit
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Warned
from roadlog.quantities.tables import NOTE, REMARK
from roadlog.stats.interval import Interval, percent, percent_interval
from roadlog.stats.unit_contrast import contrast_units, unit_t

_MOVES = 0.75
LEAST_SPREAD = {"hour of day": 1.0}  # between units; minutes of lateness are no time of day
ALIASED = 0.6  # |correlation| of the arm with another unit-level quantity that is worth a warning

_WORTH_TELLING = 0.03  # difference of kept shares from which unequal loss is worth a warning
_UNEVEN_LEVEL = 0.10
_PRIOR_UNITS = 8


def design_table(layout: Layout, randomised: bool) -> pd.DataFrame:
    """Correlation of the arm with calendar time, temperature, hour, weather ... by switch unit.

    A note stands where it is over `ALIASED` and, if chance decided the order, beyond what chance
    draws in one of twenty orders: smaller ones are what the interval already allows for.
    """
    limit = max(ALIASED, _chance_correlation(len(layout.units))) if randomised else ALIASED
    p = layout.passes
    unit_rows = p.groupby(layout.unit)
    quantities: dict[str, pd.Series] = {"order in time": pd.Series(np.arange(len(layout.units)))}
    if p["start"].notna().all():
        hours = p["start"].dt.hour + p["start"].dt.minute / 60
        quantities["hour of day"] = hours.groupby(layout.unit).mean()
        weekday = p["start"].dt.day_of_week.astype(float)
        quantities["weekday"] = weekday.groupby(layout.unit).mean()
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
        quantities |= _of_note(p[column], layout)
    rows = []
    for name, values in quantities.items():
        v = values.to_numpy(dtype=float)
        if not np.isfinite(v).all() or np.ptp(v) < LEAST_SPREAD.get(name, 1e-9):
            continue
        r = float(np.corrcoef(v, layout.unit_arm)[0, 1])
        note = "arm and this can't be told apart well" if abs(r) > limit else ""
        rows.append({"what": name, "correlation": r, "note": note})
    return pd.DataFrame(rows, columns=["what", "correlation", "note"])


def _of_note(note: pd.Series, layout: Layout) -> dict[str, pd.Series]:
    """Unit means of a noted number; of noted words (tank A, tank B), the one nearest to the arm."""
    name = plain_name(str(note.name))
    numbers = pd.to_numeric(note, errors="coerce")
    if numbers.notna().all():
        return {name: numbers.groupby(layout.unit).mean()}
    words = note.astype(object).where(note.notna(), "").astype(str).str.strip()
    levels = [w for w in words.unique() if w]
    if not 2 <= len(set(words)) <= len(layout.units) // 2:
        return {}
    shares = {
        f"{name}: {w}": (words == w).astype(float).groupby(layout.unit).mean() for w in levels
    }
    varied = {k: v for k, v in shares.items() if np.ptp(v.to_numpy()) > 0}
    if not varied:
        return {}
    near = max(varied, key=lambda k: abs(np.corrcoef(varied[k], layout.unit_arm)[0, 1]))
    return {near: varied[near]}


def _chance_correlation(units: int) -> float:
    """Size of correlation [-] that independent normal pairs exceed in 5 % of samples."""
    from scipy.special import stdtrit

    t = float(stdtrit(units - 2, 0.975)) if units > 2 else np.inf
    return float(1 / np.sqrt(1 + (units - 2) / t**2)) if np.isfinite(t) else 1.0


def leave_one_out(layout: Layout, fit: ExpectedFuel) -> pd.DataFrame:
    """The primary effect with each switch unit left out in turn (percent).

    Expected fuel is fitted anew without the unit, unless its coefficients were given beforehand.
    NaN where the other units can't be compared.
    """
    rows = []
    for k, (label, others) in enumerate(zip(layout.units, without_each_unit(fit), strict=True)):
        arm, fixed = layout.without(k)
        found = contrast_units(
            others.ratio_log, arm, fixed, others.unit_expected_ml, others.pass_variance
        )
        if found is None or found.df < 1 or not others.converged:
            rows.append({"switch_unit": label, "estimate": np.nan, "low": np.nan, "high": np.nan})
            continue
        half = found.half_width()
        rows.append(
            {
                "switch_unit": label,
                "estimate": percent(found.tau),
                "low": percent(found.tau - half),
                "high": percent(found.tau + half),
            }
        )
    return pd.DataFrame(rows)


def driving_warnings(outcomes: pd.DataFrame) -> list[Warned]:
    """Name the driving that differed between the arms beyond chance (5 % shared, Bonferroni)."""
    moved = outcomes[outcomes["p"] < 0.05 / max(len(outcomes), 1)]
    if moved.empty:
        return []
    told = " and ".join(f"{r.outcome} by {r.estimate:+.1f} {r.unit}" for r in moved.itertuples())
    return [
        Warned(
            "driving-differed",
            "the driving differed between the arms by more than chance (estimates: "
            f"{told}); the effect holds it equal, and the margin of the finding grows with it",
        )
    ]


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


def design_warnings(layout: Layout, table: pd.DataFrame, randomised: bool) -> list[Warned]:
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


def drift_warnings(layout: Layout, unit_values: Floats) -> list[Warned]:
    """Warn if the switch units' adjusted means drift with time beyond chance (5 % level)."""
    order = np.arange(len(layout.units), dtype=float)
    x = np.column_stack([np.ones_like(order), layout.unit_arm, order])
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
    if layout.blocked:
        kept_out = "blocks of neighbouring switch units keep it out of the effect"
    elif layout.trended:
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
            f"segment {' and '.join(names)} is left out of the mixed model of log fuel beneath the "
            "result: a pass there was driven wholly on the overrun, and no fuel has no logarithm; "
            "the result itself has it",
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


def segment_effects(layout: Layout, fit: ExpectedFuel) -> pd.DataFrame:
    """Change by segment (percent): each unit's fuel there over expected, compared by arm.

    A unit that burned nothing on a segment says nothing of it.
    """
    rows = []
    n = len(layout.units)
    segment = layout.passes["segment"].to_numpy()
    fitted = layout.unit_arm[layout.unit] == 1
    for s in dict.fromkeys(segment):
        here = segment == s
        burned = np.bincount(layout.unit[here], fit.terms.fuel_ml[here], n)
        expected = np.bincount(layout.unit[here], fit.expected_ml[here], n)
        there = (burned > 0) & (expected > 0)
        values = np.full(n, np.nan)
        values[there] = np.log(burned[there] / expected[there])
        tau, half, df = unit_t(values, layout.unit_arm, layout.unit_fixed)
        if not np.isfinite(tau):
            tau, half, df = unit_t(values, layout.unit_arm, None)
        interval = percent_interval(tau, half, df, "")
        rows.append(
            {
                "segment": s,
                "change_pct": interval.estimate,
                "low": np.nan if interval.low is None else interval.low,
                "high": np.nan if interval.high is None else interval.high,
                "passes_baseline": int((here & ~fitted).sum()),
                "passes_fitted": int((here & fitted).sum()),
            }
        )
    return pd.DataFrame(rows)
