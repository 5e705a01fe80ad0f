"""What keeps a firm word from a fleet's fuel figure: one that the add-on may have bent.

Vehicles with their `Signals` go in. What one car's signals show by arm (`roadlog.closure.bend`) is
asked of the fleet by its own design and model: a clue takes the place of fuel, and its contrast
with its interval is the evidence. Out come the vehicles that are in doubt, and what that forbids.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from roadlog.analysis.accessory_time import LEAST_WORTH_PCT
from roadlog.analysis.doubts import ambiguity_blocking, unit_blocking
from roadlog.closure import TrimsSeen, bend_blocking
from roadlog.closure.bend import BENDING_CLUES
from roadlog.closure.evidence import CLUES, beyond_chance
from roadlog.closure.of_tanks import NOTHING
from roadlog.closure.result import Closure, Evidence
from roadlog.closure.unit_shift import near_a_unit
from roadlog.fleet.closed import FilledFuel, bend_of, closure_of, fleet_gap, parted, silent
from roadlog.fleet.contrast import FleetContrast
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.estimators import estimate_in_its_place, estimate_without
from roadlog.fleet.filled import Filled
from roadlog.fleet.inference import named, word_of
from roadlog.fleet.signals import ACCESSORY, PART, Signals
from roadlog.fleet.vehicle import Figures, VehicleUnits
from roadlog.quantities.against import Against
from roadlog.quantities.facts import Veto
from roadlog.stats.interval import Interval, p_of, percent_interval
from roadlog.study.car import Claim, Device, Vehicle
from roadlog.study.settings import Study


@dataclass(frozen=True)
class _Group:
    """Vehicles whose figure comes from the same signals, and what these show by arm.

    `unit` is what the figure was read in; `filled` are those whose fills can be held against it and
    don't part from it by themselves, `bend` how far it bends with the arm by these [%].
    """

    vehicles: tuple[str, ...]
    study: Study
    estimator: str
    trims: TrimsSeen
    evidence: Evidence
    unit: str = ""
    filled: tuple[str, ...] = ()
    bend: Interval = NOTHING

    def blocking(
        self, claim: Claim | None, effect: Interval, smallest_pct: float
    ) -> list[tuple[tuple[str, ...], Veto]]:
        """Those of the vehicles that are in doubt, with why; fills may close it for theirs."""

        def told(closed: Closure | None) -> list[Veto]:
            study = self.study.model_copy(update={"claim": claim})
            said = bend_blocking(study, self.estimator, self.trims, self.evidence, closed, effect,
                                 smallest_pct)  # fmt: skip
            return [v for v in said if isinstance(v, Veto)]

        found, rest = told(None), self.vehicles
        if found and self.filled and not told(closure_of(self.bend, smallest_pct)):
            rest = tuple(v for v in self.vehicles if v not in self.filled)
        return [(rest, v) for v in found] if rest else []


@dataclass(frozen=True)
class Doubts:
    """What stands against the fuel figure of a fleet.

    `groups` are held against a claim, `always` are (vehicles, sentence) whatever the claim.
    `accessory` is how much more of the fuel an accessory took with the add-on [%], where it shows.
    """

    groups: tuple[_Group, ...] = ()
    always: tuple[tuple[tuple[str, ...], Veto], ...] = ()
    open_pct: float = 0.0
    accessory: Interval = NOTHING

    def against(
        self, claim: Claim | None, effect: Interval, smallest_pct: float
    ) -> list[tuple[tuple[str, ...], Veto]]:
        """Vehicles in doubt if the effect is held against a claim, each lot with why."""
        found = list(self.always)
        for g in self.groups:
            found += g.blocking(claim, effect, smallest_pct)
        return found


def doubts_of(contrast: FleetContrast, design: FleetDesign) -> Doubts:
    """What the signals of the vehicles that count show of their fuel figures."""
    groups: dict[tuple[str, bool, bool], list[VehicleUnits]] = defaultdict(list)
    always: dict[str, list[tuple[str, Veto]]] = defaultdict(list)
    known: list[Signals] = []
    for v in contrast.vehicles:
        if (s := v.signals) is None:
            continue
        known.append(s)
        groups[s.estimator, s.diesel, bool(s.lacking)].append(v)
        for doubt in s.doubts:
            always[repr(doubt.plain)].append((v.vehicle, doubt))
    if not known:
        return Doubts()
    opened = sum(
        float(w @ v.signals.open_log)
        for w, v in zip(contrast.unit_weights, contrast.vehicles, strict=True)
        if v.signals is not None
    )
    filled = [v.filled for v in contrast.vehicles if v.filled is not None]
    beyond = parted(filled)
    sound = [f for f in filled if beyond is None or f.vehicle not in beyond[0]]
    return Doubts(
        tuple(_with_fills(_group(own, design), sound, design) for own in groups.values()),
        (
            *((tuple(n for n, _ in lot), lot[0][1]) for lot in always.values()),
            *([] if beyond is None else [beyond]),
        ),
        100 * abs(opened),
        _of_accessory(contrast.vehicles, design),
    )


def forbidden_by_figure(
    doubts: Doubts,
    contrast: FleetContrast,
    vehicles: Sequence[VehicleUnits],
    design: FleetDesign,
    claim: Claim | None,
    effect: Interval,
    *,
    fuel: FilledFuel | None = None,
    margin: float,
    smallest_pct: float,
) -> tuple[list[Veto], str]:
    """What forbids a firm word, and what is only to be told since the word stands without them.

    Parameters
    ----------
    contrast : FleetContrast
    vehicles : all vehicles, to leave those in doubt out
    effect : Interval [% fuel use]
    fuel : what the fleet's fills say, if there are any
    margin : what a firm word must clear [log]
    """
    found = doubts.against(claim, effect, smallest_pct)
    whole = fleet_gap(fuel)
    for g in sorted(doubts.groups, key=lambda g: -len(g.vehicles))[:1]:
        units = unit_blocking(g.study, g.estimator, effect)
        if "air_per_rate" not in set(g.evidence.table["name"]):  # else the clue tells
            units = (*units, *near_a_unit(g.study, g.estimator, g.unit, effect))
        whole += [v for v in units if isinstance(v, Veto)]
    whole += accessory_differed(doubts.accessory)
    whole += [v for v in ambiguity_blocking(effect, doubts.open_pct, claim) if isinstance(v, Veto)]
    if not found:
        return whole, ""
    names = sorted({n for lot, _ in found for n in lot})
    c = 0.0 if claim is None else claim.fuel_use_change_pct
    word = word_of(contrast.tau, contrast.half, c, margin)
    if _stands_without({*names}, vehicles, design, c, margin) == word != "undecided":
        return whole, f"{named(names)}: {found[0][1].bare}; the word stands without"
    every = len(contrast.vehicles)
    return [*whole, *(v if len(lot) == every else _named(lot, v) for lot, v in found)], ""


def accessory_differed(more: Interval) -> list[Veto]:
    """What forbids a word where an accessory took more of the fuel in one arm, as for one car."""
    if more.low is None or more.high is None or more.low <= 0 <= more.high:
        return []
    if abs(more.estimate) < LEAST_WORTH_PCT:
        return []
    plain = Against.COOLING_MORE() if more.estimate > 0 else Against.COOLING_LESS()
    return [
        Veto(
            "undecided: accessory differed: by closed-throttle air, air conditioning or the like "
            f"took {more.estimate:+.1f} points ({more.low:+.1f} to {more.high:+.1f}) of the fuel "
            "with the add-on beside without it",
            plain,
        )
    ]


def _of_accessory(vehicles: Sequence[VehicleUnits], design: FleetDesign) -> Interval:
    some = [u for v in vehicles if (u := _of_clue(v, ACCESSORY)) is not None]
    found = estimate_in_its_place(some, design)
    if found is None or not np.isfinite(found.half):
        return NOTHING
    tau, half = 100 * found.tau, 100 * found.half
    return Interval(tau, tau - half, tau + half, found.df, "accessory time by the fleet's model")


def _named(lot: Sequence[str], veto: Veto) -> Veto:
    return Veto(f"undecided: {named(lot)}: {veto.bare}", veto.plain)


def _stands_without(
    names: set[str],
    vehicles: Sequence[VehicleUnits],
    design: FleetDesign,
    claim_pct: float,
    margin: float,
) -> str:
    """The bare word without these vehicles; undecided where too few are left."""
    rest = estimate_without(vehicles, names, design)
    return "undecided" if rest is None else word_of(rest.tau, rest.half, claim_pct, margin)


def _group(own: Sequence[VehicleUnits], design: FleetDesign) -> _Group:
    first = own[0].signals
    assert first is not None
    rows, part = [], None
    for name in (*BENDING_CLUES, PART):
        some = [u for v in own if (u := _of_clue(v, name)) is not None]
        found = estimate_in_its_place(some, design)
        if found is None:
            continue
        if name == PART:
            part = percent_interval(found.tau, found.half, found.df, found.method)
        else:
            rows.append(_row(name, found))
    study = Study(
        name="a fleet",
        device=Device(acts_on=first.acts_on),
        vehicle=Vehicle(fuel="diesel" if first.diesel else "E10"),
    )
    return _Group(
        tuple(v.vehicle for v in own),
        study,
        first.estimator,
        TrimsSeen(f"{first.lacking} of {own[0].vehicle}" if first.lacking else "", part),
        Evidence(_table(rows), (), ()),
        first.unit,
    )


def _with_fills(group: _Group, sound: Sequence[Filled], design: FleetDesign) -> _Group:
    """The group with what the fills of its vehicles say of its figure."""
    own = [f for f in sound if f.vehicle in group.vehicles and silent(f, design) is None]
    if not own:
        return group
    return replace(group, filled=tuple(f.vehicle for f in own), bend=bend_of(own, design))


def _of_clue(v: VehicleUnits, name: str) -> VehicleUnits | None:
    """A vehicle with a clue in place of fuel, without the units that lack it."""
    values = None if v.signals is None else v.signals.clues.get(name)
    if values is None:
        return None
    keep = np.isfinite(values)
    if keep.sum() < 2:
        return None
    f, log = v.known, np.asarray(values[keep], dtype=float) / 100
    own = Figures(
        arm=f.arm[keep], day=f.day[keep], fixed=f.fixed[keep], value=log, total=log, physical=log,
        level=log, expected_ml=f.expected_ml[keep], burned_ml=f.burned_ml[keep], km=f.km[keep],
        air_c=f.air_c[keep], pass_variance=f.pass_variance[keep], digest=f.digest[keep],
    )  # fmt: skip
    at = np.flatnonzero(keep)
    return replace(
        v,
        units=tuple(v.units[i] for i in at),
        block=tuple(v.block[i] for i in at) if v.block else (),
        figures=own,
    )


def _row(name: str, found: FleetContrast) -> dict[str, object]:
    tau, half = 100 * found.tau, 100 * found.half
    return {
        "clue": CLUES[name].label, "difference": tau, "low": tau - half, "high": tau + half,
        "name": name, "p": p_of(tau, half, found.df),
    }  # fmt: skip


def _table(rows: Sequence[dict[str, object]]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["clue", "difference", "low", "high", "name", "p"])
    return table.assign(flagged=beyond_chance(table["p"]))
