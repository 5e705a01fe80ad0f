"""Whether the warning comes where an interval can't be trusted, and how often it comes in vain.

Cells scored on bias and warning go through the very functions that warn: `diagnostics`, the
driving outcomes and the finding rule.
"""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from roadlog.effect.calibration.cells import Cell
from roadlog.effect.calibration.simulate import (
    EFFECT,
    Plan,
    draw_plan,
    frame,
    responses,
)
from roadlog.effect.calibration.tally import Tally

from roadlog.effect import diagnostics
from roadlog.effect.crosschecks import fit_interval
from roadlog.effect.design import Design, build_design
from roadlog.effect.estimate import driving_outcomes, fit_design
from roadlog.effect.finding import decide, driving_shifts
from roadlog.errors import DesignError
from roadlog.study import Claim

Floats = NDArray[np.floating[Any]]

FITTED_EVERY = 4  # one replicate in so many is fitted, for bias; the warning is sought in all
READING_SD = 0.03  # relative error of a pass's demand


@dataclass
class DriftAlarms:
    """Codes that a design without blocks raises, counted over responses."""

    randomised: bool
    n: int = 0
    counts: dict[str, int] = field(default_factory=dict)

    def look(self, design: Design, y: Floats) -> None:
        """Count the codes of each response (rows, B).

        The design has to be complete and balanced: only then are the units' weighted means their
        adjusted means up to a constant.
        """
        table = diagnostics.design_table(design, self.randomised)
        fixed = {w.code for w in diagnostics.design_warnings(design, table, self.randomised)}
        weight = np.bincount(design.unit, weights=design.weights)
        means = [np.bincount(design.unit, weights=design.weights * c) / weight for c in y.T]
        for values in means:
            codes = fixed | {w.code for w in diagnostics.drift_warnings(design, values)}
            for code in codes:
                self.counts[code] = self.counts.get(code, 0) + 1
        self.n += len(means)

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
            design = build_design(table, [])
        except DesignError:
            tally.refused(1)
            return {"refused"}
        tally.add(fit_design(design, [])[1], EFFECT)
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
    design = build_design(frame(_driven(plan, read, speed), y), list(cell.covariates))
    _, fit = fit_design(design, design.names)
    _, total = fit_design(design, design.conditions)
    if tally is not None:
        tally.add(fit, EFFECT)
    outcomes = driving_outcomes(design)
    primary, whole = fit_interval(fit, ""), fit_interval(total, "")
    finding = decide(primary, whole, None, outcomes, Claim(economy_pct=12.0))
    said = any("driving changed" in reason for reason in finding.reasons)
    return {
        *(["driving changed"] if said else []),
        *(["outcome shifted"] if driving_shifts(outcomes) else []),
        str(finding.word),
    }


def _driven(plan: Plan, demand: Floats, speed: Floats) -> Plan:
    return replace(plan, covariates={"demand_kj_per_km": demand, "mean_speed_kmh": speed})
