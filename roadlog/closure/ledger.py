"""The ledger: fills and cans of study.toml and of fills.csv and cans.csv go in, checked tanks out.

Implements the fuel-ledger part of section 1 of the method. A tank is what lies between two full
fills: the fuel pumped after the first, up to and with the second, replaced what was burned between.
"""

import datetime as dt
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from roadlog.closure.fuelbook import read_cans, read_fills
from roadlog.errors import InputError
from roadlog.study.settings import Can, Fill, Study

OVER_NOMINAL = 1.15  # a tank takes more than its nominal litres up to the neck: no source
UNKNOWN_TEMPERATURE_K = 5.0  # half-width of pumped fuel's temperature about 15 °C: no source


@dataclass(frozen=True)
class Ledger:
    """Fills in order of time, and cans."""

    fills: tuple[Fill, ...] = ()
    cans: tuple[Can, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.fills or self.cans)


@dataclass(frozen=True)
class Tank:
    """Fuel burned between two full fills.

    `litres` as pumped; `odometer_km` the distance between them, NaN if a reading is missing;
    `fills` what was pumped, the last of them full.
    """

    start: pd.Timestamp
    end: pd.Timestamp
    litres: float
    odometer_km: float
    fills: tuple[Fill, ...]


def read_ledger(folder: Path, study: Study, prefix: str = "") -> Ledger:
    """The ledger of a study: tables of study.toml, or `fills.csv` and `cans.csv` beside it.

    Parameters
    ----------
    prefix : str
        What the files' names begin with: `control_` for a control car's.

    Raises
    ------
    InputError
        If both places hold the same kind of table, or a value can't be true.
    """
    found: dict[str, tuple[Fill, ...] | tuple[Can, ...]] = {}
    for name, rows, read in (("fills", study.fills, read_fills), ("cans", study.cans, read_cans)):
        path = folder / f"{prefix}{name}.csv"
        if path.is_file() and rows:
            raise InputError(
                f"{folder}: both {name}.csv and [[{name}]] in study.toml: keep one of them"
            )
        found[name] = read(path, study.time.day_first) if path.is_file() else rows
    return checked(Ledger(found["fills"], found["cans"]), study)  # type: ignore[arg-type]


def checked(ledger: Ledger, study: Study) -> Ledger:
    """The ledger with fills in order of time.

    Raises
    ------
    InputError
        A fill given twice, an odometer that goes back, more litres than the tank holds.
    """
    fills = tuple(sorted(ledger.fills, key=lambda f: moment(f.time)))
    for before, after in itertools.pairwise(fills):
        if moment(before.time) == moment(after.time):
            raise InputError(f"fill of {after.time}: given twice, or two without a time of day")
    read = [f for f in fills if f.odometer_km is not None]
    for before, after in itertools.pairwise(read):
        assert before.odometer_km is not None
        assert after.odometer_km is not None
        if after.odometer_km < before.odometer_km:
            raise InputError(
                f"fill of {after.time}: the odometer goes back from {before.odometer_km:g} to "
                f"{after.odometer_km:g} km: correct a reading or a date"
            )
    tank_l = study.vehicle.tank_l
    for f in fills:
        if tank_l is not None and f.litres > OVER_NOMINAL * tank_l:
            raise InputError(
                f"fill of {f.time}: {f.litres:g} litres don't go into a tank of {tank_l:g}: "
                "correct the litres or vehicle.tank_l"
            )
    return Ledger(fills, ledger.cans)


def moment(time: dt.datetime | dt.date) -> pd.Timestamp:
    """A fill's time on the wall clock; a bare date is its midnight."""
    return pd.Timestamp(time).tz_localize(None)


def tanks(fills: Sequence[Fill]) -> list[Tank]:
    """What lies between full fills, in order; fills before the first full one belong to none."""
    out: list[Tank] = []
    opened: Fill | None = None
    pumped: list[Fill] = []
    for f in fills:
        if opened is not None:
            pumped.append(f)
        if not f.full:
            continue
        if opened is not None:
            ends = opened.odometer_km, f.odometer_km
            km = float("nan") if None in ends else float(ends[1]) - float(ends[0])  # type: ignore[arg-type]
            litres = sum(p.litres for p in pumped)
            out.append(Tank(moment(opened.time), moment(f.time), litres, km, tuple(pumped)))
        opened, pumped = f, []
    return out


def refuse_unplaced(fills: Sequence[Fill], runs: pd.DataFrame) -> None:
    """Raise InputError if a fill can't be put before or after a run.

    A bare date on a day that was driven leaves it open; so does a time in mid-run, when nobody
    refuels.
    """
    for f in fills:
        at = moment(f.time)
        on_day = runs[runs["start"].dt.normalize() == at.normalize()]
        if not isinstance(f.time, dt.datetime):
            if len(on_day):
                raise InputError(
                    f"fill of {f.time}: {on_day['file'].iloc[0]} was driven that day: give the "
                    "time of the fill too"
                )
            continue
        ends = on_day["start"] + pd.to_timedelta(on_day["hours"], unit="h")
        during = on_day[(on_day["start"] < at) & (at < ends)]
        if len(during):
            raise InputError(
                f"fill of {f.time}: falls into the run {during['file'].iloc[0]}: correct its time"
            )
