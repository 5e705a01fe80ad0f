"""The effect's tables: fits and contrasts in, the frames of `EffectResult` out."""

import numpy as np
import pandas as pd

from roadlog.effect.expected_fuel import COLD, IDLE, TIME, WORK, ExpectedFuel
from roadlog.effect.fixed_offset import DISTANCE
from roadlog.effect.layout import Layout
from roadlog.quantities.arrays import Floats
from roadlog.stats.reduction import orthonormal
from roadlog.stats.unit_contrast import UnitContrast

_UNITS = {TIME: "mL/s", IDLE: "mL/s, more", WORK: "mL/kJ", COLD: "mL/s, wholly cold"}


def coefficient_table(fit: ExpectedFuel, contrast: UnitContrast) -> pd.DataFrame:
    """The arm's coefficient, then what expected fuel is made of.

    Returns
    -------
    DataFrame
        `term`, `estimate`, `se`, `df`, `low`, `high`, `unit`. Expected fuel's terms carry the
        standard error of least squares at the units' fitted scales; a fixed offset has none.
    """
    from scipy.special import stdtrit

    half = contrast.half_width()
    rows: list[dict[str, object]] = [
        {
            "term": "arm", "estimate": contrast.tau, "se": contrast.se, "df": float(contrast.df),
            "low": contrast.tau - half, "high": contrast.tau + half, "unit": "log ratio",
        }
    ]  # fmt: skip
    errors = _errors(fit)
    for name, b in fit.coefficients.items():
        if name in fit.aliased:
            continue
        se = errors.get(name, float("nan"))
        reach = float(stdtrit(fit.spare, 0.975)) * se if fit.spare > 0 else float("nan")
        unit = "mL/km" if name == DISTANCE or name.startswith("segment ") else _UNITS[name]
        rows.append(
            {
                "term": name, "estimate": b, "se": se, "df": float(fit.spare), "low": b - reach,
                "high": b + reach, "unit": unit,
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def scatter_table(layout: Layout, fit: ExpectedFuel, contrast: UnitContrast) -> pd.DataFrame:
    """How switch units and passes scatter: `name`, `sd_pct`, `note`."""
    passes = fit.pass_variance
    rows = [
        {
            "name": "switch unit",
            "sd_pct": 100 * float(np.sqrt(_unit_variance(layout, fit, contrast))),
            "note": "of fuel over expected fuel, arm and blocks taken out",
        }
    ]
    if np.isfinite(passes).all():
        rows.append(
            {
                "name": "of it from its passes",
                "sd_pct": 100 * float(np.sqrt(passes.mean())),
                "note": "what the passes' scatter within units implies",
            }
        )
        rows.append(
            {
                "name": "pass",
                "sd_pct": 100 * float(np.std(fit.residual_ml) / fit.terms.fuel_ml.mean()),
                "note": "in % of a mean pass's fuel",
            }
        )
    return pd.DataFrame(rows)


def residual_table(layout: Layout, fit: ExpectedFuel) -> pd.DataFrame:
    """What each pass burned over its expected fuel, as a share of a mean pass's fuel."""
    p = layout.passes
    return pd.DataFrame(
        {
            "fitted": fit.scale[layout.unit] * fit.expected_ml,
            "residual": fit.residual_ml / fit.terms.fuel_ml.mean(),
            "segment": p["segment"],
            "switch_unit": p["switch_unit"],
            "start": p["start"],
            "arm": p["arm"],
        },
        index=p.index,
    )


def unit_table(
    layout: Layout,
    values: Floats,
    driving: Floats | None = None,
    pass_variance: Floats | None = None,
) -> pd.DataFrame:
    """Each switch unit's fuel over expected fuel and what driving explains [% of the mean].

    `pass_sd_pct` is the standard deviation that the passes within the unit imply; NaN where
    unknown, as `driving_pct`.
    """
    unknown = np.full(len(layout.units), np.nan)
    by_driving = unknown if driving is None else driving - driving.mean()
    return pd.DataFrame(
        {
            "switch_unit": layout.units,
            "arm": np.where(layout.unit_arm == 1, "fitted", "baseline"),
            "block": layout.unit_block,
            "start": layout.starts.to_numpy(),
            "adjusted_pct": 100 * (values - values.mean()),
            "driving_pct": 100 * by_driving,
            "pass_sd_pct": 100 * np.sqrt(unknown if pass_variance is None else pass_variance),
        }
    )


def _unit_variance(layout: Layout, fit: ExpectedFuel, contrast: UnitContrast) -> float:
    rest = fit.ratio_log - contrast.tau * layout.unit_arm
    basis = orthonormal(layout.unit_fixed)
    residual = rest - basis @ (basis.T @ rest)
    return float(residual @ residual / contrast.df) if contrast.df > 0 else float("nan")


def _errors(fit: ExpectedFuel) -> dict[str, float]:
    """Least-squares standard errors of the fitted terms at the units' scales."""
    if not fit.fitted or fit.spare <= 0:
        return {}
    kept = [i for i, name in enumerate(fit.terms.names) if name not in fit.aliased]
    x = fit.terms.columns[:, kept] * fit.terms.factor[:, None]
    residual = fit.residual_ml / fit.scale[fit.terms.unit]
    size = np.sqrt((x**2).mean(axis=0))
    inverse = np.linalg.inv((x / size).T @ (x / size))
    se = np.sqrt(residual @ residual / fit.spare * np.diag(inverse)) / size
    return {fit.terms.names[i]: float(s) for i, s in zip(kept, se, strict=True)}
