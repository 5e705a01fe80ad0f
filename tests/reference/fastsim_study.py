"""Studies whose fuel comes from an independent vehicle simulator, for test_fastsim and docs.

The library fastsim (U.S. National Renewable Energy Laboratory) drives a conventional petrol car
over two routes: the published schedules UDDS and HWFET (40 CFR 86 appendix I, 40 CFR 600
appendix I) one after the other, and the invented road of `roadlog demo` with its grades. Speed,
position and the simulator's fuel power are written as logs, analysed like anyone's, and the effect
is held against the simulator's own ratio of fuel on identical cycles. All of it is synthetic.

`python -m tests.reference.fastsim_study` prints the numbers of docs/simulator.md.
"""

import argparse
import copy
import datetime as dt
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import fastsim
import numpy as np
import pandas as pd

from roadlog.analysis.analyse import analyse
from roadlog.analysis.result import Analysed
from roadlog.demo.driver import STEP_S, Drive, drive_all, smooth_noise
from roadlog.demo.logger import positions
from roadlog.demo.road import STEP_M, Road, invented_road
from roadlog.physics.roadload import rolling_share
from roadlog.quantities.arms import ARMS
from roadlog.quantities.arrays import Floats
from roadlog.quantities.fuels import FUELS
from roadlog.runs.table import Sources
from roadlog.stats.interval import Interval
from roadlog.study.car import Vehicle
from roadlog.study.settings import Analysis, Schedule, ScheduleUnit, Study

CAR = "2012_Ford_Fusion.yaml"  # the one conventional petrol saloon among fastsim's resources
FUEL = "E0"
FIRST_DAY = dt.date(2026, 6, 1)
FIRST_SEED = 20260601  # the first day's date, chosen before any result
DAYS, RUNS_PER_DAY = 12, 2
RATE_STEP_G_S = 0.02  # SAE J1979 PID 9D, a bit (from memory)
ROUTES = ("schedules", "demo")
MASS_SD_KG, ROLLING_SD, ACCESSORIES_SD_W = 25.0, 0.03, 60.0  # from day to day; invented


@dataclass(frozen=True)
class Change:
    """What the fitted arm differs in."""

    name: str
    accessories_w: float = 0.0
    cda: float = 1.0
    mass_kg: float = 0.0


NOTHING = Change("nothing")
CHANGES = (
    Change("accessories +0.3 kW", accessories_w=300.0),
    Change("accessories +1 kW", accessories_w=1000.0),
    Change("CdA +5 %", cda=1.05),
    Change("mass +60 kg", mass_kg=60.0),
)


@dataclass(frozen=True)
class Conditions:
    """What one day does to the car, in both arms alike."""

    ambient_c: float = 20.0
    mass_kg: float = 0.0
    rolling: float = 1.0
    accessories_w: float = 0.0


@dataclass(frozen=True)
class Run:
    """One drive with its road, its day and what chance does to its log."""

    day: int
    file: str
    start: pd.Timestamp
    drive: Drive
    road: Road
    conditions: Conditions
    rng: np.random.Generator


@dataclass(frozen=True)
class Recovery:
    """The simulator's own change on identical cycles against what the analysis found [%]."""

    route: str
    change: str
    seed: int
    truth_pct: float
    primary: Interval
    total: Interval
    estimates: dict[str, float]

    @property
    def holds(self) -> bool:
        """Whether the primary interval holds the simulator's own change."""
        assert self.primary.low is not None
        assert self.primary.high is not None
        return self.primary.low <= self.truth_pct <= self.primary.high


def declared_vehicle() -> Vehicle:
    """What study.toml says of the car: the simulator's own mass, CdA and rolling resistance."""
    car = _resource()
    return Vehicle(
        fuel=FUEL,
        mass_kg=car["mass_kilograms"],
        cda_m2=car["chassis"]["drag_coef"] * car["chassis"]["frontal_area_square_meters"],
        crr=car["chassis"]["wheel_rr_coef"],
    )


@cache
def _resource() -> dict:
    """The car as the library ships it, but that its power comes at once: it follows any trace."""
    car = fastsim.Vehicle.from_resource(CAR).to_dict()
    engine = car["pt_type"]["Conv"]["fc"]
    engine["pwr_out_max_init_watts"] = engine["pwr_out_max_watts"]
    return car


def simulated_car(change: Change, day: Conditions, fuel_cut: bool) -> "fastsim.Vehicle":
    """The simulator's car with a change, as a day finds it."""
    car = copy.deepcopy(_resource())
    extra = change.mass_kg + day.mass_kg
    car["mass_kilograms"] += extra
    car["chassis"]["cargo_mass_kilograms"] += extra
    car["chassis"]["drag_coef"] *= change.cda
    tyres = float(rolling_share(np.array(day.ambient_c)))  # fastsim's know no temperature
    car["chassis"]["wheel_rr_coef"] *= day.rolling * tyres
    car["pwr_aux_base_watts"] += change.accessories_w + day.accessories_w
    vehicle = fastsim.Vehicle.from_dict(car)
    if fuel_cut:
        vehicle.set_dfco_params(True, 15 / 3.6, -0.15)
    return vehicle


@cache
def _real_air() -> "fastsim.SimParams":
    """Air density from temperature and elevation in place of a constant."""
    sim = fastsim.SimParams.default().to_dict()
    return fastsim.SimParams.from_dict({**sim, "f2_const_air_density": False})


def second_by_second(run: Run) -> pd.DataFrame:
    """Time [s], speed [m/s], grade and height [m] of a run at 1 Hz."""
    t = np.arange(0.0, run.drive.t_s[-1], 1.0)
    s = np.interp(t, run.drive.t_s, run.drive.s_m)
    return pd.DataFrame(
        {
            "t_s": t,
            "speed_m_s": np.interp(t, run.drive.t_s, run.drive.speed_m_s),
            "grade": np.interp(s, run.road.s_m, run.road.grade),
            "height_m": np.interp(s, run.road.s_m, run.road.elevation_m),
        }
    )


def fuel_power_w(run: Run, change: Change, *, fuel_cut: bool = True) -> Floats:
    """Fuel power [W] of each second's interval (the first entry is none), by the simulator."""
    rows = second_by_second(run)
    cycle = fastsim.Cycle.from_dict(
        {
            "name": run.file,
            "time_seconds": rows["t_s"].tolist(),
            "speed_meters_per_second": rows["speed_m_s"].tolist(),
            "grade": rows["grade"].tolist(),
            "temp_amb_air_kelvin": [run.conditions.ambient_c + 273.15] * len(rows),
            "init_elev_meters": float(rows["height_m"].iloc[0]),
        }
    )
    simulation = fastsim.SimDrive(
        simulated_car(change, run.conditions, fuel_cut), cycle, _real_air()
    )
    simulation.run()
    done = simulation.to_dict()["veh"]
    assert done["state"]["cyc_met_overall"], f"{run.file}: the car couldn't follow the cycle"
    return np.array(done["pt_type"]["Conv"]["fc"]["history"]["pwr_fuel_watts"], dtype=float)


@cache
def schedule_road() -> tuple[Road, Floats, Floats]:
    """A straight level road under UDDS then HWFET, with the schedule's time [s] and speed [m/s]."""
    t, v = [np.array([-1.0])], [np.array([0.0])]
    for name in ("udds.csv", "hwfet.csv"):
        cycle = fastsim.Cycle.from_resource(name).to_dict()
        t.append(t[-1][-1] + 1 + np.array(cycle["time_seconds"]))
        v.append(np.array(cycle["speed_meters_per_second"]))
    time, speed = np.concatenate(t[1:]), np.concatenate(v[1:])
    length = float(np.trapezoid(speed, time))
    s = np.arange(0.0, length + STEP_M, STEP_M)
    flat = np.zeros(s.size)
    level = invented_road("out")
    lat = level.lat_deg[0] + s / 111_200
    road = Road(
        "out", s, lat, np.full(s.size, level.lon_deg[0]), flat + 100, flat, flat, flat, flat, (), ()
    )
    return road, time, speed


def schedule_again(rng: np.random.Generator | None) -> Drive:
    """UDDS then HWFET as one driver drives it on one day: pace and waits vary, places don't."""
    _, t, v = schedule_road()
    steps = np.diff(t)
    if rng is not None:
        s = np.concatenate([[0.0], np.cumsum((v[1:] + v[:-1]) / 2 * steps)])
        at = np.arange(0.0, s[-1] + STEP_M, STEP_M)
        wander = 0.04 * rng.standard_normal() + 0.05 * smooth_noise(rng, at.size, 400 / STEP_M)
        pace = np.interp(s, at, np.exp(np.clip(wander, -0.2, 0.2)))
        stands = (v[1:] == 0) & (v[:-1] == 0)
        stop = np.cumsum(np.diff(np.concatenate([[0], stands])) == 1)
        wait = rng.lognormal(0, 0.5, stop.max() + 1)[stop]
        steps = np.where(stands, steps * wait, steps / ((pace[1:] + pace[:-1]) / 2))
        v = v * pace
    knots = np.concatenate([[0.0], np.cumsum(steps)])
    fine = np.arange(0.0, knots[-1], STEP_S)
    speed = np.interp(fine, knots, v)
    way = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * STEP_S)])
    return Drive(fine, way, speed, np.gradient(speed, STEP_S))


def drives(
    route: str, rngs: list[np.random.Generator], slower_pct: list[float]
) -> list[tuple[Drive, Road]]:
    """One drive a generator; on the demo's route out and back in turn, slower on its open road."""
    if route == "schedules":
        return [(schedule_again(rng), schedule_road()[0]) for rng in rngs]
    roads = [invented_road(("out", "back")[i % 2]) for i in range(len(rngs))]
    return list(zip(drive_all(roads, slower_pct, rngs), roads, strict=True))


def plan_runs(
    route: str, seed: int, *, noise: bool, days: int, slower_pct: float = 0.0
) -> tuple[list[Run], Schedule]:
    """Days in randomised pairs, two runs a day; fitted days driven slower on the demo's route."""
    for_days, *for_runs = np.random.SeedSequence(seed).spawn(1 + days * RUNS_PER_DAY)
    rng = np.random.default_rng(for_days)
    first = rng.integers(0, 2, days // 2)
    arms = [ARMS[a] for a in np.column_stack([first, 1 - first]).ravel()]
    dates = [FIRST_DAY + dt.timedelta(days=7 * (i // 5) + i % 5) for i in range(days)]
    schedule = Schedule(
        randomised=True,
        seed=seed,
        unit=tuple(
            ScheduleUnit(unit=date, arm=arm, block=i // 2)
            for i, (date, arm) in enumerate(zip(dates, arms, strict=True))
        ),
    )
    moods = [
        Conditions(
            ambient_c=float(rng.uniform(8, 28)),
            mass_kg=MASS_SD_KG * rng.standard_normal(),
            rolling=1 + ROLLING_SD * rng.standard_normal(),
            accessories_w=ACCESSORIES_SD_W * rng.standard_normal(),
        )
        for _ in dates
    ]
    rngs = [np.random.default_rng(each) for each in for_runs]
    runs = []
    slows = [slower_pct if a == "fitted" else 0.0 for a in arms for _ in range(RUNS_PER_DAY)]
    for i, ((drive, road), each) in enumerate(zip(drives(route, rngs, slows), rngs, strict=True)):
        day, turn = divmod(i, RUNS_PER_DAY)
        start = pd.Timestamp(dates[day]) + pd.Timedelta(hours=7 + 9 * turn)
        file = f"synthetic_{dates[day]}_{turn}.csv"
        conditions = moods[day] if noise else Conditions()
        runs.append(Run(day, file, start, drive, road, conditions, each))
    return runs, schedule


def log_of(run: Run, power_w: Floats, *, noise: bool) -> pd.DataFrame:
    """The log of a run: exact, or rounded as SAE J1979 scales it and with a receiver's errors.

    The rate at a row is the mean of the seconds before and after it.
    """
    rows = second_by_second(run)
    after = np.append(power_w[1:], power_w[-1])
    rate = (np.append(after[0], power_w[1:]) + after) / 2 / (1e6 * FUELS[FUEL].lhv_mj_kg) * 1000
    kmh, ambient = 3.6 * rows["speed_m_s"], run.conditions.ambient_c
    s_m = np.interp(rows["t_s"], run.drive.t_s, run.drive.s_m)
    place = {
        "latitude [deg]": np.interp(s_m, run.road.s_m, run.road.lat_deg),
        "longitude [deg]": np.interp(s_m, run.road.s_m, run.road.lon_deg),
        "altitude [m]": np.interp(s_m, run.road.s_m, run.road.elevation_m),
    }
    if noise:
        rate = np.round(rate / RATE_STEP_G_S) * RATE_STEP_G_S
        kmh, ambient = kmh.round(), round(ambient)
        seen = positions(run.drive, run.road, run.rng)
        place = {name: np.interp(rows["t_s"], run.drive.t_s, x) for name, x in seen.items()}
    return pd.DataFrame(
        {
            "time": run.start + pd.to_timedelta(rows["t_s"], unit="s"),
            "vehicle speed [km/h]": kmh,
            "fuel mass flow [g/s]": rate,
            "ambient air temperature [degC]": float(ambient),
            **place,
        }
    )


@dataclass(frozen=True)
class Simulated:
    """A route's runs, their schedule, and the simulator's fuel power for each change [W]."""

    route: str
    seed: int
    noise: bool
    fuel_cut: bool
    runs: list[Run]
    schedule: Schedule
    power_w: dict[Change, list[Floats]]

    def truth_pct(self, change: Change) -> float:
        """Change of the simulator's own fuel over all runs, each on its identical cycle [%]."""
        with_it = sum(float(p.sum()) for p in self.power_w[change])
        without = sum(float(p.sum()) for p in self.power_w[NOTHING])
        return 100 * (with_it / without - 1)

    def by_kilometre_pct(self, change: Change, power: int) -> float:
        """The same as a mean over kilometres of the log ratio [%].

        Weights are the kilometre's mean fuel, halfway between without and with the change, to
        `power`: 0 counts each alike (noise a fixed share of fuel), 1 is what the analysis does, 2
        what a model does whose noise is a fixed amount of fuel a kilometre.
        """
        frames = []
        both = zip(self.runs, self.power_w[NOTHING], self.power_w[change], strict=True)
        for run, without, with_it in both:
            t = np.arange(0.0, run.drive.t_s[-1], 1.0)
            km = (np.interp(t, run.drive.t_s, run.drive.s_m) // 1000).astype(int)
            sums = {"base": np.bincount(km, without)[:-1], "changed": np.bincount(km, with_it)[:-1]}
            frames.append(pd.DataFrame(sums).assign(way=run.road.direction).reset_index())
        each = pd.concat(frames)
        halfway = each.assign(fuel=(each["base"] + each["changed"]) / 2)
        weight = halfway.groupby(["way", "index"])["fuel"].transform("mean") ** power
        mean = np.average(np.log(each["changed"] / each["base"]), weights=weight)
        return 100 * float(np.expm1(mean))


def simulate(
    route: str,
    seed: int,
    changes: Iterable[Change] = CHANGES,
    *,
    noise: bool = True,
    fuel_cut: bool = True,
    days: int = DAYS,
    slower_pct: float = 0.0,
) -> Simulated:
    """Drive every run with and without each change."""
    runs, schedule = plan_runs(route, seed, noise=noise, days=days, slower_pct=slower_pct)
    power = {c: [fuel_power_w(r, c, fuel_cut=fuel_cut) for r in runs] for c in (NOTHING, *changes)}
    return Simulated(route, seed, noise, fuel_cut, runs, schedule, power)


def analysed(simulated: Simulated, change: Change, vehicle: Vehicle | None = None) -> Analysed:
    """Write the logs of a study, fitted days with the change, and analyse them as anyone's."""
    study = Study(
        name=f"simulator, {simulated.route}, {change.name}",
        synthetic=True,
        vehicle=vehicle or declared_vehicle(),
        schedule=simulated.schedule,
        analysis=Analysis(estimator="rate"),
    )
    with tempfile.TemporaryDirectory() as place:
        files = []
        for i, run in enumerate(simulated.runs):
            fitted = simulated.schedule.unit[run.day].arm == "fitted"
            power = simulated.power_w[change if fitted else NOTHING][i]
            # the receiver's errors are drawn anew for each change: same run, same errors
            again = replace(run, rng=np.random.default_rng([simulated.seed, i]))
            files.append(Path(place) / run.file)
            log_of(again, power, noise=simulated.noise).to_csv(files[-1], index=False)
        return analyse(study, Sources(runs=tuple((f, None) for f in files)))


def recover(simulated: Simulated, change: Change) -> tuple[Recovery, Analysed]:
    """Hold the analysis of a simulated study against the simulator's own change."""
    found = analysed(simulated, change)
    return Recovery(
        simulated.route,
        change.name,
        simulated.seed,
        simulated.truth_pct(change),
        found.effect.primary,
        found.effect.total,
        {row.name: row.interval.estimate for row in found.effect.forest},
    ), found


def demand_fit(passes: pd.DataFrame) -> dict[str, float]:
    """Share of between-pass variance of fuel that demand, time and distance explain.

    Least squares of fuel [mL/km] on demand [kJ/km], time [s/km] and a constant (which is
    distance's share): over all passes, and of what varies within segments alone, where road and
    limits are the same and only the driving differs; and of the fuel of a pass [mL] on its work,
    time and distance.
    """
    used = passes[passes["used"].astype(bool)]
    y = used["ml_per_km"].to_numpy(float)
    x = np.column_stack([used["demand_kj_per_km"], used["duration_s"] / used["distance_km"]])
    km = used["distance_km"].to_numpy(float)
    segment = pd.factorize(used["segment"])[0]

    def explained(x: Floats, y: Floats) -> float:
        weights, *_ = np.linalg.lstsq(x, y, rcond=None)
        return 1 - float(np.sum((y - x @ weights) ** 2) / np.sum((y - y.mean()) ** 2))

    def about_segments(a: Floats) -> Floats:
        frame = pd.DataFrame(a)
        return np.asarray(frame - frame.groupby(segment).transform("mean"), dtype=float)

    alone = np.column_stack([np.ones_like(y), x])
    return {
        "passes": float(len(y)),
        "segments": float(segment.max() + 1),
        "all": explained(alone, y),
        "demand alone": explained(alone[:, :2], y),
        "within segments": explained(about_segments(x), about_segments(y)[:, 0]),
        "mL of a pass": explained(np.column_stack([x, np.ones_like(y)]) * km[:, None], y * km),
    }


def recoveries(seeds: Iterable[int], *, fuel_cut: bool = True) -> Iterator[Recovery]:
    """Every change on both routes, for each seed."""
    for seed in seeds:
        for route in ROUTES:
            simulated = simulate(route, seed, fuel_cut=fuel_cut)
            for change in CHANGES:
                yield recover(simulated, change)[0]


def table_of(found: Iterable[Recovery]) -> pd.DataFrame:
    """One row a recovery: truth, primary estimate and bounds, whether they hold it, other rows."""
    return pd.DataFrame(
        [
            {
                "route": r.route,
                "change": r.change,
                "seed": r.seed,
                "truth": r.truth_pct,
                "primary": r.primary.estimate,
                "low": r.primary.low,
                "high": r.primary.high,
                "holds": r.holds,
                **r.estimates,
            }
            for r in found
        ]
    )


def summary(table: pd.DataFrame) -> pd.DataFrame:
    """By route and change: truth, error of the primary and of the cross-checks, share held."""
    rows = []
    for (route, change), mine in table.groupby(["route", "change"], sort=False):
        error = mine["primary"] - mine["truth"]
        rows.append(
            {
                "route": route,
                "change": change,
                "studies": len(mine),
                "truth": mine["truth"].mean(),
                "mean error": error.mean(),
                "its s.e.": error.std() / np.sqrt(len(mine)) if len(mine) > 1 else np.nan,
                "half width": ((mine["high"] - mine["low"]) / 2).mean(),
                "held": int(mine["holds"].sum()),
                "total: mean error": (mine["total effect"] - mine["truth"]).mean(),
                "per demand: mean error": (mine["fuel per demand"] - mine["truth"]).mean(),
            }
        )
    return pd.DataFrame(rows)


def driving_table(seeds: Iterable[int]) -> pd.DataFrame:
    """A driver who drives otherwise with an add-on that does nothing: what is left, and the word.

    One row a change of pace: mean error of the primary and of the total effect, margin, how often
    the bare interval excludes the truth, and how often it does so by more than the margin (the
    word that would be wrong at a claim that is just true).
    """
    rows = []
    for slower in (-4.0, 2.0, 4.0, 6.0):
        found = []
        for seed in seeds:
            done = analysed(simulate("demo", seed, (), slower_pct=slower), NOTHING)
            i, held = done.effect.primary, done.effect.held
            assert i.low is not None
            assert i.high is not None
            assert held is not None
            low, high = np.log1p(i.low / 100), np.log1p(i.high / 100)
            found.append(
                {
                    "error": i.estimate,
                    "total": done.effect.total.estimate,
                    "margin": 100 * held.margin,
                    "misses": not low <= 0 <= high,
                    "wrong word": bool(low - held.margin > 0 or high + held.margin < 0),
                    "stopped": bool(held.obstacles),
                }
            )
        each = pd.DataFrame(found)
        rows.append(
            {
                "slower by, %": slower, "studies": len(each), "mean error": each["error"].mean(),
                "its s.e.": each["error"].std() / np.sqrt(len(each)),
                "total": each["total"].mean(), "margin": each["margin"].mean(),
                "misses": int(each["misses"].sum()), "wrong word": int(each["wrong word"].sum()),
                "stopped": int(each["stopped"].sum()),
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def estimand_table(*, fuel_cut: bool = True) -> pd.DataFrame:
    """The simulator's change as ratio of totals, and averaged over kilometres in three ways."""
    rows = []
    for route in ROUTES:
        simulated = simulate(route, FIRST_SEED, fuel_cut=fuel_cut)
        rows += [
            {
                "route": route,
                "change": change.name,
                "totals": simulated.truth_pct(change),
                "each km alike": simulated.by_kilometre_pct(change, 0),
                "by fuel": simulated.by_kilometre_pct(change, 1),
                "by fuel squared": simulated.by_kilometre_pct(change, 2),
            }
            for change in CHANGES
        ]
    return pd.DataFrame(rows)


def demand_table() -> pd.DataFrame:
    """Variance of fuel between passes that demand explains, exact logs, no change, no day's mood.

    With the simulator's own mass, CdA and rolling resistance declared, and with what study.toml
    assumes of a car that it isn't told of.
    """
    rows = []
    for route in ROUTES:
        for fuel_cut in (False, True):
            simulated = simulate(route, FIRST_SEED, (), noise=False, fuel_cut=fuel_cut)
            for name, car in (("its own", declared_vehicle()), ("default", Vehicle(fuel=FUEL))):
                fit = demand_fit(analysed(simulated, NOTHING, car).passes)
                rows.append({"route": route, "fuel cut": fuel_cut, "declared car": name, **fit})
    return pd.DataFrame(rows)


def main() -> None:
    """Print the numbers of docs/simulator.md."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--seeds", type=int, default=1, help="studies of each kind")
    parser.add_argument("--without-fuel-cut", action="store_true")
    parser.add_argument("--driving", action="store_true", help="only who drives otherwise")
    chosen = parser.parse_args()
    pd.set_option("display.width", 200, "display.max_columns", 30)
    print(f"fastsim {fastsim.__version__}, {CAR}")
    if chosen.driving:
        table = driving_table(range(FIRST_SEED, FIRST_SEED + chosen.seeds))
        print(table.round(2).to_string(index=False))
        return
    print(demand_table().round(3).to_string(index=False))
    print(estimand_table(fuel_cut=not chosen.without_fuel_cut).round(2).to_string(index=False))
    seeds = range(FIRST_SEED, FIRST_SEED + chosen.seeds)
    done = []
    for r in recoveries(seeds, fuel_cut=not chosen.without_fuel_cut):
        done.append(r)
        print(
            f"{r.seed} {r.route:10}{r.change:20} simulator {r.truth_pct:+6.2f} %  roadlog "
            f"{r.primary.estimate:+6.2f} % [{r.primary.low:+6.2f}, {r.primary.high:+6.2f}] "
            f"{'holds it' if r.holds else 'MISSES IT'}",
            flush=True,
        )
    table = table_of(done)
    if chosen.seeds > 1:
        print(summary(table).round(2).to_string(index=False))
        print(f"held {table['holds'].sum()} of {len(table)}")


if __name__ == "__main__":
    main()
