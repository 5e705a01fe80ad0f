"""Whether the warning comes where an interval can't be trusted, and how often it comes in vain.

Cells scored on bias and warning go through the very functions that warn: `diagnostics`, the
driving outcomes and the finding rule.
"""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from roadlog.effect import diagnostics
from roadlog.effect.held_equal import driving_outcomes
from roadlog.effect.layout import Layout
from roadlog.errors import DesignError
from roadlog.quantities.arrays import Floats
from tests.studies.calibration.cells import Cell
from tests.studies.calibration.engine import stages_of
from tests.studies.calibration.simulate import (
    EFFECT,
    Plan,
    draw_plan,
    frame,
    responses,
)
from tests.studies.calibration.tally import Tally

FITTED_EVERY = 4  # one replicate in so many is fitted, for bias; the warning is sought in all
READING_SD = 0.03  # relative error of a pass's demand


@dataclass
class DriftAlarms:
    """Codes that a design without blocks raises, counted over responses."""

    randomised: bool
    n: int = 0
    counts: dict[str, int] = field(default_factory=dict)

    def look(self, layout: Layout, values: Floats) -> None:
        """Count the codes of each response's fuel over expected fuel (B, units)."""
        table = diagnostics.design_table(layout, self.randomised)
        fixed = {w.code for w in diagnostics.design_warnings(layout, table, self.randomised)}
        for z in values:
            codes = fixed | {w.code for w in diagnostics.drift_warnings(layout, z)}
            for code in codes:
                self.counts[code] = self.counts.get(code, 0) + 1
        self.n += len(values)

    def shares(self) -> dict[str, Any]:
        """Share of responses with each code."""
        return {"alarms": {code: k / self.n for code, k in sorted(self.counts.items())}}


def each_replicate(
    cell: Cell, wanted: int, rng: np.random.Generator, tally: Tally
) -> dict[str, Any]:
    """Cells whose design follows from the response: one whole analysis a replicate."""
    one = _slower if cell.alarm == "slower" else _dropout
    counts: dict[str, int] = {}
    for k in range(wanted):
        for code in one(cell, rng, tally if k % FITTED_EVERY == 0 else None):
            counts[code] = counts.get(code, 0) + 1
    return {
        "alarms": {code: k / wanted for code, k in sorted(counts.items())},
        "sought": wanted,
    }


def _dropout(cell: Cell, rng: np.random.Generator, tally: Tally | None) -> set[str]:
    """Passes are lost: the hardest of the fitted arm, or the ends of runs in either.

    `severity` is the share of the fitted arm's passes, or the chance that a run's second half goes.
    """
    plan = draw_plan(cell, rng)
    y = plan.log_road.copy()
    y[plan.present] = responses(plan, cell.noise, rng, 1)[:, 0]
    hardness = y - plan.log_road
    fitted = plan.arm == 1
    lost = np.zeros(len(y), dtype=bool)
    if cell.alarm == "half runs":
        broken = rng.random(int(plan.run.max()) + 1) < cell.severity
        lost = broken[plan.run] & (plan.segment >= plan.layout.segments // 2)
    elif cell.severity:
        limit = np.quantile(hardness[fitted & plan.present], 1 - cell.severity)
        lost = fitted & (hardness > limit)
    table = frame(plan, y, lost)
    if tally is not None:
        try:
            stages = stages_of(table, randomised=cell.layout.randomised)
        except DesignError:
            tally.refused(1)
            return {"refused"}
        tally.add(stages.fit(stages.layout.passes[["fuel_ml"]].to_numpy(dtype=float)), EFFECT)
    return {w.code for w in diagnostics.missing_warnings(table)}


def _slower(cell: Cell, rng: np.random.Generator, tally: Tally | None) -> set[str]:
    """The driver slows by `severity` % in the fitted arm; demand is read with error."""
    plan = draw_plan(cell, rng)
    slower = 1 - cell.severity / 100 * plan.arm
    speed = plan.covariates["mean_speed_kmh"] * slower
    # air drag is near half of the demand at 50 km/h on a level road and goes with speed squared
    demand = plan.covariates["demand_kj_per_km"] * (0.5 + 0.5 * slower**2)
    y = plan.log_road.copy()
    y[plan.present] = responses(_driven(plan, demand, speed), cell.noise, rng, 1)[:, 0]
    read = demand * (1 + READING_SD * rng.normal(size=len(demand)))
    table = frame(_driven(plan, read, speed), y)
    stages = stages_of(table, randomised=cell.layout.randomised)
    if tally is not None:
        tally.add(stages.fit(stages.layout.passes[["fuel_ml"]].to_numpy(dtype=float)), EFFECT)
    outcomes = driving_outcomes(stages.layout)
    return {w.code for w in diagnostics.driving_warnings(outcomes)}


def _driven(plan: Plan, demand: Floats, speed: Floats) -> Plan:
    return replace(plan, covariates={"demand_kj_per_km": demand, "mean_speed_kmh": speed})
