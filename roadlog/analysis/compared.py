"""The passes and the effect: placed runs go in, the arms compared come out.

The fourth stage of `roadlog.analysis.analyse`: pass table, road used, accessory time, effect.
"""

import dataclasses
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from roadlog import fuel
from roadlog.analysis.accessory_time import (
    accessory_blocking,
    accessory_time,
    other_effect,
    with_accessory,
)
from roadlog.analysis.doubts import fuel_doubts
from roadlog.analysis.driven import Driven
from roadlog.analysis.facts import NotUsed
from roadlog.analysis.metering import Metered
from roadlog.analysis.placed import Placed
from roadlog.analysis.result import AccessoryTime
from roadlog.effect import (
    FuelPhysics,
    ambiguity_pct,
    changed_once,
    estimate_effect,
    forbidden_by_order,
    fuel_physics,
    without_intervals,
)
from roadlog.effect.before_after import ONE_CHANGE
from roadlog.effect.result import EffectResult
from roadlog.passes import table as passes
from roadlog.passes.cautions import datum_warnings, source_warnings
from roadlog.passes.modes import mode_table
from roadlog.passes.road_use import RoadUse, lost_blocking, lost_warnings, road_use, uneven_wheels
from roadlog.plan.schedule import redraw
from roadlog.quantities.facts import Warned, commonest
from roadlog.quantities.fuels import FUELS
from roadlog.quantities.tables import RUNS
from roadlog.study.settings import Study


@dataclass(frozen=True)
class Compared:
    """The arms compared. `once` is True where the arm changed but once; `blocking` forbids."""

    runs: pd.DataFrame
    passes: pd.DataFrame
    effect: EffectResult
    ambiguity_pct: float
    once: bool
    use: RoadUse
    aid: AccessoryTime
    blocking: tuple[str, ...]
    warnings: tuple[Warned, ...]


def compare(
    study: Study,
    driven: Driven,
    metered: Metered,
    placed: Placed,
    *,
    randomised: bool,
    can_note: bool,
) -> Compared:
    """Build the passes and estimate the effect on them.

    Parameters
    ----------
    study : Study
    driven, metered, placed
        What the stages before came to.
    randomised : bool
        Whether chance decided the order of arms.
    can_note : bool
        Whether the study has a folder for notes.
    """
    model, network, notes = driven.agreed, placed.network, driven.notes
    table = passes.build_passes(placed.tracks, metered.runs, network, model, notes)
    use = road_use(
        metered.runs,
        driven.samples,
        placed.tracks,
        table,
        network,
        set_aside=list(driven.set_aside),
        min_runs_per_arm=study.analysis.min_runs_per_arm,
    )
    warnings = [
        *(Warned("ambient-source", w) for w in source_warnings(table)),
        *(Warned("altitude-datum", w) for w in datum_warnings(table, driven.runs)),
    ]
    modes = mode_table(placed.tracks, table)
    on_road = (*lost_blocking(use), *uneven_wheels(table))
    lost = lost_warnings(use)
    runs = RUNS.check(_with_pass_reasons(metered.runs.drop(columns="log"), table))

    physics, whole_runs = fuel_physics_of(study, metered), network.kind == "run"
    aid = accessory_time(study, metered, table, notes, randomised=randomised, can_note=can_note)
    if aid.enters:
        table = with_accessory(table, aid)
    effect = estimate_effect(
        table,
        randomised=randomised,
        physics=physics,
        whole_runs=whole_runs,
        modes=modes,
        covariates=model.analysis.covariates,
        seed=study.seed,
        redraw=None if study.schedule is None else partial(redraw, study.schedule),
    )
    beside = other_effect(table, aid, randomised=randomised, physics=physics, whole_runs=whole_runs)
    if beside is not None:
        effect = dataclasses.replace(effect, forest=(*effect.forest, beside))
    once = changed_once(runs, randomised, in_order=driven.in_order)
    if once:
        effect = without_intervals(effect)
    ambiguity = ambiguity_pct(table, randomised=randomised, physics=physics, whole_runs=whole_runs)
    return Compared(
        runs=runs,
        passes=table,
        effect=effect,
        ambiguity_pct=ambiguity,
        once=once,
        use=use,
        aid=aid,
        blocking=(
            *forbidden_by_order(study.device, runs, randomised),
            *on_road,
            *([ONE_CHANGE] if once and runs["start"].isna().any() else ()),
            *driven.doubts,
            *fuel_doubts(study, metered, effect.primary, ambiguity, driven.units),
            *accessory_blocking(aid, effect.primary, beside, study),
        ),
        warnings=(*warnings, *aid.warnings, *lost),
    )


def fuel_physics_of(study: Study, metered: Metered) -> FuelPhysics:
    """What this car's driving takes, from its declared data and its idle in both arms."""
    own = FUELS[study.vehicle.fuel]
    idle = [fuel.idle_flow_g_s(f) for f in metered.usable.values()]
    known = [x for x in idle if np.isfinite(x)]
    return fuel_physics(
        density_kg_m3=own.density_kg_m3,
        lhv_mj_kg=own.lhv_mj_kg,
        diesel=study.vehicle.fuel == "diesel",
        displacement_l=study.vehicle.displacement_l,
        idle_g_s=float(np.median(known)) if known else None,
    )


def _with_pass_reasons(runs: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """A run none of whose passes was used is marked so, with the commonest reason."""
    runs = runs.copy()
    used = set(table.loc[table["used"].astype(bool), "run"])
    for i, row in enumerate(runs.itertuples()):
        if row.used and row.run not in used:
            reasons = table.loc[table["run"] == row.run, "reason"]
            runs.loc[runs.index[i], "used"] = False
            runs.loc[runs.index[i], "reason"] = (  # type: ignore[call-overload]
                NotUsed.NO_PASS(why=commonest(reasons)) if len(reasons) else NotUsed.NO_SEGMENT()
            )
    return runs
