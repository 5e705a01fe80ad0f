"""`roadlog ceiling`: the most that an electrically driven add-on's own energy could do."""

import argparse
import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.commands.sources import opened
from roadlog.errors import InputError

if TYPE_CHECKING:
    from roadlog.study.settings import Study
    from roadlog.trials.ceiling import Ceiling, Cell
    from roadlog.trials.road_test import RoadTest


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "ceiling",
        help="the most fuel that an electrically driven add-on's energy could replace",
        description=(
            "Hold the energy that an electrically driven add-on can give against the fuel that the "
            "engine burns and the fuel that making its current costs. It bounds the gas's own "
            "energy, not a claimed improvement of combustion: the road test is for that."
        ),
        epilog=(
            "examples:\n"
            "  roadlog ceiling --volts 13.8 --amps 20 --cells 6 --fuel-l-h 5 --claim-economy 20\n"
            "  roadlog ceiling my_study --readings cell.csv --cells 6\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument(
        "study", nargs="?", type=Path, metavar="STUDY",
        help="folder with study.toml; fuel flow and claim come from it",
    )  # fmt: skip
    p.add_argument("--volts", type=float, metavar="V", help="mean voltage at the add-on")
    p.add_argument("--amps", type=float, metavar="A", help="mean current")
    p.add_argument(
        "--readings", type=Path, metavar="CSV",
        help="columns voltage_v, current_a taken together; the mean of v times i counts",
    )  # fmt: skip
    p.add_argument("--cells", type=int, metavar="N", help="cells in series (1)")
    p.add_argument("--current-efficiency", type=float, metavar="SHARE", help="makes gas (0.9)")
    p.add_argument("--gas", type=float, metavar="ML_MIN", help="measured moist gas, mL/min")
    p.add_argument("--gas-temp", type=float, metavar="C", help="where it is measured, °C (25)")
    p.add_argument("--gas-pressure", type=float, metavar="KPA", help="absolute, kPa (101.325)")
    p.add_argument("--no-gas", action="store_true", help="the add-on splits no water: draw only")
    p.add_argument("--alternator", type=float, default=None, metavar="SHARE", help="(0.67)")
    p.add_argument(
        "--engine", type=float, default=None, metavar="SHARE",
        help="of added load (by fuel and aspiration: EU 2017/1151)",
    )  # fmt: skip
    p.add_argument("--fuel-l-h", type=float, metavar="L_H", help="mean fuel flow, litres an hour")
    p.add_argument("--fuel", choices=("E0", "E10", "E15", "E85", "diesel"), help="fuel (E10)")
    claim = p.add_mutually_exclusive_group()
    claim.add_argument("--claim-economy", type=float, metavar="PCT", help="claimed gain, %%")
    claim.add_argument("--claim-fuel", type=float, metavar="PCT", help="claimed saving, %%")
    p.set_defaults(run=_run)


def _run(a: argparse.Namespace) -> int:
    from roadlog.quantities.fuels import FUELS
    from roadlog.study.settings import Study, override
    from roadlog.trials.ceiling import (
        ALTERNATOR_EFFICIENCY,
        ceiling_result,
        energy_ceiling,
        marginal_efficiency,
    )
    from roadlog.trials.result import save, screen
    from roadlog.trials.road_test import under_road_test

    study = Study() if a.study is None else opened(a.study)
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
        result = under_road_test(result, _road_test(a.study))
    saved = None if a.study is None else save(result, a.study)
    print(
        "\n".join(
            [*_account(account, cell, gas=gas), "", *screen(result, synthetic=study.synthetic)]
        )
    )
    if saved is not None:
        print(f"Saved: {saved}; the next 'roadlog analyze' shows it.")
    return 0


def _account(account: "Ceiling", cell: "Cell", *, gas: bool) -> list[str]:
    from roadlog.wording.screen import grid

    lines = [
        f"Electricity {account.power_w:.0f} W; fuel in the engine {account.fuel_w / 1000:.1f} kW "
        "(lower heating value)."
    ]
    if gas:
        lines.append(
            f"Gas {account.dry_gas_ml_min:.0f} mL/min dry, {account.moist_gas_ml_min:.0f} moist, "
            f"at {cell.gas_temp_c:g} °C and {cell.gas_pressure_kpa:g} kPa; two thirds hydrogen."
        )
    rows = [
        (
            c.name,
            f"{c.gas_w:.0f}",
            f"{c.replaced_pct:.2f}",
            f"{c.extra_pct:.2f}",
            f"{c.net_pct:+.2f}",
        )
        for c in account.cases
    ]
    headings = ("case", "gas W", "replaces %", "costs %", "fuel use %")
    return [*lines, "", *grid(headings, rows)]


def _cell(a: argparse.Namespace, study: "Study") -> "Cell":
    from roadlog.trials.ceiling import Cell, mean_power
    from roadlog.trials.sheet import read_sheet

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


def _fuel_flow(a: argparse.Namespace, density_kg_m3: float) -> tuple[float, str]:
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


def _road_test(study: Path) -> "RoadTest":
    from roadlog.trials.road_test import road_test

    results = json.loads((study / "results" / "results.json").read_text(encoding="utf-8"))
    return road_test(results)


def _runs(path: Path) -> list[dict[str, float]]:
    try:
        runs = json.loads(path.read_text(encoding="utf-8"))["runs"]
        return [r for r in runs if r["used"] and r["arm"] == "baseline" and r["hours"]]
    except (ValueError, KeyError, TypeError) as e:
        raise InputError(f"{path} can't be read: run 'roadlog analyze' again") from e
