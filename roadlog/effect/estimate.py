"""The effect stage as one function: pass table in, `EffectResult` out.

The order of work is that of docs/method.md, section 5: comparable passes and switch units, expected
fuel within units, the arm's contrast of the units with its interval, the orders that chance could
have drawn, what holding the driving equal rests on, the one-stage mixed model beneath, cross-checks
and diagnostics.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from roadlog.effect import carry_over, crosschecks, diagnostics
from roadlog.effect.conditions import conditions_by_arm
from roadlog.effect.design import Design, build_design
from roadlog.effect.expected_fuel import ExpectedFuel, Terms, expected_terms, fit_expected_fuel
from roadlog.effect.fixed_offset import FuelPhysics, by_fixed_offset, total_by_fixed_offset
from roadlog.effect.held_equal import (
    by_physical_work,
    conditions_only,
    driving_outcomes,
    hold_equal,
    temperature_factor,
)
from roadlog.effect.layout import Layout, lay_out, orders_by_chance
from roadlog.effect.one_stage import OneStage, fit_one_stage
from roadlog.effect.result import EffectResult
from roadlog.effect.road_speed import road_speed_effects
from roadlog.effect.tables import coefficient_table, residual_table, scatter_table, unit_table
from roadlog.errors import DesignError, FitError, InputError
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Warned
from roadlog.stats import power
from roadlog.stats.interval import Interval, NamedInterval, percent, percent_interval
from roadlog.stats.unit_contrast import UnitContrast, contrast_units, unit_weights
from roadlog.stats.unit_randomisation import Redraw, UnitRandomisation, in_percent

NOTHING_SET_ASIDE = "nothing set aside"


@dataclass(frozen=True)
class Primary:
    """The two stages: comparable passes, expected fuel with and without driving, the contrast."""

    layout: Layout
    fit: ExpectedFuel
    total: ExpectedFuel
    contrast: UnitContrast
    notes: tuple[str, ...] = ()


def estimate_effect(
    passes: pd.DataFrame,
    *,
    randomised: bool,
    physics: FuelPhysics,
    whole_runs: bool = False,
    modes: pd.DataFrame | None = None,
    covariates: Sequence[str] | None = None,
    seed: int = 1,
    redraw: Redraw | None = None,
) -> EffectResult:
    """Estimate the effect of the fitted arm on fuel use.

    Parameters
    ----------
    passes : DataFrame
        `roadlog.quantities.tables.PASSES`. A column `accessory_ml` is fuel that a known accessory
        took in the pass; it is part of expected fuel.
    randomised : bool
        Whether chance decided the order of arms (within blocks, where there are any).
    physics : FuelPhysics
        Of the car and its fuel, set beforehand.
    whole_runs : bool
        Whether a pass is a whole run (no positions): expected fuel is then a fixed offset.
    modes : DataFrame, optional
        Time and fuel by operating mode and switch unit, for the mode-binned cross-check.
    covariates : sequence of str, optional
        Of the one-stage model: exactly these, instead of the policy's.
    seed : int
        For the random draws of the randomisation test.
    redraw : callable, optional
        The schedule's own generator: from the switch units driven, the schedules that chance
        could have drawn. Where it is absent or gives None, units are permuted within blocks.

    Raises
    ------
    DesignError, FitError, InputError
        If the passes can't answer the question.

    >>> import roadlog
    >>> passes = roadlog.analyse(*roadlog.open_study("sample_logs")).passes
    >>> car = roadlog.fuel_physics(density_kg_m3=745, lhv_mj_kg=42.0, displacement_l=1.8)
    >>> effect = estimate_effect(passes, randomised=True, physics=car)
    >>> round(effect.primary.estimate, 1), round(effect.primary.low, 1)
    (0.4, -1.0)
    """
    of = partial(primary_stages, randomised=randomised, physics=physics, whole_runs=whole_runs)
    stages = of(passes)
    layout, fit, contrast, z = stages.layout, stages.fit, stages.contrast, stages.fit.ratio_log
    primary, total = _intervals(stages)
    orders = _orders(layout, fit, np.random.default_rng(seed), redraw) if randomised else None
    design, beneath, told = _beneath(passes, stages, covariates, randomised=randomised)
    unadjusted, outcomes = crosschecks.unadjusted(layout), driving_outcomes(layout)
    forest = (
        NamedInterval("equal-driving effect", primary, "primary"),
        *(() if beneath is None else beneath.rows),
        NamedInterval("total effect", total, "total"),
        *_crosscheck_rows(design, layout, modes),
        *_sensitivity_rows(stages, physics, passes, of),
        NamedInterval("unadjusted change", unadjusted, "unadjusted"),
    )
    correlations = diagnostics.design_table(layout, randomised)
    left_out = diagnostics.leave_one_out(layout, fit)
    outlasting = carry_over.carry_over_table(layout, fit)
    warnings = [
        *diagnostics.design_warnings(layout, correlations, randomised),
        *_data_warnings(passes, stages, primary, left_out, outlasting),
        *told,
        *_apart(primary, forest, beneath),
        *diagnostics.driving_warnings(outcomes),
    ]
    return EffectResult(
        primary=primary,
        total=total,
        unadjusted=unadjusted,
        randomisation=None if orders is None else in_percent(orders),
        forest=forest,
        outcomes_by_arm=outcomes,
        carry_over=outlasting,
        coefficients=coefficient_table(fit, contrast),
        variance_components=scatter_table(layout, fit, contrast),
        residuals=residual_table(layout, fit),
        unit_means=unit_table(layout, z, stages.total.ratio_log - z, fit.pass_variance),
        leave_one_out=left_out,
        design=correlations,
        segment_effects=diagnostics.segment_effects(layout, fit),
        smallest_detectable_pct=_smallest(contrast),
        warnings=tuple(warnings),
        held=hold_equal(fit, stages.total, contrast, _unit_air_c(layout), physics),
        orders=orders,
        one_stage=None if beneath is None else beneath.rows[0].interval,
        road_speed=pd.DataFrame() if whole_runs else road_speed_effects(layout, fit),
        conditions=conditions_by_arm(layout),
        build_up=carry_over.build_up_table(layout, fit),
    )


def primary_stages(
    passes: pd.DataFrame, *, randomised: bool, physics: FuelPhysics, whole_runs: bool = False
) -> Primary:
    """Both stages of the primary effect, without what stands beside it.

    Parameters
    ----------
    As `estimate_effect`.

    Raises
    ------
    DesignError
        If there is nothing to compare, or a switch unit burned nothing.
    """
    layout = lay_out(passes, randomised=randomised)
    terms, notes = terms_of(layout)
    _require_fuel(terms, layout)
    fit, total, more = both_fits(terms, physics, whole_runs=whole_runs)
    return Primary(layout, fit, total, _contrast(layout, fit), notes + more)


def terms_of(layout: Layout) -> tuple[Terms, tuple[str, ...]]:
    """What the expected fuel of comparable passes is made of, and what of it isn't known."""
    used = layout.passes
    factor = temperature_factor(used["ambient_c"].to_numpy(dtype=float))
    known = used.get("accessory_ml")
    taken = None if known is None else known.fillna(0.0).to_numpy(dtype=float)
    return expected_terms(used, layout.unit, factor, taken)


def both_fits(
    terms: Terms, physics: FuelPhysics, *, whole_runs: bool = False
) -> tuple[ExpectedFuel, ExpectedFuel, tuple[str, ...]]:
    """Expected fuel with driving and without it, and sentences on what couldn't be fitted.

    Fitted, unless a pass is a whole run, or the passes are too few or don't settle: then from the
    car's declared data.
    """
    notes: tuple[str, ...] = ()
    if not whole_runs:
        fit, total = fit_expected_fuel(terms), fit_expected_fuel(conditions_only(terms))
        if fit.spare > 0 and fit.converged and total.converged:
            notes = tuple(
                f"{name} goes together with other terms and isn't fitted by itself"
                for name in fit.aliased
                if not name.startswith("segment ")
            )
            return fit, total, notes
        why = "are too few" if fit.spare <= 0 else "don't settle"
        notes = (
            f"the passes {why} to fit expected fuel, so it comes from the car's declared data",
        )
    return by_fixed_offset(terms, physics), total_by_fixed_offset(terms, physics), notes


def ambiguity_pct(
    passes: pd.DataFrame, *, randomised: bool, physics: FuelPhysics, whole_runs: bool = False
) -> float:
    """How far the effect moves [% fuel use] between the two bounds of ambiguous fuel flow.

    The design is that of `estimate_effect` with the same arguments.
    """
    taus = []
    for column in ("fuel_low_ml", "fuel_high_ml"):
        bound = passes.assign(fuel_ml=passes[column])
        stages = primary_stages(
            bound, randomised=randomised, physics=physics, whole_runs=whole_runs
        )
        taus.append(stages.contrast.tau)
    return abs(percent(taus[1]) - percent(taus[0]))


def _require_fuel(terms: Terms, layout: Layout) -> None:
    burned = np.bincount(terms.unit, terms.fuel_ml, terms.units)
    if not (burned > 0).all():
        name = layout.units[int(np.argmin(burned))]
        raise DesignError(
            f"switch unit {name} burned no fuel on the segments that both arms drove: look at its "
            "logs (roadlog check), or leave it out"
        )


def _contrast(layout: Layout, fit: ExpectedFuel) -> UnitContrast:
    found = contrast_units(
        fit.ratio_log, layout.unit_arm, layout.unit_fixed, fit.unit_expected_ml, fit.pass_variance
    )
    if found is None:
        raise DesignError(
            "blocks, or routes that share no segment, hold one arm each, so that no switch unit of "
            "the other arm can be compared with them: drive the same road in both arms of a block"
        )
    return found


def _method(stages: Primary) -> str:
    layout, contrast = stages.layout, stages.contrast
    if not contrast.bounded:
        return "no interval: under 2 degrees of freedom between switch units"
    parts = [
        "fuel over expected fuel by switch unit, t with "
        f"{contrast.df} degrees of freedom (switch units)"
    ]
    if not stages.fit.fitted:
        parts.append("expected fuel from the car's declared data")
    if layout.blocked:
        parts.append("blocks fixed")
    if layout.trended:
        parts.append("order not randomised: smooth trend over time in the model")
    if contrast.on_floor:
        parts.append("no narrower than the scatter of the passes allows")
    return "; ".join(parts)


def _orders(
    layout: Layout, fit: ExpectedFuel, rng: np.random.Generator, redraw: Redraw | None
) -> UnitRandomisation | None:
    return orders_by_chance(layout, fit.ratio_log, rng, redraw, unit_weights(fit.unit_expected_ml))


def _data_warnings(
    passes: pd.DataFrame,
    stages: Primary,
    primary: Interval,
    left_out: pd.DataFrame,
    outlasting: pd.DataFrame,
) -> list[Warned]:
    """What the units and their passes say against the estimate."""
    return [
        *diagnostics.drift_warnings(stages.layout, stages.fit.ratio_log),
        *diagnostics.missing_warnings(passes),
        *diagnostics.influence_warnings(primary, left_out),
        *carry_over.carry_over_warnings(outlasting),
        *[Warned("not-comparable", d) for d in stages.layout.dropped],
        *[Warned("expected-fuel", n) for n in stages.notes],
    ]


def _intervals(stages: Primary) -> tuple[Interval, Interval]:
    """Effect at equal driving, and with the driving as it was."""
    contrast, of_total = stages.contrast, _contrast(stages.layout, stages.total)
    primary = percent_interval(contrast.tau, contrast.half_width(), contrast.df, _method(stages))
    total = percent_interval(
        of_total.tau, of_total.half_width(), of_total.df, "as the primary, driving as it was"
    )
    return replace(primary, se=contrast.se, floor_se=contrast.floor_se), total


def _unit_air_c(layout: Layout) -> Floats:
    return np.asarray(layout.passes["ambient_c"].groupby(layout.unit).mean(), dtype=float)


def _smallest(contrast: UnitContrast) -> float:
    if not contrast.bounded:
        return float("nan")
    return power.smallest_detectable_pct(max(contrast.se, contrast.floor_se), contrast.df)


def _less_known(passes: pd.DataFrame, stages: Primary) -> pd.DataFrame:
    """The passes less the share of expected fuel that a known accessory took, for log fuel."""
    if "accessory_ml" not in passes:
        return passes
    share = stages.fit.terms.offset_ml / stages.fit.expected_ml
    rest = 1 - pd.Series(share, index=stages.layout.passes.index).reindex(passes.index).fillna(0.0)
    return passes.assign(fuel_ml=passes["fuel_ml"] * rest, ml_per_km=passes["ml_per_km"] * rest)


def _beneath(
    passes: pd.DataFrame, stages: Primary, covariates: Sequence[str] | None, *, randomised: bool
) -> tuple[Design | None, OneStage | None, list[Warned]]:
    """The mixed model of log fuel beneath the result, where the passes can carry one."""
    design, told = _design(_less_known(passes, stages), covariates, randomised=randomised)
    return design, None if design is None else fit_one_stage(design, design.names), told


def _design(
    passes: pd.DataFrame, covariates: Sequence[str] | None, *, randomised: bool
) -> tuple[Design | None, list[Warned]]:
    """The one-stage model's design; None with a warning where the passes can't carry one."""
    try:
        design = build_design(passes, covariates, randomised=randomised)
    except (DesignError, FitError) as e:
        if covariates is not None:
            raise
        return None, [Warned("no-one-stage", f"no mixed model of log fuel stands beneath: {e}")]
    told = [Warned("covariate", f"not held equal in the mixed model: {n}") for n in design.notes]
    return design, [*diagnostics.without_fuel_warnings(passes), *told]


def _crosscheck_rows(
    design: Design | None, layout: Layout, modes: pd.DataFrame | None
) -> Iterator[NamedInterval]:
    if design is not None:
        paired = crosschecks.segment_paired(design)
        yield NamedInterval("segment-paired means", paired, "crosscheck")
        ratio = crosschecks.demand_ratio(design)
        if ratio is not None:
            yield NamedInterval("fuel per demand", ratio, "crosscheck")
    binned = None if modes is None else crosschecks.mode_binned(layout, modes)
    if binned is not None:
        yield NamedInterval("fuel rate by operating mode", binned, "crosscheck")


def _sensitivity_rows(
    stages: Primary,
    physics: FuelPhysics,
    passes: pd.DataFrame,
    stages_of: Callable[[pd.DataFrame], Primary],
) -> Iterator[NamedInterval]:
    """Pre-declared variants of expected fuel, units and passes; none of them is the result."""
    layout, terms = stages.layout, stages.fit.terms
    variants = []
    if stages.fit.fitted:
        variants += [
            ("work at its physical cost", by_physical_work(stages.fit, physics)),
            ("expected fuel from declared data", by_fixed_offset(terms, physics)),
        ]
    for name, fit in variants:
        if fit is None:
            continue
        c = _contrast(layout, fit)
        yield NamedInterval(name, percent_interval(c.tau, c.half_width(), c.df, ""), "sensitivity")
    yield from carry_over.previous_arm_row(layout, stages.fit.ratio_log)
    yield from _nothing_set_aside(passes, stages_of)


def _nothing_set_aside(
    passes: pd.DataFrame, stages_of: Callable[[pd.DataFrame], Primary]
) -> Iterator[NamedInterval]:
    """The primary effect with every pass that has fuel, time and distance, whatever rule it broke.

    Absent where no pass was set aside, or none of them has all three.
    """
    measured = passes[["fuel_ml", "distance_km", "duration_s", "ml_per_km"]].to_numpy(dtype=float)
    known = (measured > 0).all(axis=1) & np.isfinite(measured).all(axis=1)
    used = passes["used"].to_numpy(dtype=bool)
    back = known & ~used & (passes["segment"].astype(str) != "").to_numpy()
    if not back.any():
        return
    whole = passes.assign(used=used | back)
    try:
        stages = stages_of(whole)
    except (DesignError, FitError, InputError):
        return
    c = stages.contrast
    gone, added = int((~used).sum()), int(back.sum())
    note = (
        f"with {added} of the {gone} passes that a rule set aside; the others lack fuel or distance"
    )
    if added == gone:
        note = f"with the {gone} passes that a rule set aside"
    interval = percent_interval(c.tau, c.half_width(), c.df, note)
    yield NamedInterval(NOTHING_SET_ASIDE, interval, "sensitivity", note)


def _apart(
    primary: Interval, rows: Sequence[NamedInterval], beneath: OneStage | None
) -> list[Warned]:
    """Warnings of other estimates that lie apart from the primary."""
    return [
        *crosschecks.disagreement_warnings(primary, list(rows)),
        *_one_stage_warnings(primary, beneath),
    ]


def _one_stage_warnings(primary: Interval, beneath: OneStage | None) -> list[Warned]:
    if beneath is None or primary.low is None or primary.high is None:
        return []
    row = beneath.rows[0].interval
    if primary.low <= row.estimate <= primary.high:
        return []
    return [
        Warned(
            "one-stage-apart",
            f"the mixed model of log fuel beneath the result gives {row.estimate:+.1f} %, outside "
            "the result's interval: the two hold the driving equal in different ways",
        )
    ]
