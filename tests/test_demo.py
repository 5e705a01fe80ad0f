import dataclasses
import datetime as dt
import json
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pyproj import Geod
from scipy.stats import chisquare

from roadlog.cli import main
from roadlog.closure.fuelbook import read_fills
from roadlog.closure.ledger import tanks
from roadlog.demo import car, make_study
from roadlog.demo.car import CDA_M2, CRR, FUEL, MASS_KG, Conditions, run_engine, wheel_power_w
from roadlog.demo.driver import STEP_S, drive_all
from roadlog.demo.logger import (
    CHANNELS,
    METER_READS_PCT,
    NO_METER,
    POSITION_HEADERS,
    positions,
)
from roadlog.demo.pump import LEVEL_SD_L
from roadlog.demo.road import LENGTH_M, invented_road
from roadlog.demo.schedule import draw_schedule, plan_days, plan_runs
from roadlog.demo.variants import compressor_runs, converter, day_shares
from roadlog.errors import InputError
from roadlog.plan.schedule import block_sizes
from roadlog.quantities.fuels import volume_l
from roadlog.quantities.signals import CLOSED_LOOP, OPEN_LOOP_LOAD_OR_CUT, SIGNALS
from roadlog.quantities.units import UNITS, canonical_unit
from roadlog.study.folder import load_study, log_files

CALM = Conditions(
    ambient_c=8.0, pressure_kpa=100.5, wind_m_s=0.0, wind_from_deg=0.0, payload_kg=0.0,
    rolling_factor=1.0, coolant_start_c=8.0, fuel_factor=1.0, effect_factor=1.0,
)  # fmt: skip


@pytest.fixture(scope="module")
def driven():
    """Eight drives, out and back in turn, in calm air: (road, drive, engine)."""
    roads = [invented_road(direction) for direction in ("out", "back") * 4]
    rngs = [np.random.default_rng([7, i]) for i in range(8)]
    drives = drive_all(roads, [0.0] * 8, rngs)
    return [
        (road, drive, run_engine(drive, road, CALM))
        for road, drive in zip(roads, drives, strict=True)
    ]


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "bramble"
    make_study(folder, days=4)
    return folder


def truth_of(folder: Path) -> dict:
    return json.loads((folder / "truth.json").read_text())


def made(folder: Path, **options) -> dict:
    make_study(folder, **{"days": 2, **options})
    return truth_of(folder)


def read(path: Path) -> pd.DataFrame:
    frame = pd.read_csv(path)
    return frame.assign(time=pd.to_datetime(frame["time"]))


def litres_from_log(frame: pd.DataFrame) -> float:
    """Fuel by air meter and trims, written out anew: last known values times elapsed time."""
    held = frame.ffill().bfill()
    seconds = frame["time"].diff().shift(-1).dt.total_seconds().fillna(1.0)
    trims = 1 + (held["short term fuel trim [%]"] + held["long term fuel trim [%]"]) / 100
    mixture = held["commanded equivalence ratio [-]"] * FUEL.stoich_afr
    flow = held["MAF air flow rate [g/s]"] / mixture * trims
    cut = (held["fuel system status [-]"] == OPEN_LOOP_LOAD_OR_CUT) & (
        held["absolute load [%]"] < 30
    )
    return volume_l(float((flow * seconds)[~cut].sum()), FUEL)


# the road


def test_way_back_is_the_way_out_reversed_on_the_other_lane():
    out, back = invented_road("out"), invented_road("back")
    _, _, gap_m = Geod(ellps="WGS84").inv(
        out.lon_deg, out.lat_deg, back.lon_deg[::-1], back.lat_deg[::-1]
    )
    assert gap_m == pytest.approx(3.5, abs=0.1)
    np.testing.assert_array_equal(out.elevation_m, back.elevation_m[::-1])
    np.testing.assert_allclose(out.grade, -back.grade[::-1])


def test_positions_are_as_far_apart_as_the_road_says():
    road = invented_road("out")
    _, _, step_m = Geod(ellps="WGS84").inv(
        road.lon_deg[:-1], road.lat_deg[:-1], road.lon_deg[1:], road.lat_deg[1:]
    )
    straight = road.curvature_1_m[1:] < 1e-6
    np.testing.assert_allclose(step_m[straight], 5.0, rtol=1e-3)
    assert step_m.sum() == pytest.approx(LENGTH_M, rel=2e-3)


def test_hill_is_120_m_and_its_grades_are_those_of_a_road():
    road = invented_road("out")
    assert road.elevation_m.max() - road.elevation_m[0] == pytest.approx(120, abs=3)
    assert np.abs(road.grade).max() < 0.06
    climbed = (road.grade[1:] + road.grade[:-1]) / 2 * 5
    np.testing.assert_allclose(np.cumsum(climbed), road.elevation_m[1:] - 92.0, atol=0.5)


# the driver


def test_driver_keeps_near_the_limits_and_stops_at_the_stop_line(driven):
    for road, drive, _ in driven:
        limit = np.interp(drive.s_m, road.s_m, road.limit_kmh)
        assert (3.6 * drive.speed_m_s < 1.2 * limit + 6).all()
        near = np.abs(drive.s_m - road.stop_lines_m[0]) < 40
        assert drive.speed_m_s[near].min() < 0.1
        assert drive.s_m[-1] == pytest.approx(LENGTH_M, abs=40)


def test_driver_brakes_and_pulls_away_calmly(driven):
    for _, drive, _ in driven:
        assert drive.accel_m_s2.max() < 2.2
        assert drive.accel_m_s2.min() > -2.2
        np.testing.assert_allclose(
            drive.accel_m_s2[1:-1], (drive.speed_m_s[2:] - drive.speed_m_s[:-2]) / (2 * STEP_S)
        )


def test_traffic_delays_are_skewed_to_the_long_side():
    n = 120
    drives = drive_all(
        [invented_road("out")] * n, [0.0] * n, [np.random.default_rng([3, i]) for i in range(n)]
    )
    stood = np.array([np.sum(d.speed_m_s == 0) * STEP_S for d in drives])
    assert np.mean(stood) > np.median(stood)
    assert 20 < np.median(stood) < 150


# the car


def test_work_at_the_wheels_lifts_the_car_and_feeds_rolling_and_air(driven):
    for road, drive, _ in driven:
        work = wheel_power_w(drive, road, CALM).sum() * STEP_S
        steps = drive.speed_m_s * STEP_S
        height = np.interp(drive.s_m, road.s_m, road.elevation_m)
        density = 100.5e3 * np.exp(-(height - 92) / 8400) / 287.05 / (8 + 273.15)
        lift = MASS_KG * 9.80665 * (height[-1] - height[0])
        rolling = MASS_KG * 9.80665 * CRR * steps.sum()
        air = (0.5 * density * CDA_M2 * drive.speed_m_s**2 * steps).sum()
        assert work == pytest.approx(lift + rolling + air, rel=0.01)


def test_warm_engine_turns_a_fifth_to_a_third_of_the_heating_value_into_work(driven):
    for _, _, engine in driven:
        warm = engine.coolant_c > 75
        work = np.maximum(engine.brake_power_w, 0)[warm].sum()
        heat = engine.fuel_g_s[warm].sum() * FUEL.lhv_mj_kg * 1000
        assert 0.20 < work / heat < 0.38
        pulling = warm & (engine.brake_power_w > 15e3)
        best = engine.brake_power_w[pulling] / engine.fuel_g_s[pulling] / FUEL.lhv_mj_kg / 1000
        assert best.max() < 0.38


def test_cold_engine_is_less_efficient_than_a_warm_one(driven):
    road, drive, cold = driven[0]
    warm = run_engine(drive, road, dataclasses.replace(CALM, coolant_start_c=85.0))
    assert cold.fuel_g_s.sum() > 1.04 * warm.fuel_g_s.sum()
    assert cold.coolant_c[0] == pytest.approx(8, abs=0.2)
    assert cold.coolant_c[-1] == pytest.approx(car.THERMOSTAT_C, abs=2)
    assert cold.lambda_ratio[0] < 0.9


def test_downhill_fuel_cut_burns_nothing_but_still_pumps_air(driven):
    for road, drive, engine in driven:
        downhill = np.interp(drive.s_m, road.s_m, road.grade) < -0.025
        assert (engine.cut & downhill).sum() * STEP_S > 5
        assert (engine.fuel_g_s[engine.cut] == 0).all()
        assert (engine.air_g_s[engine.cut] > 0).all()
        assert (engine.fuel_g_s[~engine.cut] > 0).all()
        assert (engine.rpm[engine.cut] > 1000).all()
        assert (3.6 * drive.speed_m_s[engine.cut] > 15).all()
        idle = (drive.speed_m_s == 0) & (engine.coolant_c > 80)
        per_rev = engine.air_g_s / engine.rpm
        assert per_rev[engine.cut].max() < per_rev[idle].min()
        assert 14 < engine.map_kpa[engine.cut].min() < 21


def test_every_gram_of_air_burned_meets_its_fuel(driven):
    for _, _, engine in driven:
        lit = ~engine.cut
        needed = engine.fuel_g_s * FUEL.stoich_afr * engine.lambda_ratio
        np.testing.assert_allclose(engine.air_g_s[lit], needed[lit])


def test_unblown_engine_never_takes_more_air_than_the_barometer_gives(driven):
    for _, _, engine in driven:
        assert (engine.map_kpa < engine.baro_kpa).all()
        assert engine.calculated_load.max() <= 1


def test_headwind_costs_fuel_and_tailwind_saves_it(driven):
    road, drive, _ = driven[0]
    ahead = dataclasses.replace(CALM, wind_m_s=4.0, wind_from_deg=62.0)
    behind = dataclasses.replace(CALM, wind_m_s=4.0, wind_from_deg=242.0)
    litres = [run_engine(drive, road, c).fuel_g_s.sum() for c in (behind, CALM, ahead)]
    assert litres[0] < litres[1] < litres[2]


# the study


def test_study_file_parses_and_says_that_it_is_synthetic(demo):
    study = load_study(demo)
    assert study.synthetic
    assert "synthetic" in study.name
    assert study.vehicle.mass_kg == 1310
    assert study.claim is not None
    assert study.claim.fuel_use_change_pct == pytest.approx(-12 / 1.12)
    assert "SYNTHETIC" in (demo / "README.txt").read_text()
    assert truth_of(demo)["synthetic"] is True
    logs = log_files(demo, study.logs.any)
    assert len(logs) == 8
    assert all(log.name.startswith("synthetic_") for log in logs)


def test_each_block_of_working_days_holds_both_arms_equally(tmp_path):
    make_study(tmp_path / "s", days=10, runs_per_day=1)
    schedule = load_study(tmp_path / "s").schedule
    assert schedule is not None
    assert schedule.randomised
    assert len(schedule.unit) == 10
    assert all(isinstance(u.unit, dt.date) and u.unit.weekday() < 5 for u in schedule.unit)
    blocks = [u.block for u in schedule.unit]
    assert [blocks.count(b) for b in (1, 2)] == block_sizes(10, 4)
    for block in (1, 2):
        arms = [u.arm for u in schedule.unit if u.block == block]
        assert arms.count("baseline") == arms.count("fitted")
    notes = pd.read_csv(tmp_path / "s" / "notes.csv")
    assert notes["date"].tolist() == [str(u.unit) for u in schedule.unit]
    assert notes["arm"].tolist() == [
        {"baseline": "collar out", "fitted": "collar in"}[u.arm] for u in schedule.unit
    ]


def orders(days: int, seeds: int) -> list[str]:
    """Arms of each seed's schedule, as letters."""
    drawn = [draw_schedule(days, seed, randomised=True) for seed in range(seeds)]
    return ["".join("AB"[arm == "fitted"] for arm, _ in each) for each in drawn]


def test_chance_decides_the_order_in_each_block():
    firsts = [order[0] for order in orders(20, 200)]
    assert 70 < firsts.count("B") < 130
    counts = Counter(orders(8, 3600))
    assert len(counts) == 36  # six orders in either block: none has a single change of arms
    assert chisquare(list(counts.values())).pvalue > 1e-4


def test_an_order_with_one_single_change_is_never_drawn():
    assert set(orders(4, 200)) == {"ABAB", "ABBA", "BABA", "BAAB"}


def test_of_an_odd_block_chance_gives_either_arm_one_day_more():
    fitted = [order.count("B") for order in orders(7, 200)]
    assert set(fitted) == {3, 4}
    assert 70 < fitted.count(3) < 130
    drawn = draw_schedule(9, 3, randomised=True)
    assert [b for _, b in drawn] == [1, 1, 1, 1, 2, 2, 2, 2, 2]


def test_strict_turns_have_no_blocks(tmp_path):
    made(tmp_path / "s", days=3, randomised=False, runs_per_day=1)
    schedule = load_study(tmp_path / "s").schedule
    assert schedule is not None
    assert not schedule.randomised
    assert [(u.arm, u.block) for u in schedule.unit] == [
        ("baseline", None), ("fitted", None), ("baseline", None),
    ]  # fmt: skip


def test_same_seed_gives_the_same_bytes_and_another_seed_does_not(tmp_path):
    for folder, seed in (("a", 5), ("b", 5), ("c", 6)):
        made(tmp_path / folder / "bramble", seed=seed)
    files = sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*.*"))
    assert len(files) == 10
    for file in files:
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()
    assert {r["fuel_l"] for r in truth_of(tmp_path / "a" / "bramble")["runs"]}.isdisjoint(
        r["fuel_l"] for r in truth_of(tmp_path / "c" / "bramble")["runs"]
    )


def test_true_effect_multiplies_fuel_run_by_run_at_equal_driving(tmp_path):
    none = made(tmp_path / "none", effect_pct=0.0, days=4)
    twelve = made(tmp_path / "twelve", effect_pct=-12.0, days=4)
    for without, with_it in zip(none["runs"], twelve["runs"], strict=True):
        assert without["file"] == with_it["file"]
        assert without["km"] == with_it["km"]
        ratio = with_it["fuel_l"] / without["fuel_l"]
        assert ratio == pytest.approx(0.88 if without["arm"] == "fitted" else 1.0, rel=1e-12)
    realised = [t["arms"]["fitted"]["fuel_l"] for t in (twelve, none)]
    assert realised[0] / realised[1] == pytest.approx(0.88, rel=1e-12)


def test_truth_adds_up(demo):
    truth = truth_of(demo)
    for arm in ("baseline", "fitted"):
        runs = [r for r in truth["runs"] if r["arm"] == arm]
        assert truth["arms"][arm]["runs"] == len(runs) == 4
        assert truth["arms"][arm]["fuel_l"] == pytest.approx(sum(r["fuel_l"] for r in runs))
        assert truth["arms"][arm]["km"] == pytest.approx(sum(r["km"] for r in runs))
    ratio = truth["arms"]["fitted"]["l_per_100km"] / truth["arms"]["baseline"]["l_per_100km"]
    assert truth["unadjusted_change_pct"] == pytest.approx(100 * (ratio - 1))
    scheduled = {str(u.unit): u.arm for u in load_study(demo).schedule.unit}
    assert all(scheduled[r["file"][10:20]] == r["arm"] for r in truth["runs"])


def test_fuel_use_is_that_of_such_a_car(demo):
    for run in truth_of(demo)["runs"]:
        assert 5.5 < 100 * run["fuel_l"] / run["km"] < 8.5
        assert 12 < run["minutes"] < 25


# the log


def test_metered_air_and_trims_give_back_the_true_fuel(demo):
    for run in truth_of(demo)["runs"]:
        frame = read(demo / "logs" / run["file"])
        assert litres_from_log(frame) == pytest.approx(run["fuel_l"], rel=0.015)


def test_air_meter_reads_high_and_trims_take_it_off(demo):
    frame = read(next((demo / "logs").iterdir())).ffill()
    closed = frame[frame["fuel system status [-]"] == CLOSED_LOOP]
    total = closed["short term fuel trim [%]"] + closed["long term fuel trim [%]"]
    assert total.mean() == pytest.approx(100 * (1 / (1 + METER_READS_PCT / 100) - 1), abs=0.3)


def test_bent_air_meter_changes_the_log_but_not_the_fuel(tmp_path):
    straight = made(tmp_path / "straight")
    bent = made(tmp_path / "bent", meter_bias_pct=5.0)
    for run, same in zip(straight["runs"], bent["runs"], strict=True):
        assert run["fuel_l"] == same["fuel_l"]
        air = [
            read(tmp_path / name / "logs" / run["file"])["MAF air flow rate [g/s]"].sum()
            for name in ("bent", "straight")
        ]
        expected = 1.05 if run["arm"] == "fitted" else 1.0
        assert air[0] / air[1] == pytest.approx(expected, rel=1e-3)


def test_every_header_is_by_meaning_a_known_signal_in_a_known_unit(demo):
    header = read(next((demo / "logs").iterdir())).columns[1:]
    words = {word: s for s in SIGNALS.values() for word in s.words}
    assert len(header) == len(CHANNELS) + len(POSITION_HEADERS)
    for column in header:
        name, unit = column.rstrip("]").split(" [")
        signal = words[name.lower()]
        canonical = canonical_unit(unit)
        assert canonical is not None, column
        assert UNITS[canonical].dimension == UNITS[signal.unit].dimension, column


@pytest.mark.parametrize("name", sorted(CHANNELS))
def test_readings_fall_on_the_steps_of_their_pid_and_in_range(demo, name):
    channel, signal = CHANNELS[name], SIGNALS[name]
    for log in (demo / "logs").iterdir():
        values = read(log)[channel.header].dropna()
        assert values.size > 20
        assert values.between(signal.low, signal.high).all()
        rounding = {"%.0f": 0, "%.1f": 0.051, "%.2f": 0.0051, "%.4g": 1e-4}.get(channel.form, 1e-9)
        off = np.abs(values - np.round(values / channel.step) * channel.step)
        assert off.max() <= rounding + 1e-9


def test_rows_come_about_once_a_second_with_jitter_gaps_and_blanks(demo):
    longest, blank = [], []
    for log in (demo / "logs").iterdir():
        frame = read(log)
        step = frame["time"].diff().dt.total_seconds().dropna()
        assert (step > 0).all()
        assert step.median() == pytest.approx(1.0, abs=0.01)
        assert 0.01 < step[step < 1.5].std() < 0.1
        longest.append(step.max())
        blank.append(frame["vehicle speed [km/h]"].isna().mean())
        assert frame["coolant temperature [degC]"].isna().mean() > 0.8
    assert max(longest) > 3
    assert 0 < np.mean(blank) < 0.01


def test_position_error_lasts_a_drive_and_is_a_few_metres(driven):
    means, spreads, climbs = [], [], []
    for i, (road, drive, _) in enumerate(driven * 3):
        gps = positions(drive, road, np.random.default_rng([11, i]))
        seen = np.interp(np.maximum(drive.t_s - 0.4, 0), drive.t_s, drive.s_m)
        east_m = (gps["longitude [deg]"] - np.interp(seen, road.s_m, road.lon_deg)) * 75_100
        north_m = (gps["latitude [deg]"] - np.interp(seen, road.s_m, road.lat_deg)) * 111_200
        means.append(np.hypot(east_m.mean(), north_m.mean()))
        spreads.append(np.sqrt(np.var(east_m) + np.var(north_m)))
        climbs.append(np.std(gps["altitude [m]"] - np.interp(seen, road.s_m, road.elevation_m)))
    total = np.sqrt(np.mean(np.square(means) + np.square(spreads)))
    assert 3 < total < 5.5
    assert np.median(means) > 1.5
    assert max(climbs) < 10


def test_gps_speed_is_lower_than_wheel_speed_by_the_tyre_factor(demo):
    frame = read(next((demo / "logs").iterdir()))
    fast = frame[frame["vehicle speed [km/h]"] > 40]
    ratio = fast["vehicle speed [km/h]"].sum() / fast["GPS speed [km/h]"].sum()
    assert ratio == pytest.approx(1.008, abs=0.004)


def test_without_positions_the_log_has_none(tmp_path):
    made(tmp_path / "s", positions=False)
    for log in (tmp_path / "s" / "logs").iterdir():
        assert not set(POSITION_HEADERS) & set(read(log).columns)


def test_sparse_log_has_one_reading_a_row_and_long_log_names_it(tmp_path):
    sparse, long = made(tmp_path / "a", style="sparse"), made(tmp_path / "b", style="long")
    assert sparse["arms"] == long["arms"]
    file = sparse["runs"][0]["file"]
    wide, tall = read(tmp_path / "a" / "logs" / file), read(tmp_path / "b" / "logs" / file)
    assert (wide.drop(columns="time").notna().sum(axis=1) == 1).all()
    assert list(tall.columns) == ["time", "signal", "value", "unit"]
    assert len(wide) == len(tall)
    assert (tall["signal"] == "engine speed").sum() == wide["engine speed [rpm]"].notna().sum()
    per_second = (tall["unit"] != "deg").sum() / (60 * sparse["runs"][0]["minutes"])
    assert 11 < per_second < 15


def test_sample_sized_study_stays_small(demo):
    sizes = [log.stat().st_size for log in (demo / "logs").iterdir()]
    assert 24 * np.mean(sizes) < 4e6


# what else can differ between the arms


def test_driver_who_slows_when_fitted_is_slower_then_and_only_then(tmp_path):
    usual = made(tmp_path / "usual")
    slow = made(tmp_path / "slow", driver_slows_pct=8.0)
    for before, after in zip(usual["runs"], slow["runs"], strict=True):
        if before["arm"] == "fitted":
            assert after["minutes"] > before["minutes"] + 0.5
            assert after["fuel_l"] < before["fuel_l"]
        else:
            path = Path("logs") / before["file"]
            assert (tmp_path / "usual" / path).read_bytes() == (
                tmp_path / "slow" / path
            ).read_bytes()


def test_drift_runs_from_nothing_on_the_first_day_to_all_on_the_last(tmp_path):
    flat = made(tmp_path / "flat", days=4)["runs"]
    drifting = made(tmp_path / "drift", days=4, drift_pct=6.0)["runs"]
    ratio = [b["fuel_l"] / a["fuel_l"] for a, b in zip(flat, drifting, strict=True)]
    np.testing.assert_allclose(ratio, np.repeat([1, 1.02, 1.04, 1.06], 2), rtol=1e-12)


def test_spread_between_days_is_as_asked(tmp_path):
    runs = made(tmp_path / "s", days=60, runs_per_day=1, day_sd_pct=4.0)["runs"]
    spread = 100 * np.std(np.log([r["fuel_factor"] for r in runs]), ddof=1)
    assert 3 < spread < 5.2


def test_existing_study_is_never_overwritten(demo):
    before = (demo / "truth.json").read_bytes()
    with pytest.raises(InputError, match="holds a study already"):
        make_study(demo, seed=1)
    assert (demo / "truth.json").read_bytes() == before


def test_one_day_holds_no_two_arms(tmp_path):
    with pytest.raises(InputError, match="2 or more"):
        make_study(tmp_path / "s", days=1)
    assert not (tmp_path / "s").exists()


@pytest.mark.parametrize("choice", [{"accessory": "on"}, {"gearbox": "cvt"}, {"meter": "maf"}])
def test_a_choice_that_nobody_knows_is_refused_by_its_name(tmp_path, choice):
    with pytest.raises(InputError, match=f"{next(iter(choice))} is '.*' or '.*', not"):
        make_study(tmp_path / "s", days=2, **choice)
    assert not (tmp_path / "s").exists()


# the pump


@pytest.mark.parametrize("days", [2, 6, 12])
def test_pumped_litres_are_the_burned_ones_within_pump_and_nozzle(tmp_path, days):
    runs = made(tmp_path / "s", days=days)["runs"]
    fills = read_fills(tmp_path / "s" / "fills.csv")
    cool = [f.litres / volume_l(FUEL.density_kg_m3, FUEL, f.temp_c) for f in fills[1:]]
    burned = sum(r["fuel_l"] for r in runs)
    assert sum(cool) == pytest.approx(burned, abs=4 * LEVEL_SD_L + 0.006 * burned)
    assert fills[-1].odometer_km - fills[0].odometer_km == pytest.approx(
        sum(r["km"] for r in runs), abs=1
    )


def test_a_longer_study_has_a_partial_fill_and_several_tanks(tmp_path):
    made(tmp_path / "s", days=20)
    fills = read_fills(tmp_path / "s" / "fills.csv")
    assert [f.full for f in fills].count(False) == 1
    assert len(tanks(fills)) == 6
    assert all(f.price_per_l and f.temp_c is not None for f in fills)


def test_nobody_refuels_while_driving(demo):
    fills = read_fills(demo / "fills.csv")
    assert len({f.time for f in fills}) == len(fills)
    for log in (demo / "logs").iterdir():
        clock = read(log)["time"].dt.tz_localize(None)
        assert not any(clock.min() <= f.time <= clock.max() for f in fills)


# cold tyres, air conditioning, another gearbox, another way to meter air


def test_tyres_roll_harder_in_cold_air_by_the_line_of_sae_j2263():
    day = plan_days(
        [("baseline", None)], dt.date(2026, 3, 2), np.random.default_rng(1),
        day_sd_pct=0.0, drift_pct=0.0,
    )[0]  # fmt: skip
    factors = []
    for morning in (20.0, 0.0):
        at = dataclasses.replace(day, morning_c=morning, wet=False, tyre_kpa=230.0)
        (run,) = plan_runs(at, 1, [np.random.SeedSequence(4)], 0.0)
        factors.append((run.conditions.ambient_c, run.conditions.rolling_factor))
    for ambient, factor in factors:
        assert factor == pytest.approx(1 / (1 + 0.0086 * (ambient - 20)), rel=1e-9)


def warm(road, drive, **options):
    return run_engine(drive, road, dataclasses.replace(CALM, coolant_start_c=88.0), **options)


def test_compressor_raises_idle_by_200_and_burns_a_tenth_of_a_gram_more(driven):
    for road, drive, _ in driven:
        off = warm(road, drive)
        on = warm(road, drive, compressor=np.ones(drive.t_s.size, dtype=bool))
        stands = (drive.speed_m_s == 0) & (drive.t_s > 30)
        assert np.median((on.rpm - off.rpm)[stands]) == pytest.approx(200)
        assert np.median((on.fuel_g_s - off.fuel_g_s)[stands]) == pytest.approx(0.1, abs=0.02)
        assert 1.6 < np.median(on.air_g_s[stands] / off.air_g_s[stands]) < 1.9
        shut = on.cut & off.cut & (on.rpm == off.rpm)
        ratio = (on.air_g_s / off.air_g_s)[shut]
        assert 1.5 < ratio[on.rpm[shut] < 1450].mean() < 1.9
        assert (ratio[on.rpm[shut] > 2300] < 1.2).all()
        pulls = (on.pedal > 0.1) & (drive.speed_m_s > 15) & ~on.enriched & ~off.enriched
        assert np.median((on.fuel_g_s - off.fuel_g_s)[pulls]) == pytest.approx(0.08, abs=0.02)


def test_loose_accessory_time_is_drawn_by_day_from_none_to_sixty_percent(driven):
    shares = day_shares(4000, np.random.default_rng(2))
    assert 0 <= min(shares) < 0.01
    assert 0.59 < max(shares) <= 0.6
    assert np.mean(shares) == pytest.approx(0.3, abs=0.01)
    drive = driven[0][1]
    for share in (0.0, 0.2, 0.6):
        got = [
            compressor_runs(drive, share, np.random.default_rng([5, i])).mean() for i in range(40)
        ]
        assert np.mean(got) == pytest.approx(share, abs=0.03)
    on = compressor_runs(drive, 0.5, np.random.default_rng(6))
    turns = np.count_nonzero(np.diff(on.astype(int)) == 1)
    assert 35 < drive.t_s[-1] / turns < 90


def test_loose_accessory_changes_fuel_and_nothing_of_the_drive(tmp_path):
    off = made(tmp_path / "off", days=4)
    loose = made(tmp_path / "loose", days=4, accessory="loose")
    for without, with_it in zip(off["runs"], loose["runs"], strict=True):
        assert without["accessory_share"] == 0
        for same in ("file", "km", "minutes", "fuel_factor"):
            assert without[same] == with_it[same]
        extra_g = 1000 * FUEL.density_kg_m3 / 1000 * (with_it["fuel_l"] - without["fuel_l"])
        on_s = 60 * with_it["minutes"] * with_it["accessory_share"]
        assert extra_g == pytest.approx(0.08 * on_s, rel=0.25, abs=2)
    notes = [pd.read_csv(tmp_path / f / "notes.csv")["air conditioning"] for f in ("off", "loose")]
    assert (notes[0] == "off").all()
    assert notes[1].isna().all()


def test_effect_multiplies_fuel_with_every_variant_too(tmp_path):
    choice = {"accessory": "loose", "gearbox": "automatic", "meter": "pressure"}
    none = made(tmp_path / "none", effect_pct=0.0, **choice)
    less = made(tmp_path / "less", effect_pct=-6.0, **choice)
    for without, with_it in zip(none["runs"], less["runs"], strict=True):
        ratio = with_it["fuel_l"] / without["fuel_l"]
        assert ratio == pytest.approx(0.94 if without["arm"] == "fitted" else 1.0, rel=1e-12)


def test_pedal_is_at_rest_standing_and_in_fuel_cut_and_pressed_uphill(driven):
    for road, drive, engine in driven:
        assert (engine.pedal[drive.speed_m_s == 0] == 0).all()
        assert (engine.pedal[engine.cut] == 0).all()
        assert (engine.pedal[engine.enriched] > 0.3).all()
        climbs = np.interp(drive.s_m, road.s_m, road.grade) > 0.02
        steady = climbs & (np.abs(drive.accel_m_s2) < 0.2) & (drive.speed_m_s > 10)
        assert (engine.pedal[steady] > 0).mean() > 0.95
        assert 0.1 < (engine.pedal == 0).mean() < 0.5
        assert engine.pedal.max() <= 1


def test_automatic_works_against_the_brakes_when_standing_in_drive(driven):
    for road, drive, _ in driven:
        manual, automatic = warm(road, drive), warm(road, drive, gearbox="automatic")
        stands = (drive.speed_m_s == 0) & (drive.t_s > 30)
        more = np.median(automatic.fuel_g_s[stands] / manual.fuel_g_s[stands])
        assert 1.3 < more < 1.7
        moves = (drive.speed_m_s > 0.5) & (3.6 * drive.speed_m_s < 20) & (drive.accel_m_s2 > 0.5)
        assert automatic.rpm[moves].mean() > manual.rpm[moves].mean()
        assert automatic.rpm.max() < 4500
        assert automatic.fuel_g_s.sum() > 1.03 * manual.fuel_g_s.sum()
        assert (automatic.map_kpa < automatic.baro_kpa).all()


def test_converter_gives_no_more_power_than_it_takes(driven):
    _, drive, _ = driven[0]
    rng = np.random.default_rng(8)
    turbine = rng.uniform(0, 4000, drive.t_s.size)
    asked = rng.uniform(0, 60e3, drive.t_s.size)
    rpm, taken = converter(drive, turbine, asked, np.full(drive.t_s.size, 780.0))
    assert (rpm >= 779.999).all()
    assert (rpm >= turbine - 1e-6).all()
    assert (taken[turbine > 800] > 0.995 * asked[turbine > 800]).all()


def test_automatic_shifts_later(driven):
    road, drive, _ = driven[0]
    speeds = (3.6 * drive.speed_m_s > 55) & (drive.accel_m_s2 > 0.3)
    manual, automatic = warm(road, drive), warm(road, drive, gearbox="automatic")
    assert automatic.rpm[speeds].mean() > 1.02 * manual.rpm[speeds].mean()


def test_speed_density_log_holds_pressure_and_intake_but_no_meter(tmp_path):
    air, pressure = made(tmp_path / "air"), made(tmp_path / "pressure", meter="pressure")
    assert air["arms"] == pressure["arms"]
    header = set(read(tmp_path / "pressure" / "logs" / air["runs"][0]["file"]).columns)
    assert {CHANNELS[n].header for n in ("map_kpa", "intake_air_temp_c", "pedal_pct")} <= header
    assert not {CHANNELS[n].header for n in NO_METER} & header


def test_without_a_meter_trims_make_up_for_the_controllers_model_of_air(tmp_path):
    made(tmp_path / "s", meter="pressure")
    frame = read(next((tmp_path / "s" / "logs").iterdir())).ffill()
    closed = frame[frame["fuel system status [-]"] == CLOSED_LOOP]
    total = closed["short term fuel trim [%]"] + closed["long term fuel trim [%]"]
    kpa = closed["manifold absolute pressure [kPa]"]
    assert total[kpa < 33].mean() == pytest.approx(1.5, abs=0.6)
    assert total[kpa > 72].mean() == pytest.approx(-4, abs=0.9)


def test_bent_pressure_changes_the_log_but_not_the_fuel(tmp_path):
    straight = made(tmp_path / "straight", meter="pressure")
    bent = made(tmp_path / "bent", meter="pressure", meter_bias_pct=-6.0)
    for run, same in zip(straight["runs"], bent["runs"], strict=True):
        assert run["fuel_l"] == same["fuel_l"]
        kpa = [
            read(tmp_path / name / "logs" / run["file"])["manifold absolute pressure [kPa]"].sum()
            for name in ("bent", "straight")
        ]
        expected = 0.94 if run["arm"] == "fitted" else 1.0
        assert kpa[0] / kpa[1] == pytest.approx(expected, rel=2e-3)


def test_the_command_makes_the_variants_and_the_readme_says_how(tmp_path, capsys):
    where = tmp_path / "v"
    line = "--days 3 --accessory loose --gearbox automatic --meter pressure"
    assert main(["demo", str(where), *line.split()]) == 0
    capsys.readouterr()
    parameters = truth_of(where)["parameters"]
    assert [parameters[k] for k in ("accessory", "gearbox", "meter")] == [
        "loose", "automatic", "pressure",
    ]  # fmt: skip
    assert f"roadlog demo v {line}\n" in (where / "README.txt").read_text()
    assert load_study(where).schedule is not None


# the sample that comes with the source


def test_sample_logs_are_what_their_command_makes(tmp_path):
    sample = Path(__file__).parents[1] / "sample_logs"
    fresh = tmp_path / "sample_logs"
    make_study(fresh, days=12)
    for name in ("study.toml", "notes.csv", "fills.csv", "weather.csv", "README.txt"):
        assert (sample / name).read_text() == (fresh / name).read_text()
    assert "roadlog demo sample_logs --days 12\n" in (sample / "README.txt").read_text()
    for stored, made_now in zip(truth_of(sample)["runs"], truth_of(fresh)["runs"], strict=True):
        assert stored["file"] == made_now["file"]
        assert stored["fuel_l"] == pytest.approx(made_now["fuel_l"], rel=1e-9)
    logs = log_files(sample, load_study(sample).logs.any)
    assert [log.name for log in logs] == [run["file"] for run in truth_of(sample)["runs"]]
    assert sum(p.stat().st_size for p in sample.rglob("*.*")) < 4e6
