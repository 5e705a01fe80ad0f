"""Which fuel-flow estimator a study gets: the best that the signals of all its runs allow.

Implements the list in section 1 of the method; the table of estimators with their expected errors
is here and nowhere else.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roadlog.errors import DesignError
from roadlog.fuel.sight import sight_of
from roadlog.fuel.states import standing_still
from roadlog.quantities.columns import Table, columns_of, once
from roadlog.study.car import Estimator
from roadlog.study.settings import Study

MIN_SHARE = 0.5  # of a run's logged time, for a signal to count as logged


@dataclass(frozen=True)
class ErrorTerm:
    """One source of error of an estimator.

    `size_pct` is its standard deviation [%] on one vehicle. `shared` says that it is the same in
    both arms and so leaves their ratio (unless the add-on itself bends it); one that isn't shared
    comes and goes between switch units and is in the interval already.
    """

    what: str
    size_pct: float
    shared: bool
    basis: str = "common practice, no source"


@dataclass(frozen=True)
class Estimate:
    """One way to fuel flow.

    `signals` holds alternatives: one whole set of them must be logged. `errors` is the error
    model: independent terms, so that the expected error of the level is their root sum of squares.
    What it can't see of the add-on is in `roadlog.fuel.sight`.
    """

    name: Estimator
    label: str
    signals: tuple[tuple[str, ...], ...]
    errors: tuple[ErrorTerm, ...]
    from_air: bool = True
    needs_displacement: bool = False
    needs_cylinders: bool = False

    @property
    def expected_error_pct(self) -> float:
        """Error of the level of fuel use to expect on one vehicle [%], one standard deviation."""
        return math.sqrt(sum(e.size_pct**2 for e in self.errors))

    @property
    def unshared_error_pct(self) -> float:
        """The part of it that differs between switch units [%]."""
        return math.sqrt(sum(e.size_pct**2 for e in self.errors if not e.shared))


_AIR_METER = ErrorTerm("reading of the air meter", 5.0, True)
_AIR_METER_DIRT = ErrorTerm("drift of the air meter with dirt and temperature", 1.0, False)
_BLEND = ErrorTerm(
    "fuel's own air-fuel ratio (season, ethanol)",
    1.5,
    True,
    "E0 to E10 differ by 4 % (element balance in quantities.fuels); a declared blend by less",
)
_MIXTURE = ErrorTerm("mixture in closed loop and under enrichment", 2.0, True)
_TRANSIENTS = ErrorTerm("air stored in the manifold, wall film, polling", 0.5, False)
_TRIM_LAG = ErrorTerm("trims that still move after a switch or a cold start", 1.0, False)
_VOLUMETRIC = ErrorTerm("volumetric efficiency, 10 % where it is assumed", 10.0, True)
_INTAKE_TEMPERATURE = ErrorTerm("intake temperature at the sensor, not at the valve", 1.5, False)
_LEVEL = ErrorTerm(
    "controller's own injector characteristic",
    5.0,
    True,
    "Regulation (EU) 2017/1151, Annex XXII, asks on-board fuel monitoring for ± 5 % (from memory)",
)

ESTIMATORS: dict[str, Estimate] = {
    e.name: e
    for e in (
        Estimate(
            "rate",
            "engine fuel rate (PID 5E or 9D)",
            (("fuel_rate_l_h",), ("fuel_rate_g_s",)),
            (_LEVEL, ErrorTerm("rounding of 0.05 L/h at idle", 0.5, False, "SAE J1979, PID 5E")),
            from_air=False,
        ),
        Estimate(
            "injection",
            "injected fuel per stroke, cylinders and rpm (rail data)",
            (("injected_mg_stroke", "rpm"),),
            (_LEVEL, _TRANSIENTS),
            from_air=False,
            needs_cylinders=True,
        ),
        Estimate(
            "maf",
            "mass air flow over stoichiometric air",
            (("maf_g_s",),),
            (_AIR_METER, _AIR_METER_DIRT, _BLEND, _MIXTURE, _TRANSIENTS),
        ),
        Estimate(
            "maf-trims",
            "mass air flow over stoichiometric air, times the fuel trims",
            (("maf_g_s", "stft1_pct", "ltft1_pct"),),
            (
                ErrorTerm("injector flow and fuel pressure", 4.0, True),
                _BLEND,
                _MIXTURE,
                _TRIM_LAG,
                _TRANSIENTS,
            ),
        ),
        Estimate(
            "absolute-load",
            "air from absolute load (PID 43), displacement and rpm",
            (("absolute_load_pct", "rpm"),),
            (
                ErrorTerm("the controller's model of air", 8.0, True),
                _AIR_METER_DIRT,
                _BLEND,
                _MIXTURE,
                _TRANSIENTS,
            ),
            needs_displacement=True,
        ),
        Estimate(
            "speed-density",
            "air from manifold pressure, intake temperature, displacement and rpm",
            (("map_kpa", "intake_air_temp_c", "rpm"),),
            (_VOLUMETRIC, _INTAKE_TEMPERATURE, _BLEND, _MIXTURE, _TRANSIENTS),
            needs_displacement=True,
        ),
        Estimate(
            "speed-density-trims",
            "air from manifold pressure, intake temperature, displacement and rpm, times the trims",
            (("map_kpa", "intake_air_temp_c", "rpm", "stft1_pct", "ltft1_pct"),),
            (_VOLUMETRIC, _INTAKE_TEMPERATURE, _BLEND, _MIXTURE, _TRIM_LAG, _TRANSIENTS),
            needs_displacement=True,
        ),
    )
}


def is_logged(samples: Table, signal: str) -> bool:
    """Whether a signal is there in at least half of a run's logged time.

    Time in which the engine stands isn't counted: a hybrid that answers nothing of its fuel then
    has logged it.
    """
    if signal not in samples.columns:
        return False
    return once(samples, ("is_logged", signal), lambda: _is_logged(samples, signal))


def _is_logged(samples: Table, signal: str) -> bool:
    there = np.isfinite(np.asarray(samples[signal], np.float64))
    stopped = standing_still(samples) & ~there
    dt = np.where(stopped, 0.0, np.asarray(samples["dt_s"], np.float64))
    return bool(dt[there].sum() >= MIN_SHARE * dt.sum()) and bool(there.any())


def available_estimators(samples: Sequence[Table], study: Study) -> list[str]:
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
        In the order rate, injection, maf, maf-trims, absolute-load, speed-density,
        speed-density-trims, after those that follow real fuel wherever this add-on acts
        (`roadlog.fuel.sight`): maf-trims comes first for the intake, where an add-on can bend the
        air meter and the trims make up for it, and for the oxygen sensor, where only the trims
        show that the injected fuel changed. There air without trims is left out. For the intake
        speed-density goes with trims before it goes without. A diesel has only rate and injection:
        it runs lean, so air says nothing.
    """
    return [
        name
        for name in computable_estimators(samples, study)
        if not _blind(study, ESTIMATORS[name])
    ]


def computable_estimators(samples: Sequence[Table], study: Study) -> list[str]:
    """Every estimator that the signals allow, blind ones too, to be shown side by side."""
    if not samples:
        return []
    told = [columns_of(s) for s in samples]
    return [
        name
        for name in _preference(study)
        if _usable(study, ESTIMATORS[name])
        and any(_all_have(told, names) for names in ESTIMATORS[name].signals)
    ]


def choose_estimator(samples: Sequence[Table], study: Study) -> str:
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

    >>> import pandas as pd
    >>> from roadlog.study.settings import parse_study
    >>> study = parse_study({"vehicle": {"fuel": "E10"}})
    >>> drive = pd.DataFrame({"t_s": [0.0, 1.0], "dt_s": 1.0, "speed_kmh": 50.0, "maf_g_s": 7.0})
    >>> choose_estimator([drive], study)
    'maf'
    """
    if not samples:
        raise DesignError("there is no run to take fuel from: add logs to the study")
    available = available_estimators(samples, study)
    wanted = study.analysis.estimator
    if wanted == "ledger":
        raise DesignError(
            "analysis.estimator = 'ledger' takes fuel from fills and weighed cans, not from logs: "
            "leave it out to take fuel from the logs"
        )
    if wanted is not None:
        if wanted in available:
            return wanted
        raise DesignError(
            f"analysis.estimator = '{wanted}' can't be used: {_obstacle(samples, study, wanted)}"
        )
    if available:
        return available[0]
    raise DesignError(_why_none(samples, study))


def passed_over(samples: Sequence[Table], study: Study, chosen: str) -> str:
    """A sentence if a figure that this add-on can't bend was passed over for want of signals.

    '' if the chosen one follows real fuel wherever the add-on acts, or none of them does.
    """
    place = study.device.acts_on
    better = [n for n in _preference(study) if sight_of(place, n).follows == "with trims"]
    if chosen in better or not better or sight_of(place, chosen).follows == "yes":
        return ""
    if study.vehicle.fuel == "diesel" or study.analysis.estimator is not None:
        return ""
    return (
        f"fuel comes from '{chosen}', which an add-on that acts on '{place}' can bend: "
        f"'{better[0]}' was passed over, because {_obstacle(samples, study, better[0])}"
    )


def _preference(study: Study) -> list[str]:
    """Figures that follow real fuel where the add-on acts, then the others, in the list's order.

    Where neither form of a figure follows, the one with trims may still come first.
    """

    def rank(name: str) -> tuple[bool, bool]:
        sight = sight_of(study.device.acts_on, name)
        return sight.follows == "no", sight.behind

    return sorted(ESTIMATORS, key=rank)


def _usable(study: Study, estimate: Estimate) -> bool:
    lean = study.vehicle.fuel == "diesel" and estimate.from_air
    sizeless = estimate.needs_displacement and study.vehicle.displacement_l is None
    countless = estimate.needs_cylinders and study.vehicle.cylinders is None
    return not lean and not sizeless and not countless


def _blind(study: Study, estimate: Estimate) -> bool:
    """Whether the add-on acts where this estimator can't see it."""
    return sight_of(study.device.acts_on, estimate.name).refused


def _all_have(samples: Sequence[Table], signals: Sequence[str]) -> bool:
    return all(is_logged(run, s) for run in samples for s in signals)


def _obstacle(samples: Sequence[Table], study: Study, name: str) -> str:
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
            "rate (PID 5E or 9D) or the injected quantity, or weigh the fuel"
        )
    if not lacking and _blind(study, estimate):
        return (
            "the add-on acts on the oxygen sensor, which decides the mixture, so air without fuel "
            "trims can't show what it does; log the short and long term trims, or weigh the fuel"
        )
    if lacking:
        parts = [
            f"{signal} is missing in {len(runs)} of {len(samples)} runs (first in run {runs[0]})"
            for signal, runs in lacking.items()
        ]
        return " and ".join(parts) + "; log it in every run or leave those runs out"
    if estimate.needs_cylinders:
        return "it needs the number of cylinders; give vehicle.cylinders in study.toml"
    return "it needs the engine's size; give vehicle.displacement_l in study.toml"


def _why_none(samples: Sequence[Table], study: Study) -> str:
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
            "no run has a signal that carries fuel (engine fuel rate, injected quantity, mass air "
            "flow, absolute load with rpm, or manifold pressure with intake temperature and rpm): "
            "speed and GPS alone "
            "never make a fuel figure, so log one of these or weigh the fuel"
        )
    name = next(n for n in _preference(study) if seen_in[n] == best)
    return f"no fuel estimator fits all runs: '{name}' comes nearest, but " + _obstacle(
        samples, study, name
    )
