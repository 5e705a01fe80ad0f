"""Run-outs of a small engine, from a study or a table: trials in, the comparison's result out.

What isn't given comes from the study's [runout]; a study keeps the result.
"""

from dataclasses import dataclass
from pathlib import Path

from roadlog.errors import InputError
from roadlog.quantities.fuels import FUELS
from roadlog.quantities.units import economy_change_pct
from roadlog.study.folder import load_car
from roadlog.study.settings import RunOuts
from roadlog.trials.result import TrialResult, save
from roadlog.trials.runout import compare_runouts, runout_result
from roadlog.trials.runout_sheet import read_runouts
from roadlog.wording.units import show_in


@dataclass(frozen=True)
class Given:
    """What the command's options of the same names say; `table` is a study's folder or a CSV."""

    table: Path
    claim_fuel: float | None = None
    claim_run_time: float | None = None
    fuel: str | None = None
    randomised: bool = False
    fixed_end_state: bool = False


@dataclass(frozen=True)
class Reckoned:
    """The result; `saved` is its file, None without a study."""

    result: TrialResult
    synthetic: bool
    saved: Path | None


def reckon_runout(a: Given) -> Reckoned:
    """Compare the run-outs of both arms.

    Raises
    ------
    InputError
        If the table or a claim is wrong.
    """
    folder = a.table if a.table.is_dir() else None
    device, synthetic = "add-on", False
    plan = RunOuts()
    labels: dict[str, str] = {}
    if folder is not None:
        study = load_car(folder)
        show_in(study.units)
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
    return Reckoned(result, synthetic, saved)


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
    return economy_change_pct(run_time)
