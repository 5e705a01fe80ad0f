"""The whole analysis, from log files to an `Analysed`: the pipeline's stages in their order.

`driven` reads what was driven, `metering` what it burned, `placed` where; then the passes, the
effect (`compared`) and what holds it against claim, plan and measured fuel (`held`).
"""

import dataclasses
import datetime as dt

import pandas as pd

from roadlog import closure, fuel
from roadlog.analysis.beside_control import beside_control
from roadlog.analysis.blinded import with_blinding
from roadlog.analysis.by_ledger import measured_fuel_alone
from roadlog.analysis.coastdown import with_coastdown
from roadlog.analysis.compared import compare
from roadlog.analysis.driven import gather
from roadlog.analysis.earlier import NOTHING_EARLIER, Earlier
from roadlog.analysis.held import hold_against
from roadlog.analysis.metering import (
    apart_from_others,
    estimators_beside,
    meter,
    usable_samples,
)
from roadlog.analysis.placed import place
from roadlog.analysis.result import Analysed, ArmSummary
from roadlog.runs.order import drawn_by_chance
from roadlog.runs.table import Sources, refuse_sealed, with_day_order
from roadlog.study.settings import Order, Study, SwitchedBy


def analyse(
    study: Study,
    sources: Sources,
    *,
    switched_by: SwitchedBy | None = None,
    order: Order | None = None,
    randomised: bool | None = None,
    progress: bool = False,
    now: dt.datetime | None = None,
    earlier: Earlier = NOTHING_EARLIER,
) -> Analysed:
    """Run every stage.

    Parameters
    ----------
    switched_by : {"day", "run", "stretch"}, optional
        What was assigned independently; by default the schedule's, or `stretch` without one.
    order : {"lots", "pairs", "blocks", "turns", "none"}, optional
        How the order of arms came about, where no schedule says so (`roadlog.runs.order.by_order`).
    randomised : bool, optional
        Overrides the schedule's word on whether chance decided the order.
    progress : bool
        Show progress bars on standard error.
    now : aware datetime, optional
        When this look happens, by default now: before the schedule's last day it is an interim one.

    earlier : Earlier, optional
        What earlier analyses computed (`Earlier.of`); without, all is computed.

    Raises
    ------
    RoadlogError
        With one sentence that says what is wrong, where, and what to do.

    >>> from roadlog.runs.table import open_study
    >>> result = analyse(*open_study("sample_logs"))
    >>> result.finding.word, round(result.effect.primary.estimate, 1)
    ('refuted', 0.4)
    """
    refuse_sealed(study)
    study = with_day_order(study, sources)
    if sources.root is not None:
        study, _ = with_coastdown(sources.root, study)
    by_chance = drawn_by_chance(study, order, randomised)
    ledger = closure.Ledger() if sources.root is None else closure.read_ledger(sources.root, study)
    if study.analysis.estimator == "ledger" or (ledger and not sources.runs):
        return with_blinding(
            measured_fuel_alone(study, ledger, sources, switched_by, by_chance, now), sources
        )
    driven = gather(
        study,
        sources,
        switched_by=switched_by,
        order=order,
        by_chance=by_chance,
        progress=progress,
        earlier=earlier,
    )
    counted = usable_samples(driven.runs, driven.samples)
    if ledger and not fuel.computable_estimators(counted, study):
        return with_blinding(
            measured_fuel_alone(study, ledger, sources, switched_by, by_chance, now), sources
        )
    metered = meter(
        study, driven.runs, driven.samples, ledger, driven.notes, progress, driven.units
    )
    placed = place(study, sources, driven, metered, progress)
    compared = compare(
        study,
        driven,
        metered,
        placed,
        randomised=study.randomised if randomised is None else randomised,
        can_note=sources.root is not None,
    )
    compared, control = beside_control(
        study,
        sources,
        driven,
        metered,
        placed,
        compared,
        randomised=study.randomised if randomised is None else randomised,
        progress=progress,
        earlier=earlier,
    )
    held = hold_against(study, sources, ledger, metered, compared, now)
    effect, table = compared.effect, compared.passes
    used = table[table["used"].astype(bool)]
    result = Analysed(
        study=study,
        switched_by=driven.switched_by,
        runs=compared.runs,
        passes=table,
        network=placed.network,
        effect=dataclasses.replace(effect, forest=(*effect.forest, *held.measured)),
        finding=held.finding,
        of_change=held.of_change,
        baseline=_arm_summary(used, "baseline"),
        fitted=_arm_summary(used, "fitted"),
        fuel_estimator=metered.estimator,
        estimators=estimators_beside(metered, compared.runs, study, earlier),
        ambiguity_pct=compared.ambiguity_pct,
        warnings=(
            *driven.warnings,
            *metered.warnings,
            *apart_from_others(study, metered),
            *placed.warnings,
            *compared.warnings,
            *held.warnings,
        ),
        oversight=held.oversight,
        closed=held.closed,
        evidence=held.evidence,
        station=placed.station,
        road_use=compared.use,
        accessory=compared.aid,
        control=control,
    )
    return with_blinding(result, sources)


def _arm_summary(used: pd.DataFrame, arm: str) -> ArmSummary:
    mine = used[used["arm"] == arm]
    km = float(mine["distance_km"].sum())
    return ArmSummary(
        l_per_100km=float(mine["fuel_ml"].sum() / 1000 / km * 100),
        km=km,
        runs=int(mine["run"].nunique()),
        switch_units=int(mine["switch_unit"].nunique()),
    )
