"""Both stages of the primary effect for many responses of one study at once.

The same arithmetic as `roadlog.effect.expected_fuel` and `roadlog.stats.unit_contrast`, carried
out for a batch: test_calibration_engine holds it to the shipped functions response by response.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from roadlog.effect.expected_fuel import MOST_ROUNDS, TOLERANCE, expected_terms
from roadlog.effect.held_equal import temperature_factor
from roadlog.effect.layout import Layout, lay_out
from roadlog.quantities.arrays import Floats
from roadlog.stats.bounded.cross_products import aliased_columns
from roadlog.stats.reduction import orthonormal


@dataclass(frozen=True)
class BatchFit:
    """Fits of B responses: `tau`, `se`, `floor_se`, `converged` (B,), `ratio_log` (B, units),
    `size` (B, units) expected fuel; `df` of all of them.
    """

    tau: Floats
    se: Floats
    floor_se: Floats
    df: int
    converged: NDArray[np.bool_]
    ratio_log: Floats
    size: Floats

    @property
    def on_floor(self) -> NDArray[np.bool_]:
        """Where the passes' scatter sets the width."""
        return np.asarray(self.half_width() > float(stdtrit(self.df, 0.975)) * self.se)

    def half_width(self) -> Floats:
        """Half of the 95 % interval; NaN under two degrees of freedom."""
        if self.df < 2:
            return np.full(len(self.tau), np.nan)
        t = float(stdtrit(self.df, 0.975))
        return np.asarray(np.maximum(t * self.se, float(ndtri(0.975)) * self.floor_se))

    def bounds(self) -> tuple[Floats, Floats]:
        """Low and high on the log scale."""
        half = self.half_width()
        return self.tau - half, self.tau + half


@dataclass(frozen=True)
class Stages:
    """What responses share: comparable passes, orthonormal terms, and the units' fixed columns."""

    layout: Layout
    q: Floats
    fitted: int

    def fit(self, fuel_ml: Floats) -> BatchFit:
        """Fit responses (n, B) in mL."""
        unit, n_units = self.layout.unit, len(self.layout.units)
        member = np.zeros((n_units, len(unit)))
        member[unit, np.arange(len(unit))] = 1.0
        burned = (member @ fuel_ml).T
        by_unit = np.einsum("un,nk,nb->buk", member, self.q, fuel_ml, optimize=True)
        step = by_unit @ (member @ self.q).T  # (B, v, u): expected fuel of u from 1/s of v
        scale = np.ones_like(burned)
        settled = np.zeros(len(burned), dtype=bool)
        for _ in range(MOST_ROUNDS):
            expected = np.einsum("bvu,bv->bu", step, 1 / scale)
            following = burned / np.maximum(expected, 1e-300)
            following = following / np.exp(np.log(following).mean(axis=1, keepdims=True))
            moved = np.abs(np.log(following / scale)).max(axis=1)
            scale = np.where(settled[:, None], scale, following)
            settled |= moved < TOLERANCE
            if settled.all():
                break
        each = self.q @ (self.q.T @ (fuel_ml / scale.T[unit]))
        size = (member @ each).T
        spare = len(unit) - self.fitted - n_units + 1
        residual = fuel_ml - scale.T[unit] * each
        variance = (member @ residual**2).T / (scale * size) ** 2
        variance *= len(unit) / spare if spare > 0 else np.nan
        ratio = np.log(burned / size)
        return self._contrast(ratio, size, variance, settled)

    def _contrast(
        self, z: Floats, size: Floats, variance: Floats, settled: NDArray[np.bool_]
    ) -> BatchFit:
        fixed = orthonormal(self.layout.unit_fixed)
        x = np.column_stack([fixed, self.layout.unit_arm])
        w = size / (size + size.mean(axis=1, keepdims=True))
        gram = np.einsum("up,bu,uq->bpq", x, w, x, optimize=True)
        inverse = np.linalg.inv(gram)
        rows = np.einsum("bq,uq,bu->bu", inverse[:, -1, :], x, w, optimize=True)
        beta = np.einsum("bpq,uq,bu,bu->bp", inverse, x, w, z, optimize=True)
        rest = z - beta @ x.T
        df = z.shape[1] - x.shape[1]
        mean_square = (w * rest**2).sum(axis=1) / df if df > 0 else np.full(len(z), np.nan)
        floor = np.sqrt((rows**2 * variance).sum(axis=1))
        return BatchFit(
            tau=beta[:, -1],
            se=np.sqrt(mean_square * inverse[:, -1, -1]),
            floor_se=np.where(np.isfinite(floor), floor, 0.0),
            df=df,
            converged=settled,
            ratio_log=z,
            size=size,
        )


def stages_of(table: pd.DataFrame, *, randomised: bool) -> Stages:
    """Lay out a pass table and prepare its terms; air temperature's factor is in the terms."""
    layout = lay_out(table, randomised=randomised)
    factor = temperature_factor(layout.passes["ambient_c"].to_numpy(dtype=float))
    terms, _ = expected_terms(layout.passes, layout.unit, factor)
    columns = terms.columns * factor[:, None]
    size = np.sqrt((columns**2).mean(axis=0))
    columns = columns / np.where(size > 0, size, 1.0)
    dropped = set(aliased_columns(columns.T @ columns))
    kept = [i for i in range(columns.shape[1]) if i not in dropped]
    q, _ = np.linalg.qr(columns[:, kept])
    return Stages(layout, q, len(kept))
