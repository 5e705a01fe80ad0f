"""Which fuel-flow estimator a study gets: the best that the signals of all its runs allow.

Implements the list in section 1 of the method; the table of estimators with their expected errors
is here and nowhere else.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from roadlog.errors import DesignError
from roadlog.study import Estimator, Study

MIN_SHARE = 0.5  # of a run's logged time, for a signal to count as logged


@dataclass(frozen=True)
class Estimate:
    """One way to fuel flow.

    `signals` holds alternatives: one whole set of them must be logged. `expected_error_pct` is the
    error of the level of fuel use [%] to expect on one vehicle; most of it is the same in both
    arms and leaves their ratio.
    """

    name: Estimator
    label: str
    signals: tuple[tuple[str, ...], ...]
    expected_error_pct: float
    basis: str
    from_air: bool = True
    needs_displacement: bool = False


ESTIMATORS: dict[str, Estimate] = {
    e.name: e
    for e in (
        Estimate(
            "rate",
            "engine fuel rate (PID 5E or 9D)",
            (("fuel_rate_l_h",), ("fuel_rate_g_s",)),
            5.0,
            "Regulation (EU) 2017/1151, Annex XXII, asks on-board fuel monitoring for ± 5 % "
            "(from memory)",
            from_air=False,
        ),
        Estimate(
            "maf",
            "mass air flow over stoichiometric air",
            (("maf_g_s",),),
            7.0,
            "common practice, no source",
        ),
        Estimate(
            "maf-trims",
            "mass air flow over stoichiometric air, times the fuel trims",
            (("maf_g_s", "stft1_pct", "ltft1_pct"),),
            7.0,
            "common practice, no source",
        ),
        Estimate(
            "absolute-load",
            "air from absolute load (PID 43), displacement and rpm",
            (("absolute_load_pct", "rpm"),),
            10.0,
            "common practice, no source",
            needs_displacement=True,
        ),
        Estimate(
            "speed-density",
            "air from manifold pressure, intake temperature, displacement and rpm, times the trims",
            (("map_kpa", "intake_air_temp_c", "rpm"),),
            15.0,
            "common practice, no source",
            needs_displacement=True,
        ),
    )
}


def is_logged(samples: pd.DataFrame, signal: str) -> bool:
    """Whether a signal is there in at least half of a run's logged time."""
    if signal not in samples.columns:
        return False
    dt = samples["dt_s"].to_numpy(np.float64)
    there = np.isfinite(samples[signal].to_numpy(np.float64))
    return bool(dt[there].sum() >= MIN_SHARE * dt.sum()) and bool(there.any())


def available_estimators(samples: Sequence[pd.DataFrame], study: Study) -> list[str]:
    """The estimators that every run allows, best first.

    Parameters
    ----------
    samples : sequence of DataFrame
        Samples of all runs, of both arms.
    study : Study
        Its vehicle says what fuel and displacement, its device where the add-on acts.

    Returns
    -------
    list of str
        In the order rate, maf, maf-trims, absolute-load, speed-density; maf-trims comes before
        maf for an add-on that acts on the intake, because that can bend the MAF reading and the
        trims then make up for it. A diesel has only rate: it runs lean, so air says nothing.
    """
    if not samples:
        return []
    return [
        name
        for name in _preference(study)
        if _usable(study, ESTIMATORS[name])
        and any(_all_have(samples, names) for names in ESTIMATORS[name].signals)
    ]


def choose_estimator(samples: Sequence[pd.DataFrame], study: Study) -> str:
    """The one estimator for all runs of a study: `analysis.estimator`, else the best available.

    Parameters
    ----------
    samples : sequence of DataFrame
        Samples of all runs, of both arms.
    study : Study

    Returns
    -------
    str
        A key of `ESTIMATORS`.

    Raises
    ------
    DesignError
        If the study's own choice isn't available, or none is: no signal that carries fuel, a
        diesel without fuel rate, or displacement missing.
    """
    if not samples:
        raise DesignError("there is no run to take fuel from: add logs to the study")
    available = available_estimators(samples, study)
    wanted = study.analysis.estimator
    if wanted is not None:
        if wanted in available:
            return wanted
        raise DesignError(
            f"analysis.estimator = '{wanted}' can't be used: {_obstacle(samples, study, wanted)}"
        )
    if available:
        return available[0]
    raise DesignError(_why_none(samples, study))


def _preference(study: Study) -> list[str]:
    order = list(ESTIMATORS)
    if study.device.acts_on == "intake":
        i = order.index("maf")
        order[i : i + 2] = ["maf-trims", "maf"]
    return order


def _usable(study: Study, estimate: Estimate) -> bool:
    lean = study.vehicle.fuel == "diesel" and estimate.from_air
    blind = estimate.needs_displacement and study.vehicle.displacement_l is None
    return not lean and not blind


def _all_have(samples: Sequence[pd.DataFrame], signals: Sequence[str]) -> bool:
    return all(is_logged(run, s) for run in samples for s in signals)


def _obstacle(samples: Sequence[pd.DataFrame], study: Study, name: str) -> str:
    """What stands in the way of one estimator, and what to do."""
    estimate = ESTIMATORS[name]
    lacking = {
        s: [i for i, run in enumerate(samples, 1) if not is_logged(run, s)]
        for s in estimate.signals[0]
    }
    lacking = {s: runs for s, runs in lacking.items() if runs}
    if study.vehicle.fuel == "diesel" and estimate.from_air:
        return (
            "a diesel runs lean, so its air flow says nothing about its fuel; log the engine fuel "
            "rate (PID 5E or 9D) or weigh the fuel"
        )
    if lacking:
        parts = [
            f"{signal} is missing in {len(runs)} of {len(samples)} runs (first in run {runs[0]})"
            for signal, runs in lacking.items()
        ]
        return " and ".join(parts) + "; log it in every run or leave those runs out"
    return "it needs the engine's size; give vehicle.displacement_l in study.toml"


def _why_none(samples: Sequence[pd.DataFrame], study: Study) -> str:
    seen_in = {
        name: max(
            sum(all(is_logged(run, s) for s in names) for run in samples)
            for names in estimate.signals
        )
        for name, estimate in ESTIMATORS.items()
    }
    best = max(seen_in.values())
    if best == 0:
        return (
            "no run has a signal that carries fuel (engine fuel rate, mass air flow, absolute load "
            "with rpm, or manifold pressure with intake temperature and rpm): speed and GPS alone "
            "never make a fuel figure, so log one of these or weigh the fuel"
        )
    name = next(n for n in _preference(study) if seen_in[n] == best)
    return f"no fuel estimator fits all runs: '{name}' comes nearest, but " + _obstacle(
        samples, study, name
    )
