"""A bank of driven days: pass tables of invented roads, made by the project's own pipeline.

A route's seed goes in; out comes one frame with a row a pass, for some sixty days of commuting out
and back, each day driven in several variants with the same traffic, lights and receiver noise:
as usual, slower, faster, in warm air, and with an engine whose efficiency is curved. Simulated
studies draw their days from it. `python -m tests.studies.bank DIR` fills DIR; a rerun makes only
what is missing. Everything is synthetic.
"""

import argparse
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog import fuel, road
from roadlog.demo import car
from roadlog.demo.driver import drive_all
from roadlog.demo.logger import log_rows, positions, true_signals
from roadlog.demo.road import LENGTH_M, ORIGIN_LAT, ORIGIN_LON, STEP_M, Road
from roadlog.demo.schedule import plan_days
from roadlog.ingest.timebase import resample
from roadlog.passes import table as passes
from roadlog.passes.conditions import add_conditions
from roadlog.physics.roadload import rolling_share
from roadlog.study.car import Vehicle
from roadlog.study.settings import Study

ROUTES = (821, 822, 823, 824)
DAYS = 56
PACE_SD_PCT = 3.0
VARIANTS: dict[str, tuple[float, float, float]] = {  # slower by %, warmer by K, curve of the engine
    "usual": (0, 0, 0),
    "slower 2": (2, 0, 0),
    "slower 4": (4, 0, 0),
    "slower 6": (6, 0, 0),
    "faster 4": (-4, 0, 0),
    "warm": (0, 6.5, 0),
    "curved": (0, 0, 0.25),
    "curved slower 4": (4, 0, 0.25),
    "curved faster 4": (-4, 0, 0.25),
}
SIGNALS = ("latitude [deg]", "longitude [deg]", "altitude [m]", "GPS speed [km/h]")
CANONICAL = ("lat_deg", "lon_deg", "altitude_m", "gps_speed_kmh")


def drawn_road(seed: int, direction: str) -> Road:
    """An invented road of 17 km: bends, hills, limits and lights by chance; out or back."""
    rng = np.random.default_rng(seed)
    s = np.arange(0, LENGTH_M + STEP_M / 2, STEP_M)

    def step(centre: float, length: float) -> np.ndarray:
        u = np.clip((s - centre) / length + 0.5, 0, 1)
        return u * u * (3 - 2 * u)

    heading = np.full(s.size, rng.uniform(0, 360))
    for centre in np.sort(rng.uniform(500, 16_500, 16)):
        tight = rng.uniform() < 0.3
        heading += rng.normal(0, 55) * step(centre, rng.uniform(25, 60) if tight else 700)
    height = np.full(s.size, 120.0)
    for centre in rng.uniform(1_500, 15_500, 6):
        length = rng.uniform(800, 3_500)
        height += np.clip(rng.normal(0, 0.022), -0.06, 0.06) * length * step(centre, length)
    limit = np.full(s.size, 90.0)
    for _ in range(4):
        at = rng.uniform(0, 15_500)
        limit[(s >= at) & (s < at + rng.uniform(600, 2_000))] = rng.choice([50.0, 70.0, 80.0])
    limit[s < 1_200] = limit[s > 15_800] = 50.0
    lights = tuple(float(x) for x in np.sort(rng.choice(np.arange(300, 16_700, 250), 5, False)))
    stops = (float(rng.uniform(3_000, 14_000)),)
    angle = np.radians(heading)
    east, north = (
        np.concatenate([[0.0], np.cumsum((c[1:] + c[:-1]) / 2 * STEP_M)])
        for c in (np.sin(angle), np.cos(angle))
    )
    lat = ORIGIN_LAT + north / 111_200
    lon = ORIGIN_LON + east / 111_200 / np.cos(np.radians(ORIGIN_LAT))
    curvature, grade = np.abs(np.gradient(angle, s)), np.gradient(height, s)
    if direction == "back":
        lat, lon, height, limit, curvature = (a[::-1] for a in (lat, lon, height, limit, curvature))
        grade, heading = -grade[::-1], heading[::-1] + 180
        lights = tuple(LENGTH_M - at for at in reversed(lights))
        stops = tuple(LENGTH_M - at - 30 for at in stops)
    return Road(
        direction, s, lat, lon, height, grade, heading % 360, curvature, limit, lights, stops
    )


def make_route(seed: int, days: int = DAYS) -> pd.DataFrame:
    """All passes of one route: `tables.PASSES`, with `variant`, `date`, and `way` (out or back)."""
    study = Study(
        vehicle=Vehicle(
            fuel="E10", displacement_l=car.DISPLACEMENT_L, mass_kg=car.MASS_KG,
            cda_m2=car.CDA_M2, crr=car.CRR,
        )
    )  # fmt: skip
    for_days, for_pace, *for_runs = np.random.SeedSequence(seed).spawn(2 + 2 * days)
    planned = plan_days(
        [("baseline", None)] * days, pd.Timestamp("2026-03-02").date(),
        np.random.default_rng(for_days), day_sd_pct=0.0, drift_pct=0.0,
    )  # fmt: skip
    pace = PACE_SD_PCT * np.random.default_rng(for_pace).standard_normal(days)
    keys = [
        (variant, d, way, for_runs[2 * d + way])
        for variant in VARIANTS
        for d in range(days)
        for way in (0, 1)
    ]
    roads = [drawn_road(seed, ("out", "back")[way]) for _, _, way, _ in keys]
    slows = [float(pace[d] + VARIANTS[v][0]) for v, d, _, _ in keys]
    drives = drive_all(roads, slows, [np.random.default_rng(s) for *_, s in keys])
    samples, rows = [], []
    for number, ((variant, d, way, s), at, drive) in enumerate(
        zip(keys, roads, drives, strict=True)
    ):
        rng = np.random.default_rng(s.spawn(1)[0])
        now, hour = _conditions(planned[d], way, VARIANTS[variant][1], rng)
        engine = _curved(car.run_engine(drive, at, now), VARIANTS[variant][2])
        frame = _logged(drive, at, engine, now, rng)
        samples.append(resample(frame))
        start = pd.Timestamp(planned[d].date) + pd.Timedelta(hours=hour)
        rows.append(
            {
                "run": number, "file": f"{variant} {d} {way}",
                "arm": ("baseline", "fitted")[d % 2], "start": start, "day": str(start.date()),
                "switch_unit": f"{variant} {d}", "block": "", "used": True, "reason": "",
            }
        )  # fmt: skip
    runs = pd.DataFrame(rows)
    estimator = fuel.choose_estimator(samples[:2], study)
    calibration = fuel.calibrate(samples[:40], study)
    flows = {i: fuel.fuel_flow(x, study, estimator, calibration) for i, x in enumerate(samples)}
    network = road.find_network(
        {i: flows[i] for i in range(2 * days)}, {i: str(runs["arm"][i]) for i in range(2 * days)},
        segment_length_km=1.0, min_runs_per_arm=3,
    )  # fmt: skip
    weather = _weather(planned)
    warmer = runs["file"].str.startswith("warm")
    tracks = {}
    for i, flow in flows.items():
        air = weather.assign(temp_c=weather["temp_c"] + 6.5 * bool(warmer[i]))
        placed = road.match(flow, network, i)
        tracks[i] = add_conditions(placed, study.vehicle, start=runs["start"][i], weather=air)
    runs = runs.assign(km=17.0)
    table = passes.build_passes(tracks, runs, network, study, None)
    about = runs["file"].str.rsplit(" ", n=2, expand=True)
    return table.assign(
        variant=table["run"].map(about[0]),
        date=table["run"].map(about[1]).astype(int),
        way=table["run"].map(about[2]).astype(int),
    )


def _conditions(day, way: int, warmer_k: float, rng) -> tuple[car.Conditions, float]:
    late, warmer, veer, gust = rng.standard_normal(4)
    hour = 7.2 + 9.5 * way + 0.06 * late
    ambient = day.morning_c + 5.0 * way + 0.4 * warmer + warmer_k
    still_warm = 75 * np.exp(-(day.soak_h if way == 0 else 9.2) / 2.2)
    rolling = (1 - 0.0015 * (day.tyre_kpa - 230)) * (1.03 if day.wet else 1.0)
    rolling *= float(rolling_share(np.array(ambient)))
    return (
        car.Conditions(
            ambient_c=ambient, pressure_kpa=day.pressure_kpa,
            wind_m_s=0.6 * day.wind_m_s * max(1 + 0.15 * gust, 0.0),
            wind_from_deg=day.wind_from_deg + 10 * veer, payload_kg=float(day.payload_kg),
            rolling_factor=rolling, coolant_start_c=ambient + still_warm, fuel_factor=1.0,
            effect_factor=1.0,
        ),
        hour,
    )  # fmt: skip


def _curved(engine: car.Engine, curve: float) -> car.Engine:
    """Fuel bent against brake power: dearer at low and high load, cheaper between."""
    if not curve:
        return engine
    share = np.clip(engine.brake_power_w / 25_000, 0, 1.6)
    bend = 1 + curve * ((share - 0.55) ** 2 - 0.15)
    return replace(engine, fuel_g_s=engine.fuel_g_s * bend, air_g_s=engine.air_g_s * bend)


def _logged(drive, at, engine, now, rng) -> pd.DataFrame:
    signals = true_signals(drive, engine, now, rng)
    t, cells = log_rows(drive, signals, positions(drive, at, rng), rng)
    frame = {"t_s": t}
    from roadlog.demo.logger import CHANNELS

    names = {c.header: name for name, c in CHANNELS.items()} | dict(
        zip(SIGNALS, CANONICAL, strict=True)
    )
    for header, text in cells.items():
        frame[names[header]] = pd.to_numeric(pd.Series(text), errors="coerce").to_numpy()
    return pd.DataFrame(frame)


def _weather(days) -> pd.DataFrame:
    rows = [
        {
            "time": pd.Timestamp(d.date) + pd.Timedelta(hours=h),
            "temp_c": d.morning_c + (5.0 if h > 12 else 0.0),
            "pressure_kpa": d.pressure_kpa, "wind_speed_m_s": d.wind_m_s,
            "wind_from_deg": d.wind_from_deg,
        }
        for d in days
        for h in (6, 9, 15, 18)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def main() -> None:
    """Make the missing routes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--days", type=int, default=DAYS)
    parser.add_argument("--routes", type=int, nargs="*", default=ROUTES)
    a = parser.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    for seed in a.routes:
        path = a.out / f"route-{seed}.parquet"
        if not path.exists():
            make_route(seed, a.days).to_parquet(path)
        print(path, len(pd.read_parquet(path)))


if __name__ == "__main__":
    main()
