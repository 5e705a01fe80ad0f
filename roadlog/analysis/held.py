"""The effect held against claim, plan, measured fuel and the car's own signals: the finding.

The last stage of `roadlog.analysis.analyse`.
"""

import datetime as dt
from dataclasses import dataclass

from roadlog import closure
from roadlog.analysis.compared import Compared
from roadlog.analysis.doubts import ambiguity_blocking
from roadlog.analysis.metering import Metered
from roadlog.analysis.second import shared_out
from roadlog.closure.result import Closure, Evidence
from roadlog.effect import decide, estimates_only
from roadlog.effect.crosschecks import disagreement_warnings
from roadlog.plan.looks import oversee, oversight_warnings
from roadlog.plan.result import FULL_LEVEL, Oversight
from roadlog.quantities.facts import Warned
from roadlog.runs.table import Sources
from roadlog.stats.interval import Finding, NamedInterval, at_level
from roadlog.study.car import NO_CHANGE, Claim
from roadlog.study.settings import Study


@dataclass(frozen=True)
class Held:
    """The effect held against claim, plan and measured fuel.

    `of_change` holds it against no change at all, as strictly as the claim.
    """

    finding: Finding
    of_change: Finding
    oversight: Oversight | None
    closed: Closure | None
    evidence: Evidence
    measured: tuple[NamedInterval, ...]
    warnings: tuple[Warned, ...]


def hold_against(
    study: Study,
    sources: Sources,
    ledger: closure.Ledger,
    metered: Metered,
    compared: Compared,
    now: dt.datetime | None,
) -> Held:
    """The finding, as plan, measured fuel and the car's own signals allow it."""
    runs, effect = compared.runs, compared.effect
    at = now or dt.datetime.now().astimezone()
    oversight = None if sources.root is None else oversee(study, sources.root, runs, at)
    noted = () if oversight is None else oversight_warnings(oversight, study, runs)

    level = FULL_LEVEL if oversight is None else oversight.look.level
    primary = at_level(effect.primary, level)
    beneath = None if effect.one_stage is None else at_level(effect.one_stage, level)

    closed = closure.close(ledger, runs, study, effect.smallest_detectable_pct)
    clues = shared_out(
        lambda flow: closure.run_evidence(flow, study, metered.calibration), metered.flows
    )
    evidence = closure.evidence_by_arm(list(clues), runs)
    trims = closure.trims_seen(metered.flows, runs)

    def against(claim: Claim | None) -> Finding:
        bent = closure.bend_blocking(
            study.model_copy(update={"claim": claim}),
            metered.estimator,
            trims,
            evidence,
            closed,
            primary,
            effect.smallest_detectable_pct,
        )
        unclear = ambiguity_blocking(primary, compared.ambiguity_pct, claim)
        doubts = dict.fromkeys((*compared.blocking, *unclear))
        return decide(
            primary,
            claim,
            held=effect.held,
            orders=effect.orders,
            one_stage=beneath,
            blocking=[*doubts, *(closed.blocking if closed else ()), *bent],
        )

    finding = against(study.claim)
    measured = () if closed is None else closed.measured
    if compared.once:
        measured = estimates_only(measured)
    return Held(
        finding=finding if oversight is None else oversight.allowed(finding),
        of_change=against(NO_CHANGE),
        oversight=oversight,
        closed=closed,
        evidence=evidence,
        measured=measured,
        warnings=(
            *noted,
            *evidence.warnings,
            *disagreement_warnings(effect.primary, measured),
        ),
    )
