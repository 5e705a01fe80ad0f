"""Studies and responses with known truth, for one calibration cell.

In go a cell and a random generator; out come a drawn study (who drove what in which arm, which
passes are missing, covariates) as a pass table that the engine accepts, and batches of log fuel
use for it. Simulation stands outside the method: it makes data whose right answer is known.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.quantities.arrays import Floats
from tests.studies.calibration.cells import Cell, Layout, Noise, Shape

Ints = NDArray[np.intp]

EFFECT = float(np.log(0.97))  # true effect of every cell: 3 % less fuel
FIRST_DAY = "2026-03-02"

JAM_SHARE = 0.05
JAM = float(np.log(1.30))
LOGNORMAL_SIGMA = 0.8

# Log fuel per unit of relative demand and speed, and per °C; covariate spreads are relative.
SLOPES = {"demand_kj_per_km": 0.6, "mean_speed_kmh": -0.1, "ambient_c": -0.003}
MEANS = {"demand_kj_per_km": 400.0, "mean_speed_kmh": 50.0, "ambient_c": 12.0}
SPREADS = {  # standard deviation of day, run, pass
    "demand_kj_per_km": (0.01, 0.02, 0.06),
    "mean_speed_kmh": (0.01, 0.02, 0.05),
    "ambient_c": (0.30, 0.05, 0.01),
}


@dataclass(frozen=True)
class Plan:
    """One drawn study on the full grid of runs x segments (rows run by run).

    `unit`, `day`, `run`, `segment` (n,) codes; `unit_arm` (units,); `unit_block` labels, '' where
    not blocked; `present` (n,) passes that weren't lost; `covariates` (n, k) columns by name.
    """

    unit: Ints
    day: Ints
    run: Ints
    segment: Ints
    unit_arm: Ints
    unit_block: tuple[str, ...]
    present: NDArray[np.bool_]
    covariates: dict[str, Floats]
    layout: Layout

    @property
    def arm(self) -> Floats:
        """Arm of each row, 1 fitted."""
        return self.unit_arm[self.unit].astype(float)

    @property
    def log_road(self) -> Floats:
        """Log fuel use of each row's segment."""
        return np.log(segment_fuel(self.layout))[self.segment]


def segment_fuel(layout: Layout) -> Floats:
    """Fuel use of each segment [mL/km]: 15 to 110 on a hilly route, else within 20 %."""
    low, high = (15.0, 110.0) if layout.hilly else (50.0, 70.0)
    return np.linspace(low, high, layout.segments)


def draw_plan(cell: Cell, rng: np.random.Generator) -> Plan:
    """Draw schedule, runs, missing passes and covariates."""
    layout = cell.layout
    if layout.unit_is_run:
        run_unit = np.arange(layout.units)
        run_day = run_unit // 2
    else:
        days = layout.units * layout.days_per_unit
        counts = np.resize(layout.runs, days)
        if len(layout.runs) > 1:
            counts = rng.permutation(counts)
        run_day = np.repeat(np.arange(days), counts)
        run_unit = run_day // layout.days_per_unit
    run = np.repeat(np.arange(len(run_unit)), layout.segments)
    day, unit = run_day[run], run_unit[run]
    segment = np.tile(np.arange(layout.segments), len(run_unit))
    pair = [str(u // 2) for u in range(layout.units)]
    return Plan(
        unit=unit,
        day=day,
        run=run,
        segment=segment,
        unit_arm=_order_of_arms(layout, rng),
        unit_block=tuple(pair if layout.blocked else [""] * layout.units),
        present=rng.random(len(run)) >= layout.missing,
        covariates={c: _covariate(c, day, run, rng) for c in cell.covariates},
        layout=layout,
    )


def frame(
    plan: Plan, log_fuel: Floats | None = None, lost: NDArray[np.bool_] | None = None
) -> pd.DataFrame:
    """The pass table of a plan; `lost` (n,) are passes that were driven but excluded.

    Without `log_fuel` (n,) every pass has its segment's own fuel use.
    """
    y = plan.log_road if log_fuel is None else log_fuel
    used = plan.present if lost is None else plan.present & ~lost
    working_day = np.busday_offset(np.datetime64(FIRST_DAY), plan.day)
    first_of_day = np.searchsorted(plan.day, plan.day)
    minutes = 450 + (np.arange(len(plan.day)) - first_of_day) * 12
    return pd.DataFrame(
        {
            "run": plan.run,
            "day": plan.day.astype(str),
            "switch_unit": np.char.add("unit ", plan.unit.astype(str)),
            "block": np.asarray(plan.unit_block)[plan.unit],
            "segment": plan.segment.astype(str),
            "arm": np.where(plan.unit_arm[plan.unit] == 1, "fitted", "baseline"),
            "start": working_day.astype("datetime64[s]") + minutes * np.timedelta64(60, "s"),
            "distance_km": 1.0,
            "ml_per_km": np.exp(y),
            "fuel_ml": np.exp(y),
            "used": used,
            **dict.fromkeys(_UNKNOWN, np.nan),
            **plan.covariates,
            **_time(plan),
        }
    )[plan.present].reset_index(drop=True)


def _time(plan: Plan) -> dict[str, Floats]:
    """Seconds of each pass, a kilometre long, where speed is drawn."""
    speed = plan.covariates.get("mean_speed_kmh")
    return {} if speed is None else {"duration_s": 3600 / speed}


_UNKNOWN = (
    "coolant_start_c", "since_start_s", "ambient_c", "air_density_kg_m3", "headwind_m_s",
    "duration_s", "mean_speed_kmh", "idle_s_per_km", "demand_kj_per_km",
)  # fmt: skip


def responses(plan: Plan, noise: Noise, rng: np.random.Generator, batch: int) -> Floats:
    """Log fuel use (n present, batch) without any random segment-by-arm part."""
    systematic = plan.log_road + plan.arm * effect_by_pass(plan, noise) + covariate_part(plan)
    y = systematic[:, None] + _errors(plan, noise, rng, batch)
    return y[plan.present]


def true_effect(noise: Noise) -> float:
    """Log ratio of the arms' summed fuel on the route."""
    return float(np.log1p(noise.same_ml / 100)) if noise.same_ml else EFFECT


def effect_by_pass(plan: Plan, noise: Noise) -> Floats:
    """What the device does to each pass's log fuel use (n,)."""
    if not noise.same_ml:
        return np.full(len(plan.run), EFFECT)
    fuel = segment_fuel(plan.layout)
    return np.asarray(np.log1p(noise.same_ml / 100 * fuel.mean() / fuel)[plan.segment])


def covariate_part(plan: Plan) -> Floats:
    """What demand, speed and temperature add to log fuel use (n,), at the true slopes.

    Demand and speed cost fuel, not a share of it: they weigh more where a segment needs less.
    """
    scale = _fuel_scale(plan)
    total = np.zeros(len(plan.run))
    for name, x in plan.covariates.items():
        if name == "ambient_c":
            total += SLOPES[name] * x
        else:
            total += SLOPES[name] * (x / MEANS[name] - 1) * scale
    return total


def segment_arm_effects(
    plan: Plan, noise: Noise, rng: np.random.Generator, batch: int
) -> tuple[Floats, Floats]:
    """Segment-by-arm part (n present, batch), and what it adds to the true effect here (batch,).

    The effect on this route is the mean over its segments weighted by their fuel times
    n_A n_B/(n_A + n_B), n being the segment's passes in either arm: the weights of a regression
    with segment effects. Without missing passes that is the mean by fuel.
    """
    spread = rng.normal(0, noise.segment_arm_sd / 100, (plan.layout.segments, batch))
    segment, arm = plan.segment[plan.present], plan.arm[plan.present]
    n = np.array([np.bincount(segment[arm == a], minlength=len(spread)) for a in (0.0, 1.0)])
    weight = segment_fuel(plan.layout) * n[0] * n[1] / np.maximum(n[0] + n[1], 1)
    return spread[segment] * arm[:, None], np.asarray(weight @ spread / weight.sum())


def noise_variance(plan: Plan, noise: Noise) -> Floats:
    """Relative pass variance (n,), mean near 1: constant part plus that of thirsty segments."""
    scale = _fuel_scale(plan)
    return np.asarray(1 - noise.own_v + noise.own_v * scale**2)


def _fuel_scale(plan: Plan) -> Floats:
    fuel = segment_fuel(plan.layout)
    return np.asarray((fuel.mean() / fuel)[plan.segment])


def _order_of_arms(layout: Layout, rng: np.random.Generator) -> Ints:
    n = layout.units
    if layout.schedule == "complete":
        return rng.permutation(np.arange(n) < layout.fitted).astype(np.intp)
    if layout.schedule == "pairs":
        first = rng.integers(0, 2, n // 2)
        return np.column_stack([first, 1 - first]).ravel().astype(np.intp)
    if layout.schedule == "before/after":
        return (np.arange(n) >= n - layout.fitted).astype(np.intp)
    return np.arange(n) % 2


def _covariate(name: str, day: Ints, run: Ints, rng: np.random.Generator) -> Floats:
    of_day, of_run, of_pass = SPREADS[name]
    relative = (
        of_day * rng.normal(size=day.max() + 1)[day]
        + of_run * rng.normal(size=run.max() + 1)[run]
        + of_pass * rng.normal(size=len(run))
    )
    return np.asarray(MEANS[name] * (1 + relative))


def _errors(plan: Plan, noise: Noise, rng: np.random.Generator, batch: int) -> Floats:
    n_days, n_runs = int(plan.day.max()) + 1, int(plan.run.max()) + 1
    days = noise.day_sd * _autocorrelated(_draw("normal", rng, (n_days, batch)), noise.day_ar)
    days += noise.drift * (np.arange(n_days) / max(n_days - 1, 1) - 0.5)[:, None]
    runs = noise.run_sd * _draw(noise.shape, rng, (n_runs, batch))
    grid = _draw(noise.shape, rng, (plan.layout.segments, n_runs, batch))
    passes = noise.pass_sd * _autocorrelated(grid, noise.pass_ar)
    passes = passes.transpose(1, 0, 2).reshape(len(plan.run), batch)
    if noise.own_v:
        passes *= np.sqrt(noise_variance(plan, noise))[:, None]
    total = (days[plan.day] + runs[plan.run] + passes) / 100
    if noise.shape == "jams":
        total += JAM * (rng.random(total.shape) < JAM_SHARE)
    return np.asarray(total)


def _draw(shape: Shape, rng: np.random.Generator, size: tuple[int, ...]) -> Floats:
    """Standardised draws: gamma has skewness 2 (exponential), lognormal about 3.7."""
    if shape == "gamma":
        return rng.standard_exponential(size) - 1
    if shape == "lognormal":
        s2 = LOGNORMAL_SIGMA**2
        x = np.exp(LOGNORMAL_SIGMA * rng.standard_normal(size))
        return np.asarray((x - np.exp(s2 / 2)) / np.sqrt((np.exp(s2) - 1) * np.exp(s2)))
    return rng.standard_normal(size)


def _autocorrelated(z: Floats, rho: float) -> Floats:
    """Stationary AR(1) of unit variance along the first axis."""
    if rho:
        for i in range(1, len(z)):
            z[i] = rho * z[i - 1] + np.sqrt(1 - rho**2) * z[i]
    return z
