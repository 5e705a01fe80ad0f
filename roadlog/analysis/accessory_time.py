"""Accessory time of a study: metered runs, notes and passes go in, how long the accessory ran in
each arm, what it took and whether that may enter the effect comes out.

The state is found from closed-throttle air (`roadlog.fuel.accessory_state`) and enters only where
it is visible, the tester confirmed it blind, and no mode of idle moved with the arm. A share that
differs by arm forbids a firm word (docs/method.md, section 5).
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from roadlog.analysis.metering import Metered
from roadlog.analysis.result import AccessoryTime
from roadlog.effect import FuelPhysics
from roadlog.effect.estimate import primary_stages
from roadlog.effect.layout import Layout, lay_out
from roadlog.errors import DesignError
from roadlog.fuel.accessory_state import SHRINK_S, AccessoryState, find_accessory, on_less_off
from roadlog.quantities.against import Against
from roadlog.quantities.arms import ARMS
from roadlog.quantities.columns import Table
from roadlog.quantities.facts import Veto, Warned
from roadlog.quantities.fuels import FUELS
from roadlog.quantities.signals import signal
from roadlog.runs.accessory_notes import COLUMN, accessory_noted
from roadlog.stats.interval import Interval, NamedInterval, percent_interval
from roadlog.stats.unit_contrast import unit_t
from roadlog.study.car import Vehicle
from roadlog.study.settings import Study

ACCESSORY_ML = "accessory_ml"
SENSITIVITY_WITH, SENSITIVITY_WITHOUT = "with accessory time", "without accessory time"
LEAST_ANSWERED = 0.8  # of the runs, for the tester's word to confirm
MOST_CONTRADICTED = 0.1  # of the answered runs
OFF_AT_MOST, ON_AT_LEAST, SHARE_APART = 0.3, 0.1, 0.4  # of the known time
MOVED = 0.25  # of the spacing between the modes
LEAST_RPM_SPACING = 40.0
LEAST_WORTH_PCT = 0.3  # of fuel: a difference of accessory time that is worth less is let be
ONE_ARM_ONLY = 0.3  # log of idle air: more between the arms than an add-on makes
LEAST_KNOWN_S = 20.0  # of a switch unit, for its share to be compared
LEAST_POINTS = 5.0  # of the time: the same where what it takes isn't known


def seen_by_run(
    samples: Sequence[Table], runs: pd.DataFrame, vehicle: Vehicle, *, sealed: bool = False
) -> tuple[AccessoryState, pd.DataFrame]:
    """The accessory's state in the usable runs, and a table of them.

    While the arms are `sealed` nothing is seen: an add-on that moves idle air makes two modes as an
    accessory does, and the days of each would tell the arm.

    Returns
    -------
    AccessoryState
    DataFrame
        `run`, `file`, `day`, `known_s`, `seen`, `share` and the modes by run; NaN where it can't be
        seen.
    """
    why_not = (
        "the schedule is sealed, and what idle looks like could tell the arm"
        if sealed
        else "a diesel's air isn't throttled"
        if vehicle.fuel == "diesel"
        else ""
    )
    found = (
        AccessoryState(False, why_not)
        if why_not
        else find_accessory(samples, runs["arm"].astype(str).tolist(), vehicle.displacement_l)
    )
    table = runs[["run", "file", "day"]].reset_index(drop=True)
    if not found.visible:
        empty = ("seen", "share", "off_air", "on_air", "off_rpm", "on_rpm")
        return found, table.assign(known_s=0.0, **dict.fromkeys(empty, np.nan))
    own = found.runs
    seen = (own["on_s"] / own["known_s"]).where(own["known_s"] > 0)
    return found, pd.concat([table, own.drop(columns="on_s").assign(seen=seen)], axis=1)


def takes_ml_s(found: AccessoryState, burned: Sequence[Table], vehicle: Vehicle) -> float:
    """Fuel that the accessory takes while it is on [mL/s], NaN where it can't be seen.

    Parameters
    ----------
    found : AccessoryState
    burned : sequence of Columns or DataFrame
        `tables.FUEL` of the runs in which it was looked for.
    vehicle : Vehicle
    """
    flow = [signal(b, "fuel_flow_g_s") for b in burned]
    return on_less_off(found, flow) * 1000 / FUELS[vehicle.fuel].density_kg_m3


def one_arm_only(arm_gap: float) -> str:
    """The clause that says by how much idle air differs between the arms [log], and why it may."""
    return (
        f"idle takes {100 * np.expm1(arm_gap):.0f} % more air in one arm than in the other, as air "
        "conditioning that ran in one arm only would make it"
    )


def accessory_time(
    study: Study,
    metered: Metered,
    passes: pd.DataFrame,
    notes: pd.DataFrame | None,
    *,
    randomised: bool,
    can_note: bool,
) -> AccessoryTime:
    """Find accessory time, hold it against the tester's word, and compare the arms.

    Parameters
    ----------
    study : Study
    metered : Metered
    passes : DataFrame
        `tables.PASSES`.
    notes : DataFrame, optional
        As `roadlog.runs.notes.read_notes` reads them.
    randomised : bool
        Whether chance decided the order of arms.
    can_note : bool
        Whether the study has a folder for notes, so that the tester can be asked.
    """
    at = [int(i) for i in np.flatnonzero(metered.runs["used"].astype(bool))]
    runs = metered.runs.iloc[at].reset_index(drop=True)
    found, table = seen_by_run([metered.samples[i] for i in at], runs, study.vehicle)
    noted = accessory_noted(notes, runs)
    table = table.assign(noted=noted.share.to_numpy(float), answered=noted.answered.to_numpy(bool))
    if not found.visible:
        table = table.assign(share=table["noted"])
    takes = takes_ml_s(found, [metered.flows[i] for i in at], study.vehicle)
    layout = _layout(passes, randomised)
    compared = _Compared() if layout is None else _compare(layout, table, found, takes)
    doubt = _unconfirmed(table) if found.visible else "it can't be seen"
    return AccessoryTime(
        visible=found.visible,
        confirmed=not doubt,
        refused=bool(compared.moved),
        takes_ml_s=takes,
        runs=table,
        share=compared.share,
        difference=compared.difference,
        worth_pct=compared.worth_pct,
        modes=compared.modes,
        arm_gap=found.arm_gap,
        said=_said(found, table, takes),
        warnings=(
            *(Warned("accessory-note", d) for d in noted.doubts),
            *_warnings(found, table, doubt, compared.moved, can_note),
        ),
    )


def with_accessory(passes: pd.DataFrame, time: AccessoryTime) -> pd.DataFrame:
    """The pass table with `accessory_ml`: what the accessory took in each pass [mL]."""
    share = dict(zip(time.runs["run"], time.runs["share"], strict=True))
    known = passes["run"].map(share).astype(float)
    return passes.assign(**{ACCESSORY_ML: time.takes_ml_s * known * passes["duration_s"]})


def other_effect(
    passes: pd.DataFrame,
    time: AccessoryTime,
    *,
    randomised: bool,
    physics: FuelPhysics,
    whole_runs: bool,
) -> NamedInterval | None:
    """The effect with accessory time where the result is without, and the reverse."""
    if not time.visible or not time.takes_ml_s > 0:
        return None
    name = SENSITIVITY_WITHOUT if time.enters else SENSITIVITY_WITH
    table = (
        passes.drop(columns=ACCESSORY_ML, errors="ignore")
        if time.enters
        else with_accessory(passes, time)
    )
    c = primary_stages(
        table, randomised=randomised, physics=physics, whole_runs=whole_runs
    ).contrast
    interval = percent_interval(c.tau, c.half_width(), c.df, "")
    return NamedInterval(name, interval, "sensitivity")


def accessory_blocking(
    time: AccessoryTime, primary: Interval, other: NamedInterval | None, study: Study
) -> list[str]:
    """A sentence that forbids a firm word where the arms differ in accessory time."""
    d = time.difference
    if time.arm_gap > ONE_ARM_ONLY and not time.runs["answered"].all():
        return [
            Veto(
                f"accessory differed: {one_arm_only(time.arm_gap)}, and the notes don't say: fill "
                f"in the column '{COLUMN}' of notes.csv",
                Against.COOLING_ONE_ARM(),
            )
        ]
    if d is None or d.low is None or d.high is None or d.low <= 0 <= d.high:
        return []
    matters = (
        abs(time.worth_pct) >= LEAST_WORTH_PCT if time.visible else abs(d.estimate) >= LEAST_POINTS
    )
    if not matters:
        return []
    shares = " and ".join(
        f"{100 * time.share[a]:.0f} % with {study.label(a)}" for a in ARMS if a in time.share
    )
    source = "closed-throttle air" if time.visible else "the notes"
    text = (
        f"accessory differed: by {source} it was on for {shares} of the time ({d.estimate:+.0f} "
        f"points, {d.low:+.0f} to {d.high:+.0f})"
    )
    if other is not None:
        with_it, without = (
            (primary.estimate, other.interval.estimate)
            if time.enters
            else (other.interval.estimate, primary.estimate)
        )
        text += (
            f"; the effect is {with_it:+.1f} % with its fuel taken off as far as stops tell it, "
            f"{without:+.1f} % as is"
        )
    return [
        Veto(text, Against.COOLING_MORE()) if d.estimate > 0 else Veto(text, Against.COOLING_LESS())
    ]


_MODES = ("off_air", "on_air", "off_rpm", "on_rpm")
_OF_SPEED = ("off_rpm", "on_rpm")
_NAMES = {
    "off_air": "idle air with the accessory off (log)",
    "on_air": "idle air with the accessory on (log)",
    "off_rpm": "idle speed with the accessory off [1/min]",
    "on_rpm": "idle speed with the accessory on [1/min]",
}
_COLUMNS = ("quantity", "change", "half_width", "spacing")


@dataclass(frozen=True)
class _Compared:
    """The arms' accessory time and idle modes over switch units."""

    share: dict[str, float] = field(default_factory=dict)
    difference: Interval | None = None
    worth_pct: float = float("nan")
    modes: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(_COLUMNS)))
    moved: tuple[str, ...] = ()


def _layout(passes: pd.DataFrame, randomised: bool) -> Layout | None:
    """The switch units; None where the effect itself will say what is wrong with them."""
    try:
        return lay_out(passes, randomised=randomised)
    except DesignError:
        return None


def _compare(
    layout: Layout, table: pd.DataFrame, found: AccessoryState, takes_ml_s: float
) -> _Compared:
    own = layout.passes[["run", "duration_s", "fuel_ml"]].merge(table, on="run", how="left")
    n = len(layout.units)
    one = ~own.duplicated(["run"]).to_numpy()
    column, weight = ("seen", own["known_s"]) if found.visible else ("share", own["duration_s"])
    share = own[column].to_numpy(float)
    t = np.where(np.isfinite(share) & (one | (not found.visible)), weight.to_numpy(float), 0.0)
    if not t.sum() > 0:
        return _Compared()
    on, time = np.bincount(layout.unit, np.nan_to_num(share) * t, n), np.bincount(layout.unit, t, n)
    known = time >= (LEAST_KNOWN_S if found.visible else 1.0)
    of_unit = np.divide(on, time, out=np.full(n, np.nan), where=known)
    by_arm: dict[str, float] = {
        a: float(on[layout.unit_arm == i].sum() / time[layout.unit_arm == i].sum())
        for i, a in enumerate(ARMS)
        if time[layout.unit_arm == i].sum() > 0
    }
    change, half, df = unit_t(of_unit, layout.unit_arm, layout.unit_fixed)
    change, half = 100 * change, 100 * half
    bounded = np.isfinite(half)
    difference = Interval(
        change,
        change - half if bounded else None,
        change + half if bounded else None,
        df,
        "t over switch units, in points of the time",
    )
    worth = change * takes_ml_s * float(own["duration_s"].sum() / own["fuel_ml"].sum())
    modes = _modes_by_arm(layout, own, found)
    moved = tuple(
        str(r["quantity"])
        for r in modes.to_dict("records")
        if abs(r["change"]) > MOVED * r["spacing"]
    )
    return _Compared(by_arm, difference if np.isfinite(change) else None, worth, modes, moved)


def _modes_by_arm(layout: Layout, own: pd.DataFrame, found: AccessoryState) -> pd.DataFrame:
    """Change of each idle mode with the arm, beside the spacing of the modes."""
    if found.modes is None or not found.visible:
        return pd.DataFrame(columns=list(_COLUMNS))
    rpm = max(abs(found.on_rpm - found.off_rpm), LEAST_RPM_SPACING)
    rows = []
    for name in _MODES:
        each = own[name].groupby(layout.unit).median().reindex(range(len(layout.units)))
        change, half, _ = unit_t(each.to_numpy(float), layout.unit_arm, layout.unit_fixed)
        spacing = rpm if name in _OF_SPEED else found.modes.spacing
        rows.append((_NAMES[name], change, half, spacing))
    return pd.DataFrame(rows, columns=list(_COLUMNS))


def _unconfirmed(table: pd.DataFrame) -> str:
    """Why the tester's word doesn't confirm the state; "" where it does."""
    if not table["answered"].any():
        return "nobody confirmed it"
    answered = table[table["answered"]]
    if len(answered) < LEAST_ANSWERED * len(table):
        return f"only {len(answered)} of {len(table)} drives are answered for"
    against = answered[
        [
            _contradicts(n, s, k)
            for n, s, k in zip(
                answered["noted"], answered["seen"], answered["known_s"], strict=True
            )
        ]
    ]
    if len(against) <= MOST_CONTRADICTED * len(answered):
        return ""
    first = against.iloc[0]
    return (
        f"the notes contradict it in {len(against)} of {len(answered)} drives ({first['file']}: "
        f"noted {100 * first['noted']:.0f} %, seen {100 * first['seen']:.0f} % of the time)"
    )


def _contradicts(noted: float, seen: float, known_s: float) -> bool:
    """Whether a note and the state can't both be right; automatic and little known never do."""
    if not np.isfinite(noted) or known_s < SHRINK_S:
        return False
    if noted == 0:
        return seen > OFF_AT_MOST
    return seen < ON_AT_LEAST if noted == 1 else abs(seen - noted) > SHARE_APART


def _said(found: AccessoryState, table: pd.DataFrame, takes_ml_s: float) -> tuple[str, ...]:
    if not found.visible:
        return (f"whether an accessory ran can't be seen in the logs: {found.why}",)
    known = table["known_s"].sum()
    on = 100 * float((table["seen"].fillna(0) * table["known_s"]).sum() / known)
    return (
        f"an accessory shows in closed-throttle air: on for {on:.0f} % of {known / 60:.0f} min in "
        f"which it can be told, idle {found.off_rpm:.0f} without and {found.on_rpm:.0f} 1/min with "
        f"it, {takes_ml_s:.2f} mL/s of fuel while it is on",
    )


def _warnings(
    found: AccessoryState,
    table: pd.DataFrame,
    doubt: str,
    moved: tuple[str, ...],
    can_note: bool,
) -> list[Warned]:
    if found.visible and moved:
        return [
            Warned(
                "accessory-refused",
                f"{moved[0]} moved with the arm by over a quarter of what the accessory moves it, "
                "so that the add-on may bend the accessory's state: it isn't used",
            )
        ]
    ask = f"run 'roadlog accessory STUDY', or fill in the column '{COLUMN}' of notes.csv"
    if found.visible and doubt:
        how = ask if can_note else "make a study folder ('roadlog new') and run 'roadlog accessory'"
        return [
            Warned(
                "accessory-unconfirmed",
                f"an accessory (air conditioning) seems to run part of the time, but {doubt}, so "
                f"its fuel stays in the result: {how}",
            )
        ]
    if not found.visible and can_note and not table["answered"].any():
        return [
            Warned(
                "accessory-unseen",
                f"whether air conditioning ran can't be seen in the logs ({found.why}): note it, "
                f"on, off or automatic for each day, in the column '{COLUMN}' of notes.csv",
            )
        ]
    return []
