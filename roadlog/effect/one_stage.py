"""The one-stage mixed model of log fuel use: what stands directly beneath the primary effect.

The design goes in; the arm's coefficient of a bounded REML fit comes out, with Kenward-Roger and
Satterthwaite intervals as R's pbkrtest and lmerTest give them, and the model without covariates.
Fleets use the same model (docs/method.md, section 5).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.effect.design import Design
from roadlog.errors import FitError
from roadlog.quantities.arrays import Floats
from roadlog.stats.bounded.cross_products import aliased_columns
from roadlog.stats.bounded.df import DegreesOfFreedom, kenward_roger, satterthwaite
from roadlog.stats.bounded.model import MixedFit, fit_mixed
from roadlog.stats.interval import NamedInterval, Role, percent_interval

ONE_STAGE = "mixed model (REML, Kenward–Roger)"

_WAYS: tuple[tuple[str, Role, Callable[[MixedFit, str], DegreesOfFreedom], str], ...] = (
    (ONE_STAGE, "mixed", kenward_roger, "of log fuel; temperature, load and grade as covariates"),
    ("mixed model, Satterthwaite", "sensitivity", satterthwaite, "as lmerTest"),
)


@dataclass(frozen=True)
class OneStage:
    """A fit of the one-stage model and its rows for the interval plot, the main one first."""

    fit: MixedFit
    rows: tuple[NamedInterval, ...]


def fit_one_stage(design: Design, covariates: Sequence[str]) -> OneStage | None:
    """Fit log fuel use with segments, blocks or trend, covariates and random switch units.

    Returns
    -------
    OneStage or None
        None where the passes can't carry it.
    """
    from scipy.special import stdtrit

    fixed = design.fixed_with(covariates)
    columns = independent(fixed)
    labels = [*design.fixed_names, *covariates]
    factors = {"switch unit": design.unit}
    if design.other is not None:
        factors[design.other_name] = design.other
    if len(design.y) <= len(columns) + 1:
        return None
    try:
        fit = fit_mixed(
            design.y,
            np.column_stack([fixed[:, columns], design.arm]),
            [*(labels[c] for c in columns), "arm"],
            factors,
            design.weights,
        )
        tau, _ = fit.coefficient("arm")
        at_zero = f"; {' and '.join(fit.boundary)} variance at zero" if fit.boundary else ""
        rows = []
        for name, role, rule, note in _WAYS:
            d = rule(fit, "arm")
            half = float(stdtrit(d.df, 0.975)) * d.se if d.df >= 2 else float("nan")
            interval = percent_interval(tau, half, d.df, note + at_zero)
            rows.append(NamedInterval(name, interval, role, note + at_zero))
    except FitError:
        return None
    return OneStage(fit, tuple(rows))


def independent(columns: Floats) -> list[int]:
    """Positions of a maximal independent set of columns, first come first kept."""
    dropped = set(aliased_columns(columns.T @ columns))
    return [i for i in range(columns.shape[1]) if i not in dropped]
