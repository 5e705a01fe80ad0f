"""The energy ceiling of a study's add-on: what was measured in, the trial's result out and kept.

What isn't given comes from the study: its [ceiling], its fuel, its claim, and the fuel flow of the
road test, whose doubt the result inherits.
"""

import json
from dataclasses import dataclass, replace
from pathlib import Path

from roadlog.errors import InputError
from roadlog.quantities.fuels import FUELS
from roadlog.study.folder import load_car
from roadlog.study.settings import Study, override
from roadlog.trials.ceiling import (
    ALTERNATOR_EFFICIENCY,
    Ceiling,
    Cell,
    ceiling_result,
    energy_ceiling,
    marginal_efficiency,
    mean_power,
)
from roadlog.trials.result import TrialResult, save
from roadlog.trials.road_test import RoadTest, road_test, under_road_test
from roadlog.trials.sheet import read_sheet
from roadlog.wording.units import show_in


@dataclass(frozen=True)
class Given:
    """What the command's options of the same names say; None where the study is asked."""

    study: Path | None = None
    volts: float | None = None
    amps: float | None = None
    readings: Path | None = None
    cells: int | None = None
    current_efficiency: float | None = None
    gas: float | None = None
    gas_temp: float | None = None
    gas_pressure: float | None = None
    no_gas: bool = False
    alternator: float | None = None
    engine: float | None = None
    fuel_l_h: float | None = None
    fuel: str | None = None
    claim_economy: float | None = None
    claim_fuel: float | None = None


@dataclass(frozen=True)
class Reckoned:
    """The account and the result; `saved` is its file, None without a study."""

    account: Ceiling
    cell: Cell
    gas: bool
    result: TrialResult
    synthetic: bool
    saved: Path | None


def reckon_ceiling(a: Given) -> Reckoned:
    """Hold the add-on's energy against the fuel; the result is kept in the study, if there is one.

    Raises
    ------
    InputError
        If the draw or the fuel flow is unknown, or a reading is out of bounds.
    """
    study = Study() if a.study is None else _opened(a.study)
    claim = {"economy_pct": a.claim_economy, "fuel_pct": a.claim_fuel}
    study = override(
        study,
        vehicle={} if a.fuel is None else {"fuel": a.fuel},
        device={},
        claim={k: v for k, v in claim.items() if v is not None} or None,
    )
    fuel = FUELS[study.vehicle.fuel]
    cell = _cell(a, study)
    flow, source = _fuel_flow(a, fuel.density_kg_m3)
    gas = study.ceiling.splits_water and not a.no_gas
    account = energy_ceiling(
        cell,
        fuel,
        flow,
        alternator_efficiency=ALTERNATOR_EFFICIENCY if a.alternator is None else a.alternator,
        engine_efficiency=marginal_efficiency(fuel, study.vehicle.aspiration)
        if a.engine is None
        else a.engine,
        splits_water=gas,
    )
    result = ceiling_result(
        cell,
        fuel,
        flow,
        source,
        account,
        claim_pct=None if study.claim is None else study.claim.fuel_use_change_pct,
        splits_water=gas,
    )
    if a.fuel_l_h is None:
        result = replace(result, details={**result.details, "flow_from_road_test": True})
        assert a.study is not None  # else there would be no flow
        result = under_road_test(result, _road_test(a.study))
    saved = None if a.study is None else save(result, a.study)
    return Reckoned(account, cell, gas, result, study.synthetic, saved)


def _opened(folder: Path) -> Study:
    study = load_car(folder)
    show_in(study.units)
    return study


def _cell(a: Given, study: Study) -> Cell:
    plan = study.ceiling
    volts = plan.voltage_v if a.volts is None else a.volts
    amps = plan.current_a if a.amps is None else a.amps
    power = plan.power_w if a.volts is None and a.amps is None else None
    if a.readings is not None:
        names = ("time_s", "voltage_v", "current_a")
        sheet = read_sheet(a.readings, numbers=names, needed=names[1:])
        both = sheet[["voltage_v", "current_a"]].dropna()
        if both.empty:
            raise InputError(f"{a.readings}: no row has both voltage and current: add one")
        volts, amps, power = mean_power(
            both["voltage_v"].to_numpy(float), both["current_a"].to_numpy(float)
        )
    if volts is None or amps is None:
        raise InputError(
            "what the add-on draws is unknown: give --volts and --amps, --readings, or [ceiling] "
            "of study.toml; an add-on that draws nothing has no energy of its own to reckon"
        )
    return Cell(
        voltage_v=volts,
        current_a=amps,
        power_w=power,
        in_series=plan.in_series if a.cells is None else a.cells,
        current_efficiency=plan.current_efficiency
        if a.current_efficiency is None
        else a.current_efficiency,
        gas_temp_c=plan.gas_temp_c if a.gas_temp is None else a.gas_temp,
        gas_pressure_kpa=plan.gas_pressure_kpa if a.gas_pressure is None else a.gas_pressure,
        measured_ml_min=plan.gas_ml_min if a.gas is None else a.gas,
    )


def _fuel_flow(a: Given, density_kg_m3: float) -> tuple[float, str]:
    """Mean fuel flow [g/s] and where it comes from."""
    if a.fuel_l_h is not None:
        return a.fuel_l_h * density_kg_m3 / 3600, f"{a.fuel_l_h:g} L/h as given"
    path = None if a.study is None else a.study / "results" / "results.json"
    if path is None or not path.is_file():
        raise InputError(
            "the engine's fuel flow is unknown: give --fuel-l-h, or run 'roadlog analyze STUDY' "
            "first"
        )
    runs = _runs(path)
    litres = sum(float(r["fuel_l"]) for r in runs)
    hours = sum(float(r["hours"]) for r in runs)
    if not (litres > 0 and hours > 0):
        raise InputError(f"{path} holds no fuel or hours: run 'roadlog analyze' again")
    source = f"mean of the {len(runs)} baseline runs of the road test ({litres / hours:.2f} L/h)"
    return litres / hours * density_kg_m3 / 3600, source


def _road_test(study: Path) -> RoadTest:
    results = json.loads((study / "results" / "results.json").read_text(encoding="utf-8"))
    return road_test(results)


def _runs(path: Path) -> list[dict[str, float]]:
    try:
        runs = json.loads(path.read_text(encoding="utf-8"))["runs"]
        return [r for r in runs if r["used"] and r["arm"] == "baseline" and r["hours"]]
    except (ValueError, KeyError, TypeError) as e:
        raise InputError(f"{path} can't be read: run 'roadlog analyze' again") from e
