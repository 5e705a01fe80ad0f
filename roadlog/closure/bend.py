"""Whether the add-on could have bent the fuel figure: what closes that, or why nothing may be firm.

In go the place where the add-on acts, the fuel figure, the trims and other clues by arm, and the
fuel that was measured; out come sentences that forbid a firm finding. `roadlog.fuel.sight` says
which pairs of place and figure need which evidence.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.closure.result import Closure, Evidence
from roadlog.closure.trims_alone import saving_in_trims_alone, trims_part
from roadlog.fuel.sight import Sight, sight_of
from roadlog.quantities.against import Against
from roadlog.quantities.arms import ARMS
from roadlog.quantities.columns import Table
from roadlog.quantities.facts import Veto
from roadlog.quantities.signals import TRIM_STEP_PCT, TRIMS, signal
from roadlog.quantities.warm import loop_is_closed
from roadlog.stats.interval import FindingWord, Interval, rule
from roadlog.study.car import Claim
from roadlog.study.settings import Study

LEAST_SHARE = 0.5  # of an arm's fuel, burned in closed loop with both trims read
TRIM_CLUES = ("trim1", "trim2")
BENDING_CLUES = (*TRIM_CLUES, "air_per_pressure", "load_per_pressure", "injected_per_pressure",
                 "air_per_load", "air_per_rate")  # fmt: skip


@dataclass(frozen=True)
class TrimsSeen:
    """Whether the loop's trims could be read in both arms.

    `lacking` says what stands against it, '' if nothing does; `part` is by how much they move the
    fuel between the arms [%], None where it isn't known.
    """

    lacking: str
    part: Interval | None = None

    @property
    def read(self) -> bool:
        """Whether both trims were read in closed loop, in both arms."""
        return not self.lacking


def trims_seen(flows: Sequence[pd.DataFrame], runs: pd.DataFrame) -> TrimsSeen:
    """Whether the used runs of both arms show the loop's trims.

    Parameters
    ----------
    flows : sequence of DataFrame
        `tables.FUEL`, one for each row of `runs`.
    runs : DataFrame
        `tables.RUNS`.

    Returns
    -------
    TrimsSeen
        Trims count where both of a bank are there while the loop is closed (or its state isn't
        logged), in runs in which the short term trim moves: one that stands still is a fault, or a
        logger's filling. At least half of each arm's fuel must have been burned so.
    """
    used = runs["used"].to_numpy(dtype=bool)
    files = runs["file"].astype(str).to_numpy()[used]
    arms = runs["arm"].to_numpy(dtype=object)[used]
    each = [trims_of_run(f) for f, use in zip(flows, used, strict=True) if use]
    lacking = trims_lacking(each, list(files), list(arms))
    return TrimsSeen(lacking) if lacking else TrimsSeen("", trims_part(flows, runs))


def trims_lacking(each: Sequence["TrimsOfRun"], files: Sequence[str], arms: Sequence[str]) -> str:
    """What stands against the trims of used runs, '' if nothing does; in each arm that they have.

    >>> trims_lacking([TrimsOfRun(9.0, 9.0, 8.0, 8.0)] * 2, ["a", "b"], ["baseline", "fitted"])
    ''
    """
    without = [str(n) for n, e in zip(files, each, strict=True) if e.logged < LEAST_SHARE * e.all]
    for arm in [a for a in ARMS if a in arms] or ARMS:
        mine = [e for e, a in zip(each, arms, strict=True) if a == arm]
        whole = sum(e.all for e in mine)
        if sum(e.moving for e in mine) >= LEAST_SHARE * whole > 0:
            continue
        if without:
            return (
                f"both fuel trims aren't there in {len(without)} of {len(files)} runs "
                f"(first {without[0]})"
            )
        if sum(e.closed for e in mine) < LEAST_SHARE * whole:
            return f"the {arm} arm burned under half of its fuel in closed loop with trims logged"
        return f"the short term trim of the {arm} arm stands still, which no loop does"
    return ""


@dataclass(frozen=True)
class TrimsOfRun:
    """Fuel [g] of one run: all, with both trims, with them in closed loop, and while they move."""

    all: float
    logged: float
    closed: float
    moving: float


def trims_of_run(flow: Table) -> TrimsOfRun:
    """How much of a run's fuel was burned with trims to be read; `flow` is `tables.FUEL`."""
    grams = np.nan_to_num(signal(flow, "fuel_flow_g_s") * signal(flow, "dt_s"))
    closed = loop_is_closed(flow)
    there = np.zeros(len(flow), dtype=bool)
    moving = np.zeros(len(flow), dtype=bool)
    for short, long in TRIMS:
        both = np.isfinite(signal(flow, short)) & np.isfinite(signal(flow, long))
        there |= both
        read = np.round(signal(flow, short)[both & closed], 6)
        if len(read) and read.min() != read.max():
            moving |= both & closed
    return TrimsOfRun(
        float(grams.sum()),
        float(grams[there].sum()),
        float(grams[there & closed].sum()),
        float(grams[moving].sum()),
    )


def bend_blocking(
    study: Study,
    estimator: str,
    trims: TrimsSeen,
    evidence: Evidence,
    closed: Closure | None,
    primary: Interval,
    smallest_detectable_pct: float,
) -> tuple[str, ...]:
    """Sentences that forbid a firm finding because the figure could be, or seems, bent.

    Parameters
    ----------
    study : Study
        Its device says where the add-on acts, its claim what would change the finding.
    estimator : str
        The fuel figure.
    trims : TrimsSeen
    evidence : Evidence
        Clues by arm.
    closed : Closure or None
        The figure held against measured fuel.
    primary : Interval [% fuel use]
    smallest_detectable_pct : float [% fuel use]
        What counts as narrow where no firm finding is at stake.

    Notes
    -----
    Alike means equivalence, not want of significance: each bank's 95 % interval of the difference
    holds zero (or stays within one step of the trim's own scale), and even its far end, added to
    either bound of the effect, leaves the finding as it is. Measured fuel closes on the same
    terms: closure agrees, and its interval, carried over to the effect, leaves the finding.
    """
    held = _Held(primary, study.claim, smallest_detectable_pct)
    if _measured_closes(closed, held):
        return ()
    sight = sight_of(study.device.acts_on, estimator)
    lacking = _lacking(study, sight, trims, evidence, held)
    if lacking:
        return (_could_be_bent(study, estimator, sight, lacking, trims),)
    if alone := _in_trims_alone(sight, trims, evidence, held):
        return (_rests_on_trims(study, estimator, alone, evidence),)
    return _seems_bent(study, estimator, sight, evidence, held)


@dataclass(frozen=True)
class _Held:
    """The effect against the claim, and whether a bend would change how they compare."""

    primary: Interval
    claim: Claim | None
    smallest_pct: float

    @property
    def word(self) -> FindingWord | None:
        """The bare finding, None without a claim."""
        if self.claim is None:
            return None
        return rule(self.primary.low, self.primary.high, self.claim.fuel_use_change_pct)

    @property
    def firm(self) -> bool:
        """Whether a firm word is at stake."""
        return self.word in ("refuted", "supported")

    def stays(self, low_pct: float, high_pct: float) -> bool:
        """Whether the finding stays if the true effect is off by anything between these [%]."""
        if not (np.isfinite(low_pct) and np.isfinite(high_pct)):
            return False
        i = self.primary
        if not self.firm or self.claim is None or i.low is None or i.high is None:
            return max(abs(low_pct), abs(high_pct)) <= self.smallest_pct
        low, high = _times(i.low, low_pct), _times(i.high, high_pct)
        return rule(low, high, self.claim.fuel_use_change_pct) == self.word


def _times(change_pct: float, by_pct: float) -> float:
    return 100 * ((1 + change_pct / 100) * (1 + by_pct / 100) - 1)


def _measured_closes(closed: Closure | None, held: _Held) -> bool:
    if closed is None or closed.verdict != "agrees":
        return False
    gap = closed.gap
    return gap.low is not None and gap.high is not None and held.stays(gap.low, gap.high)


def _lacking(study: Study, sight: Sight, trims: TrimsSeen, evidence: Evidence, held: _Held) -> str:
    """What is missing before this figure shows real fuel, '' if nothing is."""
    if sight.follows == "yes" or (study.vehicle.fuel == "diesel" and sight.diesel_follows):
        return ""
    if study.vehicle.fuel == "diesel":
        return "a diesel has no fuel trims that would show it"
    if sight.follows == "with trims":
        return trims.lacking
    if not sight.trims_close:
        return "fuel trims can't tell"
    return trims.lacking or _unlike(evidence, held)


def _unlike(evidence: Evidence, held: _Held) -> str:
    """Why the trims don't count as alike in both arms, '' if they do."""
    table = evidence.table
    rows = table[table["name"].isin(TRIM_CLUES)]
    if rows.empty or not np.isfinite(rows[["low", "high"]].to_numpy(dtype=float)).all():
        return "there are too few switch units to tell whether the fuel trims are alike"
    for r in rows.itertuples():
        low, high = float(str(r.low)), float(str(r.high))
        most = max(abs(low), abs(high))
        if (low <= 0 <= high or most <= TRIM_STEP_PCT) and held.stays(-most, most):
            continue
        said = f"{float(str(r.difference)):+.1f} % ({low:+.1f} to {high:+.1f} %)"
        if low <= 0 <= high:
            return f"the {r.clue} are known to be alike in both arms only within {said}"
        return f"the {r.clue} differ between the arms by {said}"
    return ""


def _in_trims_alone(sight: Sight, trims: TrimsSeen, evidence: Evidence, held: _Held) -> str:
    """Why a supported claim rests on trims of which nothing says that the meter moved them."""
    if not sight.trims_answer_meter or held.word != "supported" or trims.part is None:
        return ""

    def supported(by_pct: float) -> bool:
        return held.stays(by_pct, by_pct)

    return saving_in_trims_alone(trims.part, evidence, supported, held.stays)


def _rests_on_trims(study: Study, estimator: str, alone: str, evidence: Evidence) -> str:
    seen = evidence.table["name"].eq("injected_per_pressure").any()
    log = (
        "" if seen else "log manifold pressure with intake temperature (PIDs 0B and 0F), which "
        "shows whether the meter moved, or absolute load (PID 43) if it doesn't come from the "
        "meter, or "
    )  # fmt: skip
    return Veto(
        f"undecided: the fuel figure could be bent: it is '{estimator}', the add-on acts on "
        f"'{study.device.acts_on}', and {alone}: {log}weigh the fuel",
        Against.BENT(),
    )


def _could_be_bent(
    study: Study, estimator: str, sight: Sight, lacking: str, trims: TrimsSeen
) -> str:
    weigh = "weigh the fuel, or fill up so that a tank belongs to one arm"
    log = f"log both fuel trims (PIDs 06 and 07) in every run, or {weigh}"
    if study.device.acts_on is None:
        return Veto(
            "undecided: say where the add-on acts (--acts-on, or acts_on under [device] in "
            "study.toml): until then a firm word needs both fuel trims logged and alike in both "
            f"arms, but {lacking}",
            Against.NO_PLACE(),
        )
    if study.vehicle.fuel == "diesel":
        todo = weigh
    elif sight.trims_close or sight.follows == "with trims":
        todo = weigh if trims.read else log
    else:
        todo = f"log the air meter (PID 10) or absolute load (PID 43) with both trims, or {weigh}"
    return Veto(
        f"undecided: the fuel figure could be bent: it is '{estimator}', the add-on acts on "
        f"'{study.device.acts_on}', and {sight.why}; {lacking}: {todo}",
        Against.BENT(),
    )


def _seems_bent(
    study: Study, estimator: str, sight: Sight, evidence: Evidence, held: _Held
) -> tuple[str, ...]:
    """A clue that differs by more than chance, that this add-on's place doesn't explain, and whose
    size would change the finding."""
    if not held.firm:
        return ()
    table = evidence.table
    told = table[table["name"].isin(set(BENDING_CLUES) - sight.explained) & table["flagged"]]
    said = []
    for r in told.itertuples():
        by = abs(float(str(r.difference)))
        if not held.stays(-by, by):
            said.append(f"{r.clue} by {float(str(r.difference)):+.1f} %")
    if not said:
        return ()
    acts_on = study.device.acts_on or "nothing declared"
    return (
        Veto(
            "undecided: the fuel figure could be bent: between the arms differ "
            f"{' and '.join(said)}, which an add-on that acts on '{acts_on}' doesn't explain and "
            f"which would change the finding by '{estimator}': correct acts_on, or weigh the fuel",
            Against.BENT(),
        ),
    )
