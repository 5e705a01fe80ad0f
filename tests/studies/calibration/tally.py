"""Counts over the replicates of one calibration cell, and the bounds of a share."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from roadlog.effect.primary import PrimaryFit

Floats = NDArray[np.floating[Any]]


@dataclass
class Tally:
    """Intervals and estimates of a cell, appended batch by batch."""

    low: list[Floats] = field(default_factory=list)
    high: list[Floats] = field(default_factory=list)
    error: list[Floats] = field(default_factory=list)
    truth: list[Floats] = field(default_factory=list)
    unit_at_zero: list[NDArray[np.bool_]] = field(default_factory=list)
    scale: list[Floats] = field(default_factory=list)
    df: list[int] = field(default_factory=list)
    n_refused: int = 0
    n_not_converged: int = 0

    def add(self, fit: PrimaryFit, truth: ArrayLike) -> None:
        """Keep a batch of fits; those without a checked optimum print no interval."""
        ok = fit.converged
        true = np.broadcast_to(np.asarray(truth, dtype=float), ok.shape)[ok]
        low, high = fit.bounds()
        self.n_not_converged += int((~ok).sum())
        self.low.append(low[ok])
        self.high.append(high[ok])
        self.error.append(fit.tau[ok] - true)
        self.truth.append(true)
        self.unit_at_zero.append(fit.s[ok, 2] <= 0)
        self.scale.append(fit.phi[ok])
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
        at_zero, scale = np.concatenate(self.unit_at_zero), np.concatenate(self.scale)
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
            "unit_zero_or_negative_share": float(at_zero.mean()),
            "unit_negative_share": float((at_zero & (scale < 1)).mean()),
            "df_low": min(self.df),
            "df_high": max(self.df),
        }
        if n:
            low, high, truth = low[printed], high[printed], truth[printed]
            covered = int(((low <= truth) & (truth <= high)).sum())
            bounds = wilson(covered, n)
            out |= {
                "covered": covered,
                "coverage": covered / n,
                "coverage_low": bounds[0],
                "coverage_high": bounds[1],
                "type_1": 1 - covered / n,
                "power_3_pct": float(((low > 0) | (high < 0)).mean()),
                "median_width_pct": 100 * float(np.median(np.expm1(high) - np.expm1(low))),
            }
        return out


def wilson(hits: int, n: int, z: float = 1.959964) -> tuple[float, float]:
    """Wilson's 95 % bounds of a share.

    References
    ----------
    Wilson E.B. (1927), J. Am. Stat. Assoc. 22, 209-212.

    >>> tuple(round(x, 4) for x in wilson(9500, 10_000))
    (0.9456, 0.9541)
    """
    share = hits / n
    centre = (share + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    return float(centre - half), float(centre + half)
