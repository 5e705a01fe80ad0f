"""What the effect stage found, as frozen data classes."""

from dataclasses import dataclass

import pandas as pd

from roadlog.quantities.facts import Warned
from roadlog.stats.interval import Interval, NamedInterval, Obstacle, Randomisation
from roadlog.stats.unit_randomisation import UnitRandomisation


@dataclass(frozen=True)
class HeldEqual:
    """How far equal driving can be trusted; all on the log scale of fuel use.

    `driving` is what driving explains (total less equal-driving effect); `physics_shift` how far
    the effect moves with coefficients from physics; `warmer_k` how much warmer the air was with
    the add-on [K] (NaN unknown); `margin` what a firm word must clear; `obstacles` why driving
    can't be held equal at all.
    """

    driving: float
    physics_shift: float
    warmer_k: float
    margin: float
    obstacles: tuple[Obstacle, ...]


@dataclass(frozen=True)
class EffectResult:
    """Everything that the effect stage concluded from the pass table."""

    primary: Interval
    total: Interval
    unadjusted: Interval
    randomisation: Randomisation | None
    forest: tuple[NamedInterval, ...]
    outcomes_by_arm: pd.DataFrame  # rows demand, speed, idle: estimate, low, high (percent), p
    carry_over: pd.DataFrame  # previous arm, distance since switch: estimate, low, high (%), p
    coefficients: pd.DataFrame  # term, estimate, se, df, low, high, unit
    variance_components: pd.DataFrame  # name, sd_pct, note
    residuals: pd.DataFrame  # passes index, fitted mL, residual (of a mean pass), segment, ...
    unit_means: (
        pd.DataFrame
    )  # switch_unit, arm, block, start, adjusted_pct, driving_pct (log x100, 0=mean), pass_sd_pct
    leave_one_out: pd.DataFrame  # switch_unit, estimate, low, high
    design: pd.DataFrame  # what, correlation with arm, note
    segment_effects: pd.DataFrame  # segment, change_pct, low, high, passes_baseline, passes_fitted
    smallest_detectable_pct: float
    warnings: tuple[Warned, ...]
    held: HeldEqual | None = None  # None where driving isn't held equal (measured fuel alone)
    orders: UnitRandomisation | None = None  # of the primary, if chance drew the order
    one_stage: Interval | None = None  # the mixed model of log fuel, beneath the primary
