"""What an analysis found: every stage's part, for reports to print."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from roadlog.analysis.summary import summary_lines, summary_rows
from roadlog.closure.result import Closure, Evidence
from roadlog.closure.two_cars_fuel import MeasuredRatio
from roadlog.effect.ratio_test import RatioTest
from roadlog.effect.result import EffectResult
from roadlog.effect.two_cars import Difference
from roadlog.passes.road_use import RoadUse
from roadlog.plan.result import Blinding, Oversight
from roadlog.quantities.facts import Warned
from roadlog.road.network import Network
from roadlog.stats.interval import Finding, Interval
from roadlog.study.settings import Study
from roadlog.trials.result import TrialResult
from roadlog.weather.station import Station
from roadlog.wording.shown import Said, Shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class AccessoryTime:
    """How long a large accessory (air conditioning) ran, by arm, and what that does to the effect.

    `runs` has a row a run: `run`, `file`, `day`, `known_s`, `seen` (share of the known time, NaN
    where none is), `share` (shrunk; by the notes where the state isn't visible), `noted` (0 off,
    1 on, a share, NaN blank or automatic) and `answered`. `modes` has a row for each quantity of
    idle: `quantity`, `change` between the arms, its 95 % half-width and the `spacing` of the modes.
    `difference` is fitted less baseline, in points of the time.
    """

    visible: bool
    confirmed: bool
    refused: bool
    takes_ml_s: float
    runs: pd.DataFrame
    share: dict[str, float]
    difference: Interval | None
    worth_pct: float
    modes: pd.DataFrame
    arm_gap: float = 0.0  # log of idle air between the arms, where two modes are the arms
    said: tuple[str, ...] = ()
    warnings: tuple[Warned, ...] = ()

    @property
    def enters(self) -> bool:
        """Whether it is part of expected fuel."""
        return self.visible and self.confirmed and not self.refused

    @property
    def told(self) -> tuple[str, ...]:
        """What was seen, by arm, and whether it is part of expected fuel, as sentences."""
        shares = " and ".join(f"{100 * s:.0f} % in the {arm} arm" for arm, s in self.share.items())
        parts = [f"{s[0].upper()}{s[1:]}" for s in self.said]
        if shares:
            source = "closed-throttle air" if self.visible else "the notes"
            parts.append(f"By {source} the share of the time that it was on is {shares}")
        if self.visible:
            parts.append(
                "Its fuel is part of expected fuel"
                if self.enters
                else "Its fuel is not part of expected fuel"
            )
        return tuple(parts)


@dataclass(frozen=True)
class BesideControl:
    """What the control car says.

    `used` is whether the result is the difference; else `why_not` says why it isn't. `runs` and
    `passes` are the control car's; `pairs` the runs that both cars drove together: day, arm, files,
    minutes between their starts, litres of each and their ratio. `measured` is the change of the
    cars' ratio by fuel that was filled or weighed, or why there is none.
    """

    name: str
    used: bool
    why_not: str
    runs: pd.DataFrame
    passes: pd.DataFrame
    pairs: pd.DataFrame
    difference: Difference | None
    ratio: RatioTest | None
    alone: EffectResult | None
    vetoes: tuple[str, ...]
    warnings: tuple[Warned, ...]
    measured: MeasuredRatio | str = ""


@dataclass(frozen=True)
class ArmSummary:
    """Plain totals of one arm over its used passes."""

    l_per_100km: float
    km: float
    runs: int
    switch_units: int


@dataclass(frozen=True, repr=False)
class Analysed(Shown):
    """A finished analysis: what report and results.json are made of; printed, its summary."""

    study: Study
    switched_by: str
    runs: pd.DataFrame  # tables.RUNS
    passes: pd.DataFrame  # tables.PASSES
    network: Network
    effect: EffectResult
    finding: Finding
    baseline: ArmSummary
    fitted: ArmSummary
    fuel_estimator: str
    estimators: pd.DataFrame  # name, available, expected error, l_per_100km by arm, change_pct
    ambiguity_pct: float  # how far the effect moves between the two fuel bounds
    warnings: tuple[Warned, ...] = field(default=())
    oversight: Oversight | None = None  # None for piles of logs
    closed: Closure | None = None
    evidence: Evidence | None = None
    trials: tuple[TrialResult, ...] = ()  # the trials beside the road test
    station: Station | None = None  # of the weather; None without weather
    road_use: RoadUse | None = None  # None where fuel was only measured
    accessory: AccessoryTime | None = None  # None where fuel was only measured
    blinding: Blinding | None = None  # None where nothing was sealed and nobody guessed
    control: BesideControl | None = None  # None where no control car is declared
    of_change: Finding | None = None  # the effect held against no change, as against the claim

    def __str__(self) -> str:
        return "\n".join(summary_lines(self))

    def to_frame(self) -> pd.DataFrame:
        """Every estimate of the effect, see `EffectResult.to_frame`."""
        return self.effect.to_frame()

    def plot(self, axes: "Axes | None" = None) -> "Axes":
        """Every estimate with its interval, beside zero and the claim."""
        claim = self.study.claim
        return self.effect.plot(
            axes, claim_pct=None if claim is None else claim.fuel_use_change_pct
        )

    def _said(self) -> Said:
        return Said(self.study.name, summary_rows(self)[1:])
