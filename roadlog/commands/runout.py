"""`roadlog runout`: does a small engine run longer on the same fuel with the add-on?"""

import argparse
from pathlib import Path

from roadlog.commands.sources import opened
from roadlog.errors import InputError


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "runout",
        help="compare run times of a small engine on a fixed amount of fuel",
        description=(
            "Compare run-out trials of a small engine under load. The table has a row a trial: "
            "arm, fuel_g or volume_ml (with fuel_temp_c), and load_file (time_s, voltage_v, "
            "current_a or power_w) or load_w with run_time_s; block, addon_w and addon_fed_by "
            "(engine or outside) where they apply. Outdoors only: exhaust gas kills."
        ),
        epilog=(
            "examples:\n"
            "  roadlog runout my_study --claim-fuel 10\n"
            "  roadlog runout trials.csv --randomised --fuel E0\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument(
        "table", type=Path, metavar="STUDY_OR_CSV", help="study folder with runout.csv, or a CSV"
    )
    p.add_argument("--claim-fuel", type=float, metavar="PCT", help="claimed: %% less fuel")
    p.add_argument(
        "--claim-run-time", type=float, metavar="PCT", help="claimed: %% longer run time"
    )
    p.add_argument("--fuel", choices=("E0", "E10", "E15", "E85", "diesel"), help="fuel (E10)")
    p.add_argument("--randomised", action="store_true", help="chance decided each trial's arm")
    p.add_argument(
        "--fixed-end-state",
        action="store_true",
        help="line and bowl were as empty at each start as at the end",
    )
    p.set_defaults(run=_run)


def _run(a: argparse.Namespace) -> int:
    from roadlog.quantities.fuels import FUELS
    from roadlog.study.settings import RunOuts
    from roadlog.trials.result import save, screen
    from roadlog.trials.runout import compare_runouts, runout_result
    from roadlog.trials.runout_sheet import read_runouts

    folder = a.table if a.table.is_dir() else None
    device, synthetic = "add-on", False
    plan = RunOuts()
    labels: dict[str, str] = {}
    if folder is not None:
        study = opened(folder)
        plan, device, synthetic = study.runout, study.device.name, study.synthetic
        labels = {word: arm for arm, word in study.labels.items()}
    claim = _claim(a.claim_fuel, a.claim_run_time, plan.claim_fuel_pct)
    fuel = FUELS[a.fuel or plan.fuel]
    trials = read_runouts(a.table if folder is None else folder / plan.file, fuel, labels)
    runout = compare_runouts(
        trials,
        fixed_end_state=a.fixed_end_state or plan.fixed_end_state,
        randomised=a.randomised or plan.randomised,
    )
    result = runout_result(runout, claim_fuel_pct=claim, device=device, fuel=fuel)
    saved = None if folder is None else save(result, folder)
    print("\n".join(screen(result, synthetic=synthetic)))
    if saved is not None:
        print(f"Saved: {saved}; the next 'roadlog analyze' shows it.")
    return 0 if result.low is not None else 1


def _claim(fuel: float | None, run_time: float | None, planned: float | None) -> float | None:
    """The claimed change of fuel use [%], negative for less."""
    if fuel is not None and run_time is not None:
        raise InputError("give one of --claim-fuel and --claim-run-time")
    if fuel is None and run_time is None:
        fuel = planned
    if fuel is not None:
        if not 0 < fuel < 100:
            raise InputError(f"--claim-fuel {fuel:g}: give the promised saving, 0 to 100 %")
        return -fuel
    if run_time is None:
        return None
    if not run_time > 0:
        raise InputError(f"--claim-run-time {run_time:g}: give the promised gain as positive %")
    from roadlog.quantities.units import economy_change_pct

    return economy_change_pct(run_time)
