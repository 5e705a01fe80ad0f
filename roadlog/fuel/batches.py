"""Fuel batches: what the study and the notes say was in the tank goes in, a fuel for each run out.

Implements the energy part of section 1 of the method: a delivery that holds less energy (winter
blend, more ethanol) is counted by its energy, so that it isn't taken for an effect of the add-on.
"""

import dataclasses
import difflib
from collections.abc import Sequence

import numpy as np
import pandas as pd

from roadlog.errors import InputError
from roadlog.quantities.arms import ARMS
from roadlog.quantities.fuels import FUELS, Fuel, blend, blend_expansion_per_k, volume_l
from roadlog.runs.notes import BATCH_KEYS, note_headings, noted
from roadlog.study.settings import Batch, Can, Fill, Study


def batch_fuel(batch: Batch, declared: Fuel) -> Fuel:
    """The properties of one batch: what the study gives, the rest from its blend or the declared.

    >>> winter = batch_fuel(Batch(name="W", lhv_mj_kg=41.0), FUELS["E10"])
    >>> winter.lhv_mj_kg, winter.stoich_afr == FUELS["E10"].stoich_afr
    (41.0, True)
    """
    base = declared
    if batch.fuel is not None:
        base = FUELS[batch.fuel]
    elif batch.ethanol_pct is not None:
        base = blend(batch.ethanol_pct / 100)
    given = {k: v for k in ("lhv_mj_kg", "density_kg_m3") if (v := getattr(batch, k)) is not None}
    fuel = dataclasses.replace(base, name=batch.name, **given)
    if batch.density_kg_m3 is None:
        return fuel
    share = base.ethanol_volume_share
    return dataclasses.replace(
        fuel, thermal_expansion_per_k=blend_expansion_per_k(batch.density_kg_m3, share)
    )


def fuels_by_run(
    runs: pd.DataFrame, study: Study, fills: Sequence[Fill], notes: pd.DataFrame | None
) -> list[Fuel | None]:
    """The fuel in the tank of each run; None where it is the declared one.

    Parameters
    ----------
    runs : DataFrame
        Columns `start`, `day`, `file`.
    study : Study
        Its `batches` describe what differs from the declared fuel.
    fills : sequence of Fill
        In order of time; a fill with a batch mixes into what was left, if `vehicle.tank_l` is
        known and the fill was full, else replaces it.
    notes : DataFrame, optional
        A column `fuel batch` by `date`, `run` or `file` decides over the fills.

    Raises
    ------
    InputError
        If a fill names a batch that isn't described.
    """
    known = {b.name: batch_fuel(b, FUELS[study.vehicle.fuel]) for b in study.batches}
    if not known:
        return [None] * len(runs)
    by_note = _noted(runs, notes)
    by_fill = _filled(runs, study, fills, known)
    return [known.get(note, filled) for note, filled in zip(by_note, by_fill, strict=True)]


def _noted(runs: pd.DataFrame, notes: pd.DataFrame | None) -> list[str]:
    if notes is None or notes.empty:
        return [""] * len(runs)
    names = note_headings(notes)
    column = next((names[c] for c in BATCH_KEYS if c in names), None)
    if column is None:
        return [""] * len(runs)
    return list(noted(notes, runs, notes[column]).fillna("").astype(str).str.strip())


def _filled(
    runs: pd.DataFrame, study: Study, fills: Sequence[Fill], known: dict[str, Fuel]
) -> list[Fuel | None]:
    named = [f for f in fills if f.batch is not None]
    for f in named:
        if f.batch not in known:
            raise InputError(
                f"fill of {f.time}: batch '{f.batch}' is not described: add it to [[batches]] in "
                "study.toml"
            )
    if not named:
        return [None] * len(runs)
    declared, tank_l = FUELS[study.vehicle.fuel], study.vehicle.tank_l
    times, mixes, mix = [], [], declared
    for f in fills:
        new = known[f.batch] if f.batch is not None else declared
        share = min(f.litres / tank_l, 1.0) if tank_l is not None and f.full else 1.0
        mix = _mixed(mix, new, share)
        times.append(np.datetime64(pd.Timestamp(f.time).tz_localize(None)))
        mixes.append(mix)
    at = np.searchsorted(np.array(times), runs["start"].to_numpy(), side="right")
    undated = runs["start"].isna().to_numpy()
    return [None if i == 0 or no else mixes[i - 1] for i, no in zip(at, undated, strict=True)]


def _mixed(left: Fuel, new: Fuel, share: float) -> Fuel:
    """Volumes add; what is per kilogram adds by mass."""
    if share >= 1:
        return new
    density = share * new.density_kg_m3 + (1 - share) * left.density_kg_m3
    w = share * new.density_kg_m3 / density

    def by_mass(a: float, b: float) -> float:
        return w * a + (1 - w) * b

    return dataclasses.replace(
        new,
        name=f"{new.name} in {left.name}",
        density_kg_m3=density,
        stoich_afr=by_mass(new.stoich_afr, left.stoich_afr),
        lhv_mj_kg=by_mass(new.lhv_mj_kg, left.lhv_mj_kg),
        carbon_mass_fraction=by_mass(new.carbon_mass_fraction, left.carbon_mass_fraction),
        ethanol_volume_share=share * new.ethanol_volume_share
        + (1 - share) * left.ethanol_volume_share,
    )


def weighed_baseline_l(cans: Sequence[Can], runs: pd.DataFrame, study: Study) -> float | None:
    """Litres [15 °C] that cans weighed over exactly the used baseline runs; None if not all.

    It sets the level of volumetric efficiency where no air signal does (`fuel.calibrate`).

    Raises
    ------
    InputError
        If a can names no run or switch unit of the study.
    """
    base = set(runs.loc[runs["used"] & (runs["arm"] == ARMS[0]), "run"])
    weighed, kg = set[int](), 0.0
    for can in cans:
        mine = set(runs_of_can(can, runs)["run"])
        if mine <= base:
            weighed |= mine
            kg += can.before_kg - can.after_kg
    if not base or weighed != base:
        return None
    return volume_l(1000 * kg, FUELS[study.vehicle.fuel])


def runs_of_can(can: Can, runs: pd.DataFrame) -> pd.DataFrame:
    """Rows of the runs whose fuel a can holds.

    Raises
    ------
    InputError
        If there are none.
    """
    if can.run is None:
        column, name = runs["switch_unit"].astype(str), str(can.unit)
        mine = runs[column == name]
    else:
        column, name = runs["file"].astype(str), can.run.replace("\\", "/")
        mine = runs[(column == name) | (column.str.split("/").str[-1] == name)]
    if mine.empty:
        near = difflib.get_close_matches(name, [str(c) for c in column], n=1, cutoff=0.4)
        hint = f": did you mean '{near[0]}'?" if near else ""
        raise InputError(f"can of '{name}': the study has no such run or switch unit{hint}")
    return mine
