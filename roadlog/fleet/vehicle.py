"""Stage one of a fleet: the passes of one vehicle in, one row a switch unit out.

Each vehicle's expected fuel is fitted by itself, within its switch units, as for a study of one
car (`roadlog.effect`): its segments, its driving, its own coefficients. What comes out is small
and is all that the fleet's model needs, so that pass tables can be read one vehicle at a time.
"""

import hashlib
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.effect.estimate import primary_stages
from roadlog.effect.expected_fuel import ExpectedFuel
from roadlog.effect.fixed_offset import FuelPhysics, by_fixed_offset
from roadlog.effect.layout import Layout
from roadlog.effect.one_car import arm_blind_fits, one_road, physical_ratio, work_obstacles
from roadlog.errors import DesignError, FitError, InputError
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.filled import Filled
from roadlog.fleet.signals import Signals
from roadlog.quantities.arrays import Floats
from roadlog.quantities.tables import PASSES
from roadlog.stats.interval import Obstacle

VEHICLE = "vehicle"  # the column that a fleet's pass table has beside `PASSES`
NO_DAY = -1
NO_DIGEST = 0
_COARSE = 0.1  # km, s: figures that are all multiples of it can be alike by chance
_ORDER = ("start", "run", "segment", "distance_km", "duration_s", "fuel_ml")

Integers = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Figures:
    """Numbers of a vehicle's switch units (u,), in order of time.

    `arm` is 1 where fitted; `day` counts days since 1970 at the first pass, `NO_DAY` unknown;
    `fixed` (u, k) takes what the arm must not (blocks, routes, trend). Logs of fuel over expected
    fuel: `value` at equal driving, `total` with the driving as it was, `physical` with
    coefficients from physics, `level` over what the car's declared data lets expect.
    `pass_variance` is what the scatter of the passes makes of `value`. `digest` tells what was
    driven, whoever drove it.
    """

    arm: Integers
    day: Integers
    fixed: Floats | NDArray[np.int8]
    value: Floats
    total: Floats
    physical: Floats
    level: Floats
    expected_ml: Floats
    burned_ml: Floats
    km: Floats
    air_c: Floats
    pass_variance: Floats
    digest: NDArray[np.uint64]


@dataclass(frozen=True)
class VehicleUnits:
    """One vehicle's switch units; `left_out` says why nothing of it can be compared ('': it can).

    `block` are labels within which chance dealt the arms, empty where over all units; `obstacles`
    and `notes` say what holding the driving equal lacks and what stands in place of a fit;
    `signals` what its own signals say of the fuel figure, None where only passes are known;
    `filled` what its fills do, None in a fleet without any.
    """

    vehicle: str
    group: str = ""
    units: tuple[str, ...] = ()
    block: tuple[str, ...] = ()
    figures: Figures | None = None
    passes: int = 0
    obstacles: tuple[Obstacle, ...] = ()
    notes: tuple[str, ...] = ()
    left_out: str = ""
    signals: Signals | None = None
    filled: Filled | None = None

    @property
    def known(self) -> Figures:
        """The figures of a vehicle that isn't left out."""
        assert self.figures is not None
        return self.figures


def reduce_vehicle(
    passes: pd.DataFrame,
    design: FleetDesign,
    physics: FuelPhysics,
    *,
    vehicle: str | None = None,
    group: str = "",
    whole_runs: bool = False,
) -> VehicleUnits:
    """Reduce all passes of one vehicle to its switch units.

    Parameters
    ----------
    passes : DataFrame
        `roadlog.quantities.tables.PASSES` and, unless `vehicle` names it, a column `vehicle`.
        The order of the rows doesn't matter.
    design : FleetDesign
    physics : FuelPhysics
        Of this car and its fuel, set beforehand.
    group : str
        Its label (fuel, class), if an effect by group was planned.
    whole_runs : bool
        Whether a pass is a whole run (no positions).

    Raises
    ------
    InputError
        If the table lacks a column or holds more than one vehicle.

    >>> import roadlog
    >>> passes = roadlog.analyse(*roadlog.open_study("sample_logs")).passes
    >>> car = roadlog.fuel_physics(density_kg_m3=745, lhv_mj_kg=42.0, displacement_l=1.8)
    >>> found = reduce_vehicle(passes, FleetDesign(), car, vehicle="van 1")
    >>> len(found.units), int(found.figures.arm.sum())
    (12, 6)
    """
    name = _name(passes, vehicle)
    lacking = [c for c in PASSES.columns if c not in passes.columns]
    if lacking:
        raise InputError(
            f"the pass table of vehicle {name} lacks {', '.join(lacking)}: hand over the table as "
            "the passes stage makes it"
        )
    by = [c for c in _ORDER if passes[c].notna().all()]
    table = passes.sort_values(by, kind="stable").reset_index(drop=True)
    try:
        if design.switched == "within":
            stages = primary_stages(
                table, randomised=design.randomised, physics=physics, whole_runs=whole_runs
            )
            layout, fit, total = stages.layout, stages.fit, stages.total
            notes = (*layout.dropped, *stages.notes)
        else:
            layout = one_road(table)
            fit, total, notes = arm_blind_fits(layout, physics, whole_runs=whole_runs)
            notes = (*layout.dropped, *notes)
    except (DesignError, FitError, InputError) as e:
        return VehicleUnits(name, group, passes=len(table), left_out=str(e))
    return VehicleUnits(
        vehicle=name,
        group=group,
        units=tuple(sys.intern(str(u)) for u in layout.units),
        block=tuple(sys.intern(str(b)) for b in layout.unit_block) if layout.blocked else (),
        figures=_figures(layout, fit, total, physics),
        passes=len(layout.passes),
        obstacles=work_obstacles(fit, physics),
        notes=notes,
    )


def gather(tables: Iterable[pd.DataFrame]) -> Iterator[pd.DataFrame]:
    """Pass tables cut in any way (by month, by file) put together by vehicle, names in order.

    Holds all passes in memory; a table a vehicle needs no gathering.
    """
    parts = [t for t in tables if len(t)]
    if not parts:
        return
    for part in parts:
        _named(part)
    names = sorted({str(v) for part in parts for v in part[VEHICLE].unique()})
    for name in names:
        own = [part[part[VEHICLE].astype(str) == name] for part in parts]
        yield pd.concat([o for o in own if len(o)], ignore_index=True)


def _named(passes: pd.DataFrame) -> None:
    if VEHICLE not in passes.columns or passes[VEHICLE].isna().any():
        raise InputError(
            "a fleet's pass table needs a column 'vehicle' with a name in every row: add it before "
            "the tables are put together"
        )


def _name(passes: pd.DataFrame, vehicle: str | None) -> str:
    if vehicle is not None:
        return vehicle.strip()
    _named(passes)
    names = passes[VEHICLE].astype(str).unique()
    if len(names) != 1:
        raise InputError(
            f"this pass table holds {len(names)} vehicles ({', '.join(sorted(names)[:3])} …): "
            "stage one takes one vehicle at a time (roadlog.fleet.gather puts them apart)"
        )
    return str(names[0]).strip()


def _figures(
    layout: Layout, fit: ExpectedFuel, total: ExpectedFuel, physics: FuelPhysics
) -> Figures:
    unit, n = layout.unit, len(layout.units)
    used = layout.passes
    with np.errstate(invalid="ignore", divide="ignore"):
        level = by_fixed_offset(fit.terms, physics).ratio_log
    return Figures(
        arm=layout.unit_arm,
        day=_days(layout),
        fixed=_narrow(layout.unit_fixed),
        value=fit.ratio_log,
        total=total.ratio_log,
        physical=physical_ratio(fit, physics),
        level=level,
        expected_ml=fit.unit_expected_ml,
        burned_ml=np.bincount(unit, used["fuel_ml"], n).astype(float),
        km=np.bincount(unit, used["distance_km"], n).astype(float),
        air_c=used["ambient_c"].groupby(unit).mean().to_numpy(dtype=float),
        pass_variance=fit.pass_variance,
        digest=_digests(layout),
    )


def _narrow(fixed: Floats) -> Floats | NDArray[np.int8]:
    """The same columns in an eighth of the memory where all are indicators: a fleet keeps them."""
    return fixed.astype(np.int8) if np.isin(fixed, (0.0, 1.0)).all() else fixed


def _days(layout: Layout) -> Integers:
    starts = layout.starts.to_numpy()
    days = np.asarray(starts, dtype="datetime64[D]").astype(np.int64)
    written = pd.to_datetime(
        layout.passes["day"].groupby(layout.unit).first(), format="%Y-%m-%d", errors="coerce"
    ).to_numpy()
    by_text = np.asarray(written, dtype="datetime64[D]").astype(np.int64)
    known, told = ~np.isnat(starts), ~np.isnat(written)
    return np.where(known, days, np.where(told, by_text, NO_DAY)).astype(np.intp)


def _digests(layout: Layout) -> NDArray[np.uint64]:
    """What each unit drove, as a number: times and distances of its passes, not whose they are.

    `NO_DIGEST` where every figure is so round that another car's could be the same.
    """
    driven = layout.passes[["distance_km", "duration_s", "mean_speed_kmh"]].to_numpy(dtype=float)
    driven = np.round(driven, 6)
    order = np.lexsort((driven[:, 2], driven[:, 1], driven[:, 0], layout.unit))
    ends = np.cumsum(np.bincount(layout.unit, minlength=len(layout.units)))[:-1]
    parts = np.split(driven[order], ends)
    return np.array(
        [
            NO_DIGEST
            if np.allclose(p / _COARSE, np.round(p / _COARSE), atol=1e-6, equal_nan=True)
            else int.from_bytes(hashlib.blake2b(p.tobytes(), digest_size=8).digest(), "little")
            for p in parts
        ],
        dtype=np.uint64,
    )
