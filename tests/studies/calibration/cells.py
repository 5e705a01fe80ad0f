"""The list of simulated situations ("cells") that docs/method.md demands of the interval.

A cell is a layout (who drives what, when, in which arm), a noise model with known parameters, and
the score that applies to it: coverage, randomisation, power, or bias and warning.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

Schedule = Literal["complete", "pairs", "ABAB", "AABB", "long stretches", "before/after"]
Shape = Literal["normal", "gamma", "lognormal", "jams"]
Score = Literal["coverage", "no interval", "bias and warning", "randomisation", "power"]
Alarm = Literal["", "drift", "dropout", "half runs", "slower", "refused"]

COVERAGE_BAR = (0.935, 0.975)
STEADY_BAR = 0.997  # where neither days nor runs scatter: the passes' floor is on the safe side
RANDOMISATION_BAR = 0.945
WARNING_BAR = 0.95

UNITS = (4, 6, 8, 12, 20)
UNIT_SDS = (0.0, 1.0, 3.0)


@dataclass(frozen=True)
class Layout:
    """Who drives what, when, in which arm.

    `runs` are the runs a day; several numbers are dealt to the days in random order. `blocked`
    puts neighbouring switch units in pairs (always so for `pairs`). With `unit_is_run` every run
    is a switch unit and two of them make a day.
    """

    units: int
    fitted: int
    schedule: Schedule = "complete"
    blocked: bool = False
    runs: tuple[int, ...] = (2,)
    segments: int = 10
    days_per_unit: int = 1
    missing: float = 0.0
    unit_is_run: bool = False
    hilly: bool = False

    @property
    def randomised(self) -> bool:
        """Whether chance decides the order of arms."""
        return self.schedule in ("complete", "pairs")


@dataclass(frozen=True)
class Noise:
    """Standard deviations [%] on the log scale, and what departs from independent normal errors.

    `day_sd` is the switch unit's where a unit is one day. `shape` is that of runs and passes.
    `drift` [%] is linear from the first to the last day; `day_ar`, `pass_ar` are lag-1
    autocorrelations of days and of a run's passes; `segment_arm_sd` [%] spreads the effect over
    segments; `same_ml` [%], if not 0, is the change of the route's summed fuel by a device that
    takes or saves the same millilitres on every kilometre, so another share on every segment;
    `own_v` is the share of a pass's variance that goes with (mean fuel/segment fuel)^2.
    """

    day_sd: float
    run_sd: float
    pass_sd: float
    shape: Shape = "normal"
    drift: float = 0.0
    day_ar: float = 0.0
    pass_ar: float = 0.0
    segment_arm_sd: float = 0.0
    same_ml: float = 0.0
    own_v: float = 0.0


@dataclass(frozen=True)
class Cell:
    """One simulated situation.

    `draws` is how many studies (schedules, missing passes, covariates) share the replicates;
    `most` caps replicates where each needs an analysis of its own; `severity` is the alarm's
    strength (share of passes dropped, percent slower).
    """

    name: str
    group: str
    layout: Layout
    noise: Noise
    score: Score = "coverage"
    covariates: tuple[str, ...] = ()
    alarm: Alarm = ""
    expected: tuple[str, ...] = ()
    severity: float = 0.0
    draws: int = 1
    most: int | None = None


GROUPS = {
    "A": "main grid",
    "B": "unbalanced arms and unequal runs a day",
    "C": "passes missing at random",
    "D": "skewed (traffic) errors",
    "E": "drift and autocorrelation over days, by schedule",
    "F": "effect that differs by segment",
    "G": "serial correlation of a run's passes",
    "H": "covariates and pass weights",
    "I": "runs as switch units, days random",
    "J": "scored on bias and warning",
    "K": "randomisation interval",
    "L": "power formula",
}


def all_cells() -> list[Cell]:
    """Every cell, in order of group; names are unique."""
    cells = [
        *_main(), *_unbalanced(), *_missing(), *_skewed(), *_days(), *_segments(), *_serial(),
        *_covariates(), *_alarms(), *_randomisation(), *_power(), *_run_switched(),
    ]  # fmt: skip
    assert len({c.name for c in cells}) == len(cells), "two cells share a name"
    return cells


def _even(units: int, **more: object) -> Layout:
    return replace(Layout(units, units // 2), **more)  # type: ignore[arg-type]


def _sds(noise: Noise) -> str:
    return f"{noise.day_sd:g}-{noise.run_sd:g}-{noise.pass_sd:g}"


def _main() -> Iterator[Cell]:
    for units, day, run, one in product(UNITS, UNIT_SDS, UNIT_SDS, (3.0, 6.0, 10.0)):
        noise = Noise(day, run, one)
        yield Cell(f"A/{units}-units/sd-{_sds(noise)}", "A", _even(units), noise)


def _unbalanced() -> Iterator[Cell]:
    for (few, units), day, one in product(
        ((2, 6), (2, 8), (3, 12), (5, 20)), UNIT_SDS, (3.0, 10.0)
    ):
        noise = Noise(day, 1.0, one)
        yield Cell(f"B/{few}-of-{units}/sd-{_sds(noise)}", "B", Layout(units, few), noise)
    for units, day, one in product(UNITS, UNIT_SDS, (3.0, 10.0)):
        noise = Noise(day, 1.0, one)
        layout = _even(units, runs=(1, 2, 3, 4))
        name = f"B/{units}-units-1-to-4-runs/sd-{_sds(noise)}"
        yield Cell(name, "B", layout, noise, draws=100)
    for (few, units), day in product(((2, 6), (2, 8), (3, 12), (5, 20)), UNIT_SDS):
        noise = Noise(day, 1.0, 6.0)
        layout = Layout(units, few, runs=(1, 2, 3, 4))
        name = f"B/{few}-of-{units}-1-to-4-runs/sd-{_sds(noise)}"
        yield Cell(name, "B", layout, noise, draws=100)


def _missing() -> Iterator[Cell]:
    for share, units, day in product((0.10, 0.25, 0.40), UNITS, UNIT_SDS):
        noise = Noise(day, 1.0, 6.0)
        name = f"C/missing-{100 * share:.0f}/{units}-units/sd-{_sds(noise)}"
        yield Cell(name, "C", _even(units, missing=share), noise, draws=100)
    for units, day in product((6, 8, 12), UNIT_SDS):
        noise = Noise(day, 1.0, 6.0)
        layout = Layout(units, units // 4 + 1, missing=0.40)
        name = f"C/missing-40/{layout.fitted}-of-{units}/sd-{_sds(noise)}"
        yield Cell(name, "C", layout, noise, draws=100)


def _skewed() -> Iterator[Cell]:
    shapes: tuple[Shape, ...] = ("gamma", "lognormal", "jams")
    for shape, units, day in product(shapes, UNITS, UNIT_SDS):
        noise = Noise(day, 1.0, 6.0, shape=shape)
        yield Cell(f"D/{shape}/{units}-units/sd-{_sds(noise)}", "D", _even(units), noise)


def _days() -> Iterator[Cell]:
    troubles = [
        *(Noise(d, 1.0, 6.0, drift=x) for x, d in product((1.0, 3.0, 6.0), (1.0, 3.0))),
        *(Noise(d, 1.0, 6.0, day_ar=r) for r, d in product((0.3, 0.6), (1.0, 3.0))),
    ]
    schedules: tuple[Schedule, ...] = ("pairs", "ABAB", "AABB")
    for schedule, noise, units in product(schedules, troubles, UNITS):
        layout = _even(
            units, schedule=schedule, blocked=True, days_per_unit=2 if schedule == "AABB" else 1
        )
        score: Score = "no interval" if units == 4 else "coverage"
        draws = 100 if schedule == "pairs" else 1
        yield Cell(
            f"E/{schedule}/{_trouble(noise)}/{units}-units/sd-{_sds(noise)}",
            "E", layout, noise, score, draws=draws,
        )  # fmt: skip
    for noise, units in product((n for n in troubles if n.day_ar), UNITS):
        yield Cell(
            f"E/complete/{_trouble(noise)}/{units}-units/sd-{_sds(noise)}",
            "E", _even(units), noise, draws=100,
        )  # fmt: skip


def _trouble(noise: Noise) -> str:
    return f"drift-{noise.drift:g}" if noise.drift else f"ar-{noise.day_ar:g}"


def _segments() -> Iterator[Cell]:
    for sd, units, day in product((2.0, 5.0), UNITS, UNIT_SDS):
        noise = Noise(day, 1.0, 6.0, segment_arm_sd=sd)
        name = f"F/segment-sd-{sd:g}/{units}-units/sd-{_sds(noise)}"
        yield Cell(name, "F", _even(units), noise)
    for sd, units in product((2.0, 5.0), UNITS):
        noise = Noise(1.0, 1.0, 6.0, segment_arm_sd=sd)
        name = f"F/segment-sd-{sd:g}-missing-25/{units}-units/sd-{_sds(noise)}"
        yield Cell(name, "F", _even(units, missing=0.25), noise, draws=100)
    for change, units, day in product((-3.0, 10.0), (6, 8, 12, 20), UNIT_SDS):
        noise = Noise(day, 1.0, 6.0, same_ml=change, own_v=0.7)
        name = f"F/same-ml-each-km/{change:+g}-percent/{units}-units/sd-{_sds(noise)}"
        yield Cell(name, "F", _even(units, hilly=True), noise)
    for units in (6, 8, 12, 20):
        noise = Noise(1.0, 1.0, 6.0, same_ml=10.0, own_v=0.7)
        name = f"F/same-ml-each-km-missing-25/{units}-units/sd-{_sds(noise)}"
        layout = _even(units, hilly=True, missing=0.25)
        yield Cell(name, "F", layout, noise, draws=100)


def _serial() -> Iterator[Cell]:
    for rho, units, day in product((0.3, 0.6), UNITS, UNIT_SDS):
        noise = Noise(day, 1.0, 6.0, pass_ar=rho)
        yield Cell(f"G/ar-{rho:g}/{units}-units/sd-{_sds(noise)}", "G", _even(units), noise)
    for rho, units in product((0.3, 0.6), UNITS):
        noise = Noise(1.0, 1.0, 6.0, pass_ar=rho)
        name = f"G/ar-{rho:g}-missing-25/{units}-units/sd-{_sds(noise)}"
        yield Cell(name, "G", _even(units, missing=0.25), noise, draws=100)


_DRIVING = ("demand_kj_per_km", "mean_speed_kmh")
_ALL = (*_DRIVING, "ambient_c")


def _covariates() -> Iterator[Cell]:
    sets = {"driving": _DRIVING, "temperature": ("ambient_c",), "both": _ALL}
    for (kind, names), units, day in product(sets.items(), (6, 8, 12, 20), UNIT_SDS):
        noise = Noise(day, 1.0, 6.0)
        name = f"H/{kind}/{units}-units/sd-{_sds(noise)}"
        left_out = units == 6 and "ambient_c" in names  # six units carry no temperature
        draws = 400 if left_out else 100
        yield Cell(name, "H", _even(units), noise, covariates=names, draws=draws)
    for units, day in product((12, 20), UNIT_SDS):
        noise = Noise(day, 1.0, 6.0)
        layout = _even(units, schedule="pairs", blocked=True)
        name = f"H/both-pairs/{units}-units/sd-{_sds(noise)}"
        yield Cell(name, "H", layout, noise, covariates=_ALL, draws=100)
    for own_v, units, day in product((0.0, 0.7, 1.0), UNITS, UNIT_SDS):
        noise = Noise(day, 1.0, 6.0, own_v=own_v)
        name = f"H/hilly-{100 * own_v:.0f}/{units}-units/sd-{_sds(noise)}"
        layout = _even(units, hilly=True, missing=0.1)
        yield Cell(name, "H", layout, noise, covariates=_DRIVING, draws=100)
    for own_v, (few, units) in product((0.0, 1.0), ((2, 6), (2, 8), (3, 12), (5, 20))):
        noise = Noise(1.0, 1.0, 6.0, own_v=own_v)
        name = f"H/hilly-{100 * own_v:.0f}-missing-40/{few}-of-{units}/sd-{_sds(noise)}"
        layout = Layout(units, few, hilly=True, missing=0.4)
        yield Cell(name, "H", layout, noise, draws=100)


def _alarms() -> Iterator[Cell]:
    unblocked: tuple[tuple[Schedule, int, int, tuple[str, ...]], ...] = (
        ("ABAB", 12, 1, ("order-not-randomised",)),
        ("AABB", 12, 2, ("order-not-randomised",)),
        ("long stretches", 4, 5, ("order-not-randomised",)),
        ("before/after", 12, 1, ("order-not-randomised", "aliased")),
    )
    for (schedule, units, days, codes), drift in product(unblocked, (0.0, 1.0, 3.0, 6.0)):
        noise = Noise(1.0, 1.0, 6.0, drift=drift)
        layout = _even(units, schedule=schedule, days_per_unit=days)
        yield Cell(
            f"J/unblocked-{schedule.replace(' ', '-').replace('/', '-')}/drift-{drift:g}",
            "J", layout, noise, "bias and warning", alarm="drift", expected=codes,
        )  # fmt: skip
    for units, drift in product((6, 8, 12, 20), (0.0, 1.0, 3.0, 6.0)):
        noise = Noise(1.0, 1.0, 6.0, drift=drift)
        yield Cell(
            f"J/unblocked-complete/{units}-units/drift-{drift:g}",
            "J", _even(units), noise, "bias and warning", alarm="drift", draws=100,
        )  # fmt: skip
    for units, share in product((6, 8, 12, 20), (0.0, 0.1, 0.2, 0.3)):
        codes = ("uneven-missing",) if share else ()
        yield Cell(
            f"J/hard-passes-drop-out/{units}-units/{100 * share:.0f}-percent",
            "J", _even(units, missing=0.05), Noise(1.0, 1.0, 6.0), "bias and warning",
            alarm="dropout", expected=codes, severity=share, draws=2_000, most=2_000,
        )  # fmt: skip
    for units in (6, 8, 12, 20):
        yield Cell(
            f"J/half-runs-lost-at-random/{units}-units", "J",
            _even(units, missing=0.05), Noise(1.0, 1.0, 6.0), "bias and warning",
            alarm="half runs", severity=0.1, draws=2_000, most=2_000,
        )  # fmt: skip
    for units, slower in product((8, 12, 20), (0.0, 3.0, 5.0)):
        codes = ("driving-differed",) if slower else ()
        yield Cell(
            f"J/driver-slows/{units}-units/{slower:g}-percent",
            "J", _even(units), Noise(1.0, 1.0, 6.0), "bias and warning",
            covariates=_DRIVING, alarm="slower", expected=codes, severity=slower,
            draws=2_000, most=2_000,
        )  # fmt: skip
    yield Cell(
        "J/before-after-one-stretch-an-arm", "J",
        Layout(2, 1, schedule="before/after", days_per_unit=10), Noise(1.0, 1.0, 6.0, drift=3.0),
        "bias and warning", alarm="refused", expected=("refused",),
    )  # fmt: skip


def _randomisation() -> Iterator[Cell]:
    noises = {
        "normal": Noise(1.0, 1.0, 6.0),
        "no-unit-variance": Noise(0.0, 1.0, 6.0),
        "unit-sd-3": Noise(3.0, 1.0, 6.0),
        "drift-6": Noise(1.0, 1.0, 6.0, drift=6.0),
        "gamma": Noise(1.0, 1.0, 6.0, shape="gamma"),
    }
    layouts = {
        "8-complete": _even(8),
        "12-in-pairs": _even(12, schedule="pairs", blocked=True),
        "20-in-pairs": _even(20, schedule="pairs", blocked=True),
    }
    for (where, layout), (what, noise) in product(layouts.items(), noises.items()):
        yield Cell(f"K/{where}/{what}", "K", layout, noise, "randomisation", draws=100)
    layout = replace(layouts["12-in-pairs"], missing=0.25)
    yield Cell(
        "K/12-in-pairs/missing-25", "K", layout, noises["normal"], "randomisation", draws=100
    )


def _power() -> Iterator[Cell]:
    for units, schedule, noise in product(
        (6, 8, 12, 20), ("complete", "pairs"), (Noise(0.0, 1.0, 6.0), Noise(1.0, 1.0, 6.0))
    ):
        layout = _even(units, schedule=schedule, blocked=schedule == "pairs")
        yield Cell(f"L/{schedule}/{units}-units/sd-{_sds(noise)}", "L", layout, noise, "power")


def _run_switched() -> Iterator[Cell]:
    for units, day in product((8, 12, 20), UNIT_SDS):
        noise = Noise(day, 1.0, 6.0)
        layout = _even(units, unit_is_run=True)
        yield Cell(f"I/{units}-runs/day-sd-{day:g}", "I", layout, noise, draws=100)
    for units, day in product((8, 12, 20), UNIT_SDS):
        noise = Noise(day, 1.0, 6.0)
        layout = _even(units, unit_is_run=True, schedule="pairs", blocked=True)
        yield Cell(f"I/{units}-runs-days-as-blocks/day-sd-{day:g}", "I", layout, noise, draws=100)
