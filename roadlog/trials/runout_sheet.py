"""Reading run-out trials: `runout.csv` and the load readings that it names.

In go the tester's tables; out comes a row a trial with fuel burned, run time up to the moment at
which the load voltage gave out, and mean load. Implements the measuring part of the run-out of
method section 7.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from roadlog.errors import DesignError, InputError
from roadlog.quantities.arms import ARMS
from roadlog.quantities.arrays import Floats
from roadlog.quantities.fuels import Fuel, mass_g
from roadlog.trials.readings import CLOCK_GRIDS_S, LEAST_FUEL_GRID_G, fuel_error_g, grid_of
from roadlog.trials.sheet import read_sheet

NUMBERS = (
    "volume_ml", "fuel_g", "run_time_s", "load_w", "fuel_temp_c", "addon_w", "start_s",
)  # fmt: skip
TEXTS = ("trial", "arm", "block", "load_file", "addon_fed_by", "date")
_NO_LABELS: Mapping[str, str] = {}
END_SHARE, END_FOR_S = 0.9, 2.0  # load voltage below this share of its own level, for this long
STEADY_QUANTILE = 0.5


def read_runouts(path: Path, fuel: Fuel, labels: Mapping[str, str] = _NO_LABELS) -> pd.DataFrame:
    """Read `runout.csv` and the load readings that it names.

    Parameters
    ----------
    path : Path
        Columns `arm`; `fuel_g` or `volume_ml` (with `fuel_temp_c`, 15 °C if not given);
        `load_file` (columns `time_s`, `voltage_v` and `current_a` or `power_w`) or `load_w` with
        `run_time_s`; optionally `block`, `addon_w` with `addon_fed_by` (`engine` or `outside`),
        `start_s` (reading at which the filled fuel was switched on).
    fuel : Fuel
    labels : mapping of str to str
        The study's own words for the arms: word to `baseline` or `fitted`.

    Returns
    -------
    DataFrame
        `trial`, `arm`, `block`, `fuel_g`, `time_s`, `load_w`, `addon_w`, `outside`, `weighed`
        (fuel by mass, not by volume), and what `readings.reading_errors` wants.

    Raises
    ------
    InputError
        With file and line if a value is missing or impossible.

    >>> import tempfile
    >>> from roadlog.quantities.fuels import FUELS
    >>> table = Path(tempfile.mkdtemp()) / "runout.csv"
    >>> _ = table.write_text("arm,fuel_g,load_w,run_time_s\\nbaseline,300,1000,3600\\n")
    >>> read_runouts(table, FUELS["E0"])[["arm", "fuel_g", "time_s"]].to_dict("records")
    [{'arm': 'baseline', 'fuel_g': 300.0, 'time_s': 3600.0}]
    """
    sheet = read_sheet(path, numbers=NUMBERS, texts=TEXTS, needed=("arm",))
    sheet["arm"] = sheet["arm"].replace(dict(labels))
    by_volume = sheet["fuel_g"].isna()
    read = sheet["fuel_temp_c"].notna()[by_volume]
    if read.any() and not read.all():
        line = int(sheet["line"][by_volume][~read].iloc[0])
        raise InputError(
            f"{path}: line {line}: no fuel_temp_c, though other volumes have one: fuel expands, so "
            "give it for every volume"
        )
    rows = [_trial(r, path, fuel) for r in sheet.to_dict("records")]
    grids = {
        "fuel_grid_g": np.where(
            by_volume,
            grid_of(sheet["volume_ml"].to_numpy(float)) * fuel.density_kg_m3 / 1000,
            max(grid_of(sheet["fuel_g"].to_numpy(float)), LEAST_FUEL_GRID_G),
        ),
        "load_grid_w": np.where(
            sheet["load_file"] == "", grid_of(sheet["load_w"].to_numpy(float)), 0.0
        ),
    }
    table = pd.DataFrame(rows).assign(**grids)
    typed = grid_of(sheet["run_time_s"].to_numpy(float), CLOCK_GRIDS_S)
    return table.assign(time_grid_s=table["time_grid_s"].fillna(typed))


def run_end(time_s: Floats, voltage_v: Floats) -> float:
    """When the load voltage gave out [s].

    Parameters
    ----------
    time_s : (n,) array [s]
    voltage_v : (n,) array [V]

    Returns
    -------
    float [s]
        The first moment of the first stretch of at least 2 s below 90 % of the median running
        voltage; by straight line between the readings around it.

    Raises
    ------
    DesignError
        If the voltage never gives out.

    >>> t = np.arange(0, 20, 0.5)
    >>> round(run_end(t, np.where(t < 15, 230.0, 0.0)), 2)
    14.55
    """
    running = voltage_v[voltage_v > 0.5 * np.max(voltage_v)]
    limit = END_SHARE * float(np.quantile(running, STEADY_QUANTILE))
    low = voltage_v < limit
    begins = np.flatnonzero(low & ~np.append(True, low[:-1]))
    for i in begins:
        back = np.flatnonzero(~low[i:])
        until = time_s[i + back[0]] if len(back) else time_s[-1] + END_FOR_S
        if until - time_s[i] >= END_FOR_S:
            t0, t1, v0, v1 = time_s[i - 1], time_s[i], voltage_v[i - 1], voltage_v[i]
            return float(t0 + (t1 - t0) * (v0 - limit) / (v0 - v1))
    raise DesignError(
        f"the load voltage never stays below {100 * END_SHARE:.0f} % for {END_FOR_S:g} s: log "
        "until the engine has stopped"
    )


def _trial(row: Mapping[Any, Any], path: Path, fuel: Fuel) -> dict[str, object]:
    where = f"{path}: line {row['line']}"
    if row["arm"] not in ARMS:
        raise InputError(f"{where}: arm '{row['arm']}' is neither baseline nor fitted")
    burned = _fuel_mass(row, where, fuel)
    if row["load_file"]:
        time, load, grid = _from_load_file(
            path.parent / str(row["load_file"]), float(row["start_s"])
        )
    else:
        time, load, grid = float(row["run_time_s"]), float(row["load_w"]), float("nan")
        for name, value in (("run_time_s", time), ("load_w", load)):
            if np.isnan(value):
                raise InputError(f"{where}: no {name}: give it, or name a load_file")
    if not time > 0:
        raise InputError(f"{where}: run time {time:g} s is not above zero: correct it")
    if not load > 0:
        raise InputError(f"{where}: load {load:g} W is not above zero: a run-out needs a load")
    addon = np.nan_to_num(float(row["addon_w"]))
    if addon < 0:
        raise InputError(f"{where}: addon_w {addon:g} is below zero: give what it takes, in W")
    fed = str(row["addon_fed_by"]).lower()
    if fed not in ("", "engine", "outside"):
        raise InputError(f"{where}: addon_fed_by '{fed}' is neither engine nor outside")
    if addon > 0 and not fed:
        raise InputError(
            f"{where}: the add-on takes {addon:g} W: say addon_fed_by engine or outside"
        )
    return {
        "trial": str(row["trial"]) or str(row["line"]),
        "arm": str(row["arm"]),
        "block": str(row["block"]),
        "fuel_g": burned,
        "weighed": bool(np.isfinite(float(row["fuel_g"]))),
        "time_s": time,
        "load_w": load,
        "addon_w": float(addon),
        "outside": fed == "outside",
        "time_grid_s": grid,
        "u_fuel_g": fuel_error_g(
            float(row["volume_ml"]) if np.isnan(float(row["fuel_g"])) else float("nan"),
            burned,
            not np.isnan(float(row["fuel_temp_c"])),
            fuel,
        ),
    }


def _fuel_mass(row: Mapping[Any, Any], where: str, fuel: Fuel) -> float:
    grams, volume = float(row["fuel_g"]), float(row["volume_ml"])
    if np.isnan(grams) and np.isnan(volume):
        raise InputError(f"{where}: neither fuel_g nor volume_ml: give one")
    if not np.isnan(grams):
        if not grams > 0:
            raise InputError(f"{where}: fuel_g {grams:g} is not above zero: correct it")
        return grams
    if not volume > 0:
        raise InputError(f"{where}: volume_ml {volume:g} is not above zero: correct it")
    temp = float(row["fuel_temp_c"])
    if not np.isnan(temp) and not -40 <= temp <= 60:
        raise InputError(f"{where}: fuel_temp_c {temp:g} is out of reach: give it in °C")
    return float(mass_g(volume / 1000, fuel, 15.0 if np.isnan(temp) else temp))


def _from_load_file(path: Path, start_s: float) -> tuple[float, float, float]:
    """Run time [s], mean load over it [W], and the time between readings [s]."""
    sheet = read_sheet(
        path,
        numbers=("time_s", "voltage_v", "current_a", "power_w"),
        needed=("time_s", "voltage_v"),
    )
    power = sheet["power_w"].fillna(sheet["voltage_v"] * sheet["current_a"])
    if power.isna().all():
        raise InputError(f"{path}: neither power_w nor current_a: the load can't be told")
    known = (sheet[["time_s", "voltage_v"]].notna().all(axis=1) & power.notna()).to_numpy()
    t = sheet["time_s"].to_numpy(float)[known]
    v, p = sheet["voltage_v"].to_numpy(float)[known], power.to_numpy(float)[known]
    if len(t) < 10 or (np.diff(t) <= 0).any():
        raise InputError(f"{path}: at least 10 readings with rising time_s are needed: check it")
    if v.max() <= 0:
        raise InputError(f"{path}: the voltage is never above zero: check the meter")
    begin = t[np.argmax(v > END_SHARE * np.median(v[v > 0.5 * v.max()]))]
    begin = begin if np.isnan(start_s) else start_s
    try:
        end = run_end(t, v)
    except DesignError as e:
        raise DesignError(f"{path}: {e}") from e
    inside = (t >= begin) & (t <= end)
    if end <= begin or inside.sum() < 2:
        raise InputError(f"{path}: the load ends before it begins: check start_s")
    energy = float(np.trapezoid(p[inside], t[inside])) / (t[inside][-1] - t[inside][0])
    return float(end - begin), energy, float(np.median(np.diff(t)))
