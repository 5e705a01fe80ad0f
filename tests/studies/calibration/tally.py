"""Counts over the replicates of one calibration cell, and the bounds of a share."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from statsmodels.stats.proportion import proportion_confint

from roadlog.quantities.arrays import Floats
from tests.studies.calibration.engine import BatchFit


@dataclass
class Tally:
    """Intervals and estimates of a cell, appended batch by batch."""

    low: list[Floats] = field(default_factory=list)
    high: list[Floats] = field(default_factory=list)
    error: list[Floats] = field(default_factory=list)
    truth: list[Floats] = field(default_factory=list)
    on_floor: list[NDArray[np.bool_]] = field(default_factory=list)
    df: list[int] = field(default_factory=list)
    n_refused: int = 0
    n_not_converged: int = 0

    def add(self, fit: BatchFit, truth: ArrayLike) -> None:
        """Keep a batch of fits; those without a checked optimum print no interval."""
        ok = fit.converged
        true = np.broadcast_to(np.asarray(truth, dtype=float), ok.shape)[ok]
        low, high = fit.bounds()
        self.n_not_converged += int((~ok).sum())
        self.low.append(low[ok])
        self.high.append(high[ok])
        self.error.append(fit.tau[ok] - true)
        self.truth.append(true)
        self.on_floor.append(fit.on_floor[ok])
        self.df.append(fit.df)

    def refused(self, replicates: int) -> None:
        """Count replicates that the design or the fit refuses."""
        self.n_refused += replicates

    def summary(self) -> dict[str, Any]:
        """Shares, widths [% fuel use] and bias [% fuel use] over the replicates."""
        if not self.low:
            return {"replicates": self.n_refused, "printed": 0, "refused": self.n_refused}
        low, high, error, truth = (
            np.concatenate(x) for x in (self.low, self.high, self.error, self.truth)
        )
        on_floor = np.concatenate(self.on_floor)
        printed = np.isfinite(low)
        n = int(printed.sum())
        out: dict[str, Any] = {
            "replicates": len(low) + self.n_refused + self.n_not_converged,
            "printed": n,
            "refused": self.n_refused,
            "not_converged": self.n_not_converged,
            "bias_pct": 100 * float(error.mean()),
            "bias_se_pct": 100 * float(error.std() / np.sqrt(len(error))),
            "sd_pct": 100 * float(error.std()),
            "on_floor_share": float(on_floor.mean()),
            "df_low": min(self.df),
            "df_high": max(self.df),
        }
        if n:
            low, high, truth = low[printed], high[printed], truth[printed]
            covered = int(((low <= truth) & (truth <= high)).sum())
            bounds = proportion_confint(covered, n, method="wilson")
            width = high - low
            narrow = width <= np.quantile(width, 0.1)
            out |= {
                "covered": covered,
                "coverage": covered / n,
                "coverage_low": bounds[0],
                "coverage_high": bounds[1],
                "narrowest_tenth": float(((low <= truth) & (truth <= high))[narrow].mean()),
                "type_1": 1 - covered / n,
                "power_3_pct": float(((low > 0) | (high < 0)).mean()),
                "median_width_pct": 100 * float(np.median(np.expm1(high) - np.expm1(low))),
            }
        return out
