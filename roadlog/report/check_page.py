"""check.html: a `StudyCheck` in, one self-contained page with every drive along its road out.

Fuel by arm isn't shown: the page may be looked at while the study runs.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roadlog.check import RunCheck, StudyCheck
from roadlog.fuel import ESTIMATORS
from roadlog.fuel.accessory_state import find_accessory
from roadlog.ingest.datum import SURFACES
from roadlog.report.along import Along, along
from roadlog.report.templating import NO_NETWORK, raw, render
from roadlog.wording.numbers import number
from roadlog.wording.units import in_own_units, is_told, told


@dataclass(frozen=True)
class Shown:
    """One run as the page shows it."""

    run: RunCheck
    number: int
    arm: str
    start: str
    facts: tuple[tuple[str, str], ...]
    care: tuple[str, ...]
    notes: tuple[str, ...]
    drive: Along | None


@in_own_units
def check_page(check: StudyCheck) -> str:
    """The whole page."""
    states = accessory_states(check)
    shown = [_shown(r, i + 1, check, states.get(i)) for i, r in enumerate(check.runs)]
    return render(
        "check.html",
        study=check.study,
        policy=NO_NETWORK,
        base_css=raw("base.css"),
        check_css=raw("check.css"),
        runs=shown,
        usable=sum(r.usable for r in check.runs),
        clean=sum(r.verdict == "usable" for r in check.runs),
        warnings=check.warnings,
        estimator=ESTIMATORS[check.estimator].label if check.estimator in ESTIMATORS else "",
    )


def facts_of(run: RunCheck) -> tuple[tuple[str, str], ...]:
    """Names and values of what was measured about a run, those that are known."""
    every: tuple[tuple[str, float | str, str, int], ...] = (
        ("driven", run.km, "km", 1),
        ("time", run.minutes, "min", 0),
        ("speed and fuel known", 100 * run.known, "%", 0),
        ("speed", run.rate_of("speed_kmh"), "readings a second", 1),
        ("gaps", float(run.gaps), "", 0),
        ("GPS over wheel speed", run.speed_factor, "", 3),
        ("position clock late by", run.lag_s, "s", 1),
        ("closed loop when warm", 100 * run.closed_loop, "%", 0),
        ("coolant at start", run.coolant_start_c, "°C", 0),
        ("warm after", run.warm_after_s / 60, "min", 1),
    )
    above = SURFACES.get(run.altitude_datum or "", "")
    if run.samples.empty:
        return ()
    return tuple(
        (
            name,
            told(value, unit, digits)
            if is_told(unit)
            else f"{number(value, digits)} {unit}".strip(),
        )
        for name, value, unit, digits in every
        if isinstance(value, float) and math.isfinite(value)
    ) + ((("altitude", above),) if above else ())


def accessory_states(check: StudyCheck) -> dict[int, NDArray[np.float64]]:
    """By place in `check.runs`: where an accessory looks on (1) or off (0); empty if unseen."""
    throttled = check.study.vehicle.fuel != "diesel"
    at = [i for i, r in enumerate(check.runs) if throttled and r.usable and len(r.samples)]
    found = find_accessory(
        [check.runs[i].samples for i in at],
        [check.runs[i].arm or "" for i in at],
        check.study.vehicle.displacement_l,
    )
    return dict(zip(at, found.states, strict=True)) if found.visible else {}


def _shown(
    run: RunCheck, count: int, check: StudyCheck, accessory: NDArray[np.float64] | None
) -> Shown:
    def texts(*weights: str) -> tuple[str, ...]:
        return tuple(f.text for f in run.findings if f.weight in weights)

    drive = None if run.samples.empty else along(run.samples, run.needed, accessory)
    arm = check.study.label(run.arm) if run.arm else "arm unknown"
    return Shown(
        run,
        count,
        arm,
        run.begun,
        facts_of(run),
        texts("fatal", "care"),
        texts("note"),
        drive,
    )
