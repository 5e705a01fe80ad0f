"""The effect stage as one function: pass table in, `EffectResult` out.

Everything is computed from the used passes and the design; the order of work is the order of
docs/method.md: primary (equal-driving) fit, total effect, unadjusted change, randomisation,
driving outcomes, cross-checks, sensitivity rows, diagnostics.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.effect import carry_over, crosschecks, diagnostics, power
from roadlog.effect.crosschecks import fit_interval, percent, percent_interval
from roadlog.effect.design import (
    DRIVING,
    TERM_UNITS,
    TREND,
    Design,
    build_design,
    plain_name,
    require_rows,
)
from roadlog.effect.primary import PrimaryFit, fit_primary
from roadlog.effect.randomise import Assignments, assignments, randomisation_test
from roadlog.effect.reduction import Reduced, reduce_design
from roadlog.errors import FitError
from roadlog.results import EffectResult, NamedInterval, Randomisation, Warned

Floats = NDArray[np.floating[Any]]
Redraw = Callable[[Sequence[str], np.random.Generator], Assignments | None]

_WORTH_WEIGHTING = 1.5  # largest over smallest pass distance from which weights are estimated
_RELATIVE_OUTCOMES = ("demand_kj_per_km", "mean_speed_kmh")


def estimate_effect(
    passes: pd.DataFrame,
    *,
    randomised: bool,
    modes: pd.DataFrame | None = None,
    covariates: Sequence[str] | None = None,
    seed: int = 1,
    redraw: Redraw | None = None,
) -> EffectResult:
    """Estimate the effect of the fitted arm on fuel use.

    Parameters
    ----------
    passes : DataFrame
        `roadlog.tables.PASSES`.
    randomised : bool
        Whether chance decided the order of arms (within blocks, where there are any).
    modes : DataFrame, optional
        Time and fuel by operating mode and switch unit, for the mode-binned cross-check.
    covariates : sequence of str, optional
        Exactly these covariates, instead of the policy's.
    seed : int
        For the random draws of the randomisation test.
    redraw : callable, optional
        The schedule's own generator: from the switch units driven, the schedules that chance
        could have drawn. Where it is absent or gives None, units are permuted within blocks.

    Raises
    ------
    DesignError, FitError, InputError
        If the passes can't answer the question.
    """
    design = build_design(passes, covariates, randomised=randomised)
    require_rows(design)
    names = design.names
    _, fit = fit_design(design, names)
    if not fit.converged[0]:
        raise FitError(
            "the variance components reached no optimum: give fewer covariates in [analysis]"
        )
    primary = fit_interval(fit, _method(design, fit))
    reduced_total, fit_total = fit_design(design, design.conditions)
    total = fit_interval(fit_total, "as the primary, without demand, speed and idle")
    randomisation = (
        _randomisation(design, reduced_total, np.random.default_rng(seed), redraw)
        if randomised
        else None
    )
    outcomes = driving_outcomes(design)
    unadjusted = crosschecks.unadjusted(design)
    table, adjusted, residuals = _fixed_effects(design, names, fit)
    weight = np.bincount(design.unit, weights=design.weights)
    unit_values = np.bincount(design.unit, weights=design.weights * adjusted) / weight
    forest = [
        NamedInterval("equal-driving effect", primary, "primary"),
        NamedInterval("total effect", total, "total"),
        *_crosscheck_rows(design, modes),
        *_sensitivity_rows(design, names, residuals["residual"].to_numpy()),
        *carry_over.previous_arm_row(design),
        NamedInterval("unadjusted change", unadjusted, "unadjusted"),
    ]
    correlations = diagnostics.design_table(design, randomised)
    left_out = diagnostics.leave_one_out(design)
    outlasting = carry_over.carry_over_table(design)
    warnings = [
        *diagnostics.design_warnings(design, correlations, randomised),
        *diagnostics.drift_warnings(design, unit_values),
        *diagnostics.missing_warnings(passes),
        *diagnostics.without_fuel_warnings(passes),
        *diagnostics.influence_warnings(primary, left_out),
        *carry_over.carry_over_warnings(outlasting),
        *[Warned("covariate", f"not held equal in the model: {n}") for n in design.notes],
        *crosschecks.disagreement_warnings(primary, forest),
    ]
    return EffectResult(
        primary=primary,
        total=total,
        unadjusted=unadjusted,
        randomisation=randomisation,
        forest=tuple(forest),
        outcomes_by_arm=outcomes,
        carry_over=outlasting,
        coefficients=table,
        variance_components=_components(design, fit),
        residuals=residuals,
        unit_means=pd.DataFrame(
            {
                "switch_unit": design.units,
                "arm": np.where(design.unit_arm == 1, "fitted", "baseline"),
                "block": design.unit_block,
                "start": design.passes.groupby(design.unit)["start"].min().to_numpy(),
                "adjusted_pct": 100 * (unit_values - unit_values.mean()),
            }
        ),
        leave_one_out=left_out,
        design=correlations,
        segment_effects=diagnostics.segment_effects(design, adjusted),
        smallest_detectable_pct=power.smallest_detectable_pct(float(fit.se[0]), fit.df),
        warnings=tuple(warnings),
    )


def ambiguity_pct(
    passes: pd.DataFrame, covariates: Sequence[str] | None = None, *, randomised: bool
) -> float:
    """How far the effect moves [% fuel use] between the two bounds of ambiguous fuel flow.

    The design is that of `estimate_effect` with the same arguments.
    """
    taus = []
    for column in ("fuel_low_ml", "fuel_high_ml"):
        bound = passes.assign(ml_per_km=passes[column] / passes["distance_km"])
        bound["used"] = bound["used"].astype(bool) & (bound["ml_per_km"] > 0)
        design = build_design(bound, covariates, randomised=randomised)
        _, fit = fit_design(design, design.names)
        taus.append(float(fit.tau[0]))
    return abs(percent(taus[1]) - percent(taus[0]))


def fit_design(
    design: Design,
    covariates: Sequence[str],
    weights: Floats | None = None,
    *,
    y: Floats | None = None,
) -> tuple[Reduced, PrimaryFit]:
    """Fit the arm's coefficient with these covariates, for log fuel use or another response.

    Passes weigh by the fuel that their segment needs, unless other `weights` (n,) are given.
    """
    reduced = reduce_design(
        design.fixed_with(covariates),
        design.arm,
        design.unit,
        design.other,
        design.weights if weights is None else weights,
        design.df(covariates),
    )
    return reduced, fit_primary(reduced, design.y if y is None else y)


def noise_weights(design: Design, covariates: Sequence[str]) -> tuple[Floats, str]:
    """Weights 1/v with v = a + b (mean distance/distance) + c (mean fuel/segment's fuel)^2.

    The shares a + b + c = 1 are estimated by REML. The last term is for segments that need little
    fuel (downhill, overrun): a millilitre of chance is a large share there. `b` is only estimated
    where passes differ in length (longest at least 1.5 times the shortest). These weights make the
    steadiest estimate if the effect is the same share of fuel everywhere; where it isn't, they give
    another mean of it than the change of summed fuel, so they serve a sensitivity row only.

    Returns
    -------
    weights : (n,) array
    note : str
        The shares in words.
    """
    from scipy.optimize import minimize_scalar

    km = design.passes["distance_km"].to_numpy(dtype=float)
    by_distance = km.mean() / km
    by_fuel = (design.fuel_scale * by_distance) ** 2
    fixed = design.fixed_with(covariates)
    columns = _independent(fixed)

    def variance(b: float, c: float) -> Floats:
        return np.asarray((1 - c) * (1 - b + b * by_distance) + c * by_fuel)

    def criterion(b: float, c: float) -> float:
        v = variance(b, c)
        _, fit = fit_design(design, covariates, 1 / v)
        r = np.linalg.qr(fixed[:, columns] / np.sqrt(v)[:, None], mode="r")
        jacobian = np.log(v).sum() + 2 * np.log(np.abs(np.diag(r))).sum()
        return float(fit.criterion[0] + jacobian)

    def best(f: Callable[[float], float]) -> float:
        found = minimize_scalar(f, bounds=(0, 1), method="bounded", options={"xatol": 0.01})
        ends = {0.0: f(0.0), float(found.x): float(found.fun), 1.0: f(1.0)}
        return min(ends, key=lambda x: ends[x])

    b = c = 0.0
    if np.ptp(design.fuel_scale) > 1e-9:
        c = best(lambda x: criterion(0.0, x))
    if c < 1 and km.max() >= _WORTH_WEIGHTING * km.min():
        b = best(lambda x: criterion(x, c))
    a, b = (1 - b) * (1 - c), b * (1 - c)
    return 1 / variance(b / max(1 - c, 1e-12), c), (
        f"pass variance: {a:.0%} constant, {b:.0%} by distance, {c:.0%} by the segment's fuel"
    )


def driving_outcomes(design: Design) -> pd.DataFrame:
    """Demand, mean speed and idle time as outcomes of the arm.

    Returns
    -------
    DataFrame
        `outcome`, `estimate`, `low`, `high` (percent of the mean; idle in s/km), `p`, `unit`.
    """
    from scipy.special import stdtr

    rows = []
    for column in DRIVING:
        values = design.passes[column].to_numpy(dtype=float)
        if not np.isfinite(values).all() or np.ptp(values) < 1e-9:
            continue
        relative = column in _RELATIVE_OUTCOMES
        scale = 100 / values.mean() if relative else 1.0
        try:
            _, fit = fit_design(design, design.conditions, y=values * scale)
        except FitError:
            continue
        low, high = fit.bounds()
        p = 2 * stdtr(max(fit.df, 1), -abs(fit.tau[0]) / fit.se[0]) if fit.df >= 2 else np.nan
        rows.append(
            {
                "outcome": plain_name(column),
                "estimate": float(fit.tau[0]),
                "low": float(low[0]),
                "high": float(high[0]),
                "p": float(p),
                "unit": "%" if relative else "s/km",
            }
        )
    return pd.DataFrame(rows, columns=["outcome", "estimate", "low", "high", "p", "unit"])


def _method(design: Design, fit: PrimaryFit) -> str:
    parts = [f"mixed-effects REML, t with {fit.df} degrees of freedom (switch units)"]
    if fit.df < 2:
        return "no interval: under 2 degrees of freedom between switch units"
    if design.blocked:
        parts.append("blocks fixed")
    if any(name.startswith(TREND) for name in design.fixed_names):
        parts.append("order not randomised: smooth trend over time in the model")
    if fit.phi[0] != 1:
        parts.append("between-unit variance below the passes', scaled to the unit means")
    return "; ".join(parts)


def _randomisation(
    design: Design, reduced: Reduced, rng: np.random.Generator, redraw: Redraw | None
) -> Randomisation | None:
    drawn = None if redraw is None else redraw(design.units, rng)
    if drawn is None:
        blocks = design.unit_block if design.blocked else None
        drawn = assignments(design.unit_arm, blocks, rng)
    if drawn.total < 2:
        return None
    r = randomisation_test(reduced, design.y, drawn)
    return Randomisation(
        p=r.p,
        low=None if r.low is None else percent(r.low),
        high=None if r.high is None else percent(r.high),
        assignments=r.assignments,
        exact=r.exact,
        note=r.note,
    )


def _crosscheck_rows(design: Design, modes: pd.DataFrame | None) -> Iterator[NamedInterval]:
    yield NamedInterval("segment-paired means", crosschecks.segment_paired(design), "crosscheck")
    ratio = crosschecks.demand_ratio(design)
    if ratio is not None:
        yield NamedInterval("fuel per demand", ratio, "crosscheck")
    binned = None if modes is None else crosschecks.mode_binned(design, modes)
    if binned is not None:
        yield NamedInterval("fuel rate by operating mode", binned, "crosscheck")


def _sensitivity_rows(
    design: Design, names: list[str], residual: Floats
) -> Iterator[NamedInterval]:
    """Pre-declared variants of the model; none of them is the result."""
    from statsmodels.robust.norms import HuberT
    from statsmodels.robust.scale import mad

    spread = float(mad(residual))
    own = design.weights
    huber = np.asarray(HuberT().weights(residual / spread)) if spread > 0 else np.ones_like(own)
    variants: list[tuple[str, Sequence[str], Floats, str]] = [
        ("minimal model", [], own, "arm, blocks and segments only"),
        ("heavy tails damped", names, own * huber, "Huber weights on the primary residuals"),
    ]
    if np.ptp(own) > 0:
        variants.append(("weighted by noise", names, *noise_weights(design, names)))
        variants.append(("equal weights", names, np.ones_like(own), "weights 1"))
    for name, covariates, w, note in variants:
        _, fit = fit_design(design, covariates, w)
        yield NamedInterval(name, fit_interval(fit, note), "sensitivity", note)
    yield from _bounded_rows(design, names)


def _bounded_rows(design: Design, names: Sequence[str]) -> Iterator[NamedInterval]:
    """Bounded REML with Kenward-Roger and Satterthwaite degrees of freedom, for parity with R."""
    from scipy.special import stdtrit

    from roadlog.effect.df import kenward_roger, satterthwaite
    from roadlog.effect.model import fit_mixed

    fixed = design.fixed_with(names)
    columns = [*_independent(fixed)]
    labels = [*design.fixed_names, *names]
    factors = {"switch unit": design.unit}
    if design.other is not None:
        factors[design.other_name] = design.other
    try:
        fit = fit_mixed(
            design.y,
            np.column_stack([fixed[:, columns], design.arm]),
            [*(labels[c] for c in columns), "arm"],
            factors,
            design.weights,
        )
        tau, _ = fit.coefficient("arm")
        for name, rule in (("Kenward-Roger", kenward_roger), ("Satterthwaite", satterthwaite)):
            d = rule(fit, "arm")
            half = float(stdtrit(d.df, 0.975)) * d.se if d.df >= 2 else float("nan")
            note = f"bounded REML, {name}"
            if fit.boundary:
                note += f"; {' and '.join(fit.boundary)} variance at zero"
            yield NamedInterval(
                f"bounded REML, {name}",
                percent_interval(tau, half, d.df, note),
                "sensitivity",
                note,
            )
    except FitError:
        return


def _fixed_effects(
    design: Design, names: Sequence[str], fit: PrimaryFit
) -> tuple[pd.DataFrame, Floats, pd.DataFrame]:
    """Coefficient table, log fuel use adjusted to equal conditions, and residuals.

    Covariate rows are generalised least squares at the fitted variances; the arm's row is the
    primary fit itself.
    """
    from scipy.special import stdtrit

    fixed = design.fixed_with(names)
    columns = _independent(fixed)
    labels = [[*design.fixed_names, *names][c] for c in columns]
    x = np.column_stack([design.arm, fixed[:, columns]])
    s0, s1, s2 = fit.s[0]
    z = [(s2, design.unit)] + ([(s1, design.other)] if design.other is not None else [])
    v_inverse_x, v_inverse_y = _solve_covariance(x, design.y, s0 / design.weights, z)
    information = x.T @ v_inverse_x
    vcov = np.linalg.inv(information)
    beta = vcov @ (x.T @ v_inverse_y)
    se = np.sqrt(np.diag(vcov))
    n_rows = len(design.y)
    rows = []
    for i, label in enumerate(["arm", *labels]):
        within = label not in design.between and label != "arm"
        df = n_rows - x.shape[1] - len(design.units) if within else fit.df
        b, e = (fit.tau[0], fit.se[0]) if label == "arm" else (beta[i], se[i])
        half = float(stdtrit(df, 0.975)) * e if df >= 2 else float("nan")
        rows.append(
            {
                "term": label,
                "estimate": float(b),
                "se": float(e),
                "df": float(df),
                "low": float(b - half),
                "high": float(b + half),
                "unit": TERM_UNITS.get(label, "log"),
            }
        )
    fitted = x @ beta
    condition = np.isin(["arm", *labels], names)
    segments = np.array([label.startswith("segment ") for label in ["arm", *labels]])
    part = condition | segments
    adjusted = design.y - x[:, part] @ beta[part] - (beta[1] if not part[1] else 0.0)
    p = design.passes
    residuals = pd.DataFrame(
        {
            "fitted": fitted,
            "residual": (design.y - fitted) * np.sqrt(design.weights),
            "segment": p["segment"],
            "switch_unit": p["switch_unit"],
            "start": p["start"],
            "arm": p["arm"],
        },
        index=p.index,
    )
    return pd.DataFrame(rows), adjusted, residuals


def _solve_covariance(
    x: Floats, y: Floats, variance: Floats, components: Sequence[tuple[float, NDArray[np.intp]]]
) -> tuple[Floats, Floats]:
    """V^-1 x and V^-1 y for V = diag(variance) + sum s Z Z', by Woodbury."""
    right = np.column_stack([x, y])
    scaled = right / variance[:, None]
    blocks = [np.sqrt(s) * np.eye(c.max() + 1)[c] for s, c in components if s > 0]
    if blocks:
        z = np.hstack(blocks)
        zd = z / variance[:, None]
        inner = np.eye(z.shape[1]) + z.T @ zd
        scaled = scaled - zd @ np.linalg.solve(inner, z.T @ scaled)
    return scaled[:, :-1], scaled[:, -1]


def _components(design: Design, fit: PrimaryFit) -> pd.DataFrame:
    s0, s1, s2 = fit.s[0]
    below = fit.phi[0] != 1
    rows = [
        {
            "name": "switch unit",
            "sd_pct": 100 * float(np.sqrt(s2)),
            "note": (
                f"below zero: units vary {fit.phi[0]:.2f} times what their passes imply"
                if below
                else ""
            ),
        }
    ]
    if design.other is not None:
        rows.append({"name": design.other_name, "sd_pct": 100 * float(np.sqrt(s1)), "note": ""})
    note = "of a pass of mean fuel; variance goes down as its segment's fuel goes up"
    rows.append({"name": "pass", "sd_pct": 100 * float(np.sqrt(s0)), "note": note})
    return pd.DataFrame(rows)


def _independent(columns: Floats) -> list[int]:
    """Positions of a maximal independent set of columns, first come first kept."""
    from roadlog.effect.model import aliased_columns

    dropped = set(aliased_columns(columns.T @ columns))
    return [i for i in range(columns.shape[1]) if i not in dropped]
