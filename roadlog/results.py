"""What an analysis found, as frozen data classes: the effect engine fills them, reports print them.

The field names follow results.json (schema 1), which `roadlog.report.to_json` writes from them.
"""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import pandas as pd

from roadlog.road.network import Network
from roadlog.study.settings import Study
from roadlog.trials.result import TrialResult
from roadlog.weather.station import Station

if TYPE_CHECKING:
    from roadlog.stats.unit_randomisation import UnitRandomisation

FindingWord = Literal["refuted", "supported", "undecided"]
Role = Literal["primary", "mixed", "total", "crosscheck", "sensitivity", "unadjusted"]
Obstacle = Literal["no-work", "weak-work", "driving-moved"]


@dataclass(frozen=True)
class Interval:
    """A percent change (or another quantity) with its 95 % bounds, None where none can be given.

    `df` is the degrees of freedom of the t quantile, NaN if not t-based; `method` is one plain
    phrase that says how the bounds were made. `se` and `floor_se` are what a bound on the log scale
    is made of where it may lie on the passes' floor: the larger of t·se and z·floor_se; None where
    the t quantile alone makes it.
    """

    estimate: float
    low: float | None
    high: float | None
    df: float = float("nan")
    method: str = ""
    level: float = 0.95
    se: float | None = None
    floor_se: float | None = None


@dataclass(frozen=True)
class NamedInterval:
    """One row of the forest plot."""

    name: str
    interval: Interval
    role: Role
    note: str = ""


@dataclass(frozen=True)
class Randomisation:
    """Randomisation test of no effect, and its interval by inversion (None if too few orders)."""

    p: float
    low: float | None
    high: float | None
    assignments: int
    exact: bool
    note: str = ""


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
class Finding:
    """How effect and claim compare, in plain sentences.

    `margin_pct` is what a firm word had to clear beside the interval [% of fuel], `claim_p` the
    one-sided p of the claim over the orders that chance could have drawn, and `claim_p_of` the
    word that it speaks for; None where there is none.
    """

    word: FindingWord | None
    reasons: tuple[str, ...]
    margin_pct: float | None = None
    claim_p: float | None = None
    claim_p_of: FindingWord | None = None


@dataclass(frozen=True)
class Warned:
    """A warning: a stable code and one plain sentence, and the log that it is about, if one."""

    code: str
    message: str
    log: str = ""


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
class ArmUse:
    """One arm's road: km driven, placed on shared road and used, and km lost by cause.

    `share` is what is used of the km that could have been: without washout, drives set aside by
    words agreed beforehand, and roads that too few runs of both arms drive.
    """

    driven_km: float
    placed_km: float
    used_km: float
    share: float
    lost: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class RoadUse:
    """Both arms' road, and each run's: `runs` has `run`, `driven_km`, `placed_km`, `used_km`."""

    arms: dict[str, ArmUse]
    runs: pd.DataFrame


@dataclass(frozen=True)
class ArmSummary:
    """Plain totals of one arm over its used passes."""

    l_per_100km: float
    km: float
    runs: int
    switch_units: int


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
    orders: "UnitRandomisation | None" = None  # of the primary, if chance drew the order
    one_stage: Interval | None = None  # the mixed model of log fuel, beneath the primary


@dataclass(frozen=True)
class Closure:
    """How the fuel figure compares with fuel filled or weighed.

    `verdict` is agrees, gap, uninformative or none; `values` the numbers of results.json; `tanks`
    and `cans` one row each; `said` plain sentences; `blocking` those that forbid a firm finding;
    `measured` the effects that fuel filled or weighed and distance tell by themselves.
    """

    verdict: str
    gap: Interval
    values: dict[str, float]
    tanks: pd.DataFrame
    cans: pd.DataFrame
    said: tuple[str, ...]
    blocking: tuple[str, ...]
    measured: tuple[NamedInterval, ...] = ()


@dataclass(frozen=True)
class Evidence:
    """What OBD shows of bent signals, by arm.

    `table` has one row a clue; `said` tells what it can and can't show; `warnings` name the clues
    that differ between the arms by more than chance.
    """

    table: pd.DataFrame
    said: tuple[str, ...]
    warnings: tuple[Warned, ...]


@dataclass(frozen=True)
class Look:
    """One analysis of the study's data, as `computed/looks.jsonl` keeps it."""

    time: str  # ISO 8601 with zone
    units: int  # switch units with usable runs
    planned: int  # switch units scheduled, 0 without a schedule
    interim: bool
    level: float  # confidence of the interval that could decide
    finding: str | None
    data_sha256: str
    choices_sha256: str


@dataclass(frozen=True)
class ChanceOfWord:
    """How often each final word comes [0 to 1] if the add-on changes fuel use by `true_pct`."""

    true_pct: float
    refuted: float
    supported: float
    undecided: float


@dataclass(frozen=True)
class Promised:
    """What the plan promised, as `computed/promised.json` keeps it.

    `late` if it was made only after the first fitted run; `half_width_pct` the 95 % interval's
    median half-width, `refutable_pct` the smallest claim refuted 4 times out of 5 if the add-on
    does nothing, `scatter_pct` from switch unit to switch unit, all in % of fuel use.
    """

    made_at: str  # ISO 8601 with zone
    late: bool
    units: int
    half_width_pct: float
    refutable_pct: float
    claim_pct: float | None
    chances: tuple[ChanceOfWord, ...]
    scatter_pct: float
    scatter_source: str


@dataclass(frozen=True)
class Oversight:
    """What was fixed beforehand, what was changed since, and how often the data were looked at."""

    registered_at: str | None
    registered_sha256: str | None
    registered_late: bool
    registrations: int  # entries of the register in all
    changes: tuple[str, ...]
    stop_date: str | None
    look: Look  # this one; its finding is filled in when it is logged
    earlier: tuple[Look, ...]
    spends_alpha: bool
    exclude_if: tuple[str, ...] = ()  # words that set a run aside: as registered, if in time
    promised: Promised | None = None  # None where roadlog plan made no promise


@dataclass(frozen=True)
class Analysed:
    """A finished analysis: what report and results.json are made of."""

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
    closure: dict[str, float] | None
    warnings: tuple[Warned, ...] = field(default=())
    oversight: Oversight | None = None  # None for piles of logs
    closed: Closure | None = None
    evidence: Evidence | None = None
    trials: tuple[TrialResult, ...] = ()  # the trials beside the road test
    station: Station | None = None  # of the weather; None without weather
    road_use: RoadUse | None = None  # None where fuel was only measured
    accessory: AccessoryTime | None = None  # None where fuel was only measured
