"""What the effect stage found, as frozen data classes."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from roadlog.quantities.facts import Warned
from roadlog.stats.interval import Interval, NamedInterval, Obstacle, Randomisation
from roadlog.stats.unit_randomisation import UnitRandomisation
from roadlog.wording.forest import plot_rows, said_rows
from roadlog.wording.numbers import ends_of
from roadlog.wording.shown import Said, Shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class HeldEqual:
    """How far equal driving can be trusted; all on the log scale of fuel use.

    `driving` is what driving explains (total less equal-driving effect); `physics_shift` how far
    the effect moves with coefficients from physics; `warmer_k` how much warmer the air was with
    the add-on [K] (NaN unknown); `margin` what a firm word must clear; `obstacles` why driving
    can't be held equal at all. Of two cars (`cars` 2), `below` and `above` are by how much the
    effect would lie lower or higher if what the control car did by itself wasn't shared, and
    `one_car` the part of the margin for what happened to one of them alone;
    `never_supports` where the two cars changed once.
    """

    driving: float
    physics_shift: float
    warmer_k: float
    margin: float
    obstacles: tuple[Obstacle, ...]
    below: float = 0.0
    above: float = 0.0
    one_car: float = 0.0
    cars: int = 1
    never_supports: bool = False


@dataclass(frozen=True, repr=False)
class EffectResult(Shown):
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
    road_speed: pd.DataFrame = field(default_factory=pd.DataFrame)  # `road_speed_effects`
    conditions: pd.DataFrame = field(default_factory=pd.DataFrame)  # `conditions_by_arm`
    build_up: pd.DataFrame = field(default_factory=pd.DataFrame)  # `build_up_table`

    def rows(self) -> list[NamedInterval]:
        """Rows of the interval plot, the primary first and the plain comparison last."""
        rows = list(self.forest)
        roles = {r.role for r in rows}
        if "primary" not in roles:
            rows.append(NamedInterval("Equal-driving effect", self.primary, "primary"))
        if "total" not in roles:
            rows.append(NamedInterval("Total effect", self.total, "total"))
        if "unadjusted" not in roles:
            rows.append(NamedInterval("Plain comparison of arms", self.unadjusted, "unadjusted"))
        chance = self.randomisation
        told = any("randomis" in r.name.lower() for r in rows)
        if chance is not None and not told:
            interval = Interval(self.total.estimate, chance.low, chance.high)
            if ends_of(interval) is not None:
                rows.append(NamedInterval("Randomisation interval", interval, "crosscheck"))
        order = ("primary", "mixed", "total", "crosscheck", "sensitivity", "unadjusted")
        return sorted(rows, key=lambda r: order.index(r.role))

    def to_frame(self) -> pd.DataFrame:
        """A row an estimate of `rows`: name, role, estimate, low, high [% fuel use], level, df."""
        kept = ("estimate", "low", "high", "level", "df")
        return pd.DataFrame(
            [
                {"name": r.name, "role": r.role, **{k: getattr(r.interval, k) for k in kept}}
                for r in self.rows()
            ]
        )

    def plot(self, axes: "Axes | None" = None, *, claim_pct: float | None = None) -> "Axes":
        """Every estimate with its interval; `claim_pct` is a claimed change of fuel use [%]."""
        return plot_rows(self.rows(), claim_pct, axes)

    def _said(self) -> Said:
        return said_rows("Change of fuel use, %", self.rows())
