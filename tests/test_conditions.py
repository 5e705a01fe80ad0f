import numpy as np
import pandas as pd
import pytest

from roadlog.passes.conditions import (
    add_conditions,
    conditions_of,
    conditions_of_each,
    usual_level,
)
from roadlog.passes.sky import sky_of
from roadlog.physics.air import air_density, wind_share
from roadlog.physics.atmosphere import standard_pressure
from roadlog.physics.demand import (
    acceleration,
    operating_mode,
    tractive_power,
    vehicle_specific_power,
)
from roadlog.quantities.columns import columns_of, in_groups
from roadlog.study.car import Vehicle

CAR = Vehicle(mass_kg=1500, cda_m2=0.7, crr=0.01)


def track(n: int = 120, speed_kmh: float = 72.0, **columns: object) -> pd.DataFrame:
    return pd.DataFrame(
        {"t_s": np.arange(n, dtype=float), "dt_s": 1.0, "speed_kmh": speed_kmh, "grade": 0.0,
         "bearing_deg": 90.0, **columns}
    )  # fmt: skip


def test_cruising_on_the_flat_asks_for_rolling_and_air() -> None:
    v, zero = np.array([20.0]), np.zeros(1)
    power = tractive_power(v, zero, zero, np.array([1.2]), CAR.resistance)
    assert power[0] == pytest.approx(20 * (1500 * 9.80665 * 0.01 + 0.5 * 1.2 * 0.7 * 400))


def test_climbing_five_percent_adds_weight_times_rise() -> None:
    v, zero = np.array([20.0]), np.zeros(1)
    flat = tractive_power(v, zero, zero, np.array([1.2]), CAR.resistance)
    hill = tractive_power(v, zero, np.array([0.05]), np.array([1.2]), CAR.resistance)
    assert hill[0] - flat[0] == pytest.approx(1500 * 9.80665 * 0.05 * 20, rel=0.003)


def test_standing_still_asks_for_nothing() -> None:
    assert tractive_power(np.zeros(1), np.zeros(1), np.zeros(1), np.ones(1), CAR.resistance)[0] == 0


def test_tailwind_faster_than_the_car_pushes() -> None:
    v, zero = np.array([5.0]), np.zeros(1)
    calm = tractive_power(v, zero, zero, np.array([1.2]), CAR.resistance)
    pushed = tractive_power(v, zero, zero, np.array([1.2]), CAR.resistance, headwind_m_s=-15.0)
    assert pushed[0] == pytest.approx(5 * (1500 * 9.80665 * 0.01 - 0.5 * 1.2 * 0.7 * 100))
    assert pushed[0] < calm[0]


def test_coasting_down_never_counts_as_demand_of_specific_power() -> None:
    vsp = vehicle_specific_power(np.array([15.0]), np.array([-1.0]), np.array([-0.03]))
    assert vsp[0] < 0


def test_acceleration_of_a_whole_number_speed_signal() -> None:
    t = np.arange(60.0)
    smooth = 20 + 1.8 * t
    got = acceleration(t, np.floor(smooth))
    assert got[5:-5] == pytest.approx(0.5, abs=0.06)


def test_acceleration_at_five_hertz_is_the_same() -> None:
    t = np.arange(0, 60, 0.2)
    assert acceleration(t, 20 + 1.8 * t)[20:-20] == pytest.approx(0.5)


def test_acceleration_is_unknown_where_speed_is() -> None:
    speed = np.full(30, 50.0)
    speed[10:20] = np.nan
    assert np.isnan(acceleration(np.arange(30.0), speed)[10:20]).all()


def test_hard_braking_idle_and_motorway_have_their_operating_modes() -> None:
    kmh = np.array([0.0, 20, 20, 60, 60, 60, 110, 110, np.nan])
    vsp = np.array([0.0, -1, 13, -1, 10, 35, 5, 19, 1])
    accel = np.zeros(9)
    assert operating_mode(vsp, kmh, accel).tolist() == [1, 11, 16, 21, 25, 30, 33, 38, -1]
    braking = np.array([-1.0])
    assert operating_mode(np.array([-9.0]), np.array([60.0]), braking).tolist() == [0]


def test_gentle_braking_counts_from_its_third_second() -> None:
    rate = np.full(5, -0.5)  # 1.1 mph/s
    got = operating_mode(np.full(5, -2.0), np.full(5, 60.0), rate)
    assert got.tolist() == [21, 21, 0, 0, 0]


def test_headwind_is_the_wind_from_ahead() -> None:
    weather = pd.DataFrame(
        {"time": pd.date_range("2026-03-02 06:00", periods=4, freq="h"), "temp_c": 8.0,
         "pressure_kpa": 99.0, "wind_speed_m_s": 6.0, "wind_from_deg": 90.0}
    )  # fmt: skip
    start = pd.Timestamp("2026-03-02 07:10")
    east = add_conditions(track(), CAR, start=start, weather=weather)
    west = add_conditions(track(bearing_deg=270.0), CAR, start=start, weather=weather)
    north = add_conditions(track(bearing_deg=0.0), CAR, start=start, weather=weather)
    assert east["headwind_m_s"].to_numpy() == pytest.approx(6)
    assert west["headwind_m_s"].to_numpy() == pytest.approx(-6)
    assert north["headwind_m_s"].to_numpy() == pytest.approx(0, abs=1e-9)
    assert east["traction_w"].mean() > north["traction_w"].mean() > west["traction_w"].mean()
    assert (east["ambient_source"] == "weather").all()


def test_wind_across_north_does_not_average_to_south() -> None:
    weather = pd.DataFrame(
        {"time": pd.to_datetime(["2026-03-02 07:00", "2026-03-02 08:00"]),
         "wind_speed_m_s": [5.0, 5.0], "wind_from_deg": [350.0, 10.0]}
    )  # fmt: skip
    start = pd.Timestamp("2026-03-02 07:30")
    got = add_conditions(track(bearing_deg=0.0), CAR, start=start, weather=weather)
    assert got["headwind_m_s"].to_numpy() == pytest.approx(5, abs=0.1)


def test_weather_of_another_day_is_not_used() -> None:
    weather = pd.DataFrame({"time": [pd.Timestamp("2026-03-01 07:00")], "temp_c": [30.0]})
    got = add_conditions(track(), CAR, start=pd.Timestamp("2026-03-02 07:00"), weather=weather)
    assert got["ambient_c"].isna().all()


def test_weather_with_a_zone_meets_a_log_with_one() -> None:
    weather = pd.DataFrame(
        {"time": pd.date_range("2026-03-02 06:00", periods=3, freq="h", tz="UTC"),
         "temp_c": [0.0, 10.0, 20.0]}
    )  # fmt: skip
    start = pd.Timestamp("2026-03-02 08:00", tz="Europe/Budapest")
    got = add_conditions(track(), CAR, start=start, weather=weather)
    assert got["ambient_c"].iloc[0] == pytest.approx(10)


def test_intake_air_is_ambient_only_before_a_cold_start() -> None:
    cold = track(intake_air_temp_c=np.linspace(6, 30, 120), coolant_temp_c=np.linspace(7, 80, 120))
    hot = track(intake_air_temp_c=np.linspace(40, 30, 120), coolant_temp_c=85.0)
    assert (add_conditions(cold, CAR)["ambient_c"] == 6).all()
    assert add_conditions(hot, CAR)["ambient_c"].isna().all()
    assert "cold start" in add_conditions(cold, CAR)["ambient_source"].iloc[0]
    assert "unknown" in add_conditions(hot, CAR)["ambient_source"].iloc[0]


def test_the_cars_own_sensors_come_first() -> None:
    got = add_conditions(track(ambient_temp_c=12.0, baro_kpa=95.0, altitude_m=10.0), CAR)
    assert got["air_density_kg_m3"].to_numpy() == pytest.approx(air_density(12.0, 95.0, 50.0))


def test_pressure_falls_back_on_altitude_and_says_so() -> None:
    got = add_conditions(track(altitude_m=1500.0), CAR)
    assert got["pressure_kpa"].to_numpy() == pytest.approx(standard_pressure(1500.0))
    assert got["pressure_source"].iloc[0] == "standard atmosphere at the altitude"


def test_a_run_without_altitude_is_where_the_others_are() -> None:
    """At 1,500 m an arm whose logs lacked altitude read 4 points more fuel saved than it was."""
    with_gps, without = track(altitude_m=1500.0), track()
    usual = usual_level([with_gps, without])
    here, there = (add_conditions(t, CAR, usual=usual) for t in (with_gps, without))
    assert here["air_density_kg_m3"].iloc[0] == there["air_density_kg_m3"].iloc[0]
    assert here["traction_w"].sum() == pytest.approx(there["traction_w"].sum())


def test_a_run_without_barometer_takes_that_of_the_others_before_sea_level() -> None:
    usual = usual_level([track(baro_kpa=84.0), track(baro_kpa=86.0), track()])
    got = add_conditions(track(), CAR, usual=usual)
    assert (got["pressure_kpa"] == 85.0).all()
    assert got["pressure_source"].iloc[0] == "barometer of other runs"
    assert (add_conditions(track(baro_kpa=84.0), CAR, usual=usual)["pressure_kpa"] == 84.0).all()


def test_unknown_wind_is_missing_and_adds_no_drag() -> None:
    got = add_conditions(track(), CAR)
    assert got["headwind_m_s"].isna().all()
    assert np.isfinite(got["traction_w"]).all()


def test_frame_is_left_as_it_was() -> None:
    before = track()
    after = before.copy()
    add_conditions(before, CAR)
    pd.testing.assert_frame_equal(before, after)


def test_road_load_coefficients_stand_in_for_drag_and_rolling() -> None:
    vehicle = Vehicle(mass_kg=1400, road_load=(140.0, 2.0, 0.5))
    v = np.array([20.0])
    power = tractive_power(v, np.zeros(1), np.zeros(1), np.full(1, 1.167), vehicle.resistance)
    assert power[0] == pytest.approx((140 + 40 + 200) * 20)
    thin = tractive_power(v, np.zeros(1), np.zeros(1), np.full(1, 1.167 / 2), vehicle.resistance)
    assert power[0] - thin[0] == pytest.approx(100 * 20)


def test_class_gives_mass_and_road_load_unless_the_user_knows_better() -> None:
    usual = Vehicle.model_validate({"class": "light-truck"})
    assert usual.mass_kg == pytest.approx(1866.86)
    assert usual.road_load == (221.12, 2.837, 0.698)
    own = Vehicle.model_validate({"class": "car", "mass_kg": 1200, "cda_m2": 0.6})
    assert own.mass_kg == 1200
    assert own.road_load is None


def test_road_is_wet_for_two_hours_after_rain() -> None:
    start = pd.Timestamp("2026-03-02 08:00")
    weather = pd.DataFrame(
        {"time": pd.to_datetime(["2026-03-02 06:30", "2026-03-02 07:30"]), "raining": [1.0, 0.0]}
    )
    assert (add_conditions(track(), CAR, start=start, weather=weather)["wet_road"] == 1).all()
    later = start + pd.Timedelta(minutes=80)
    assert (add_conditions(track(), CAR, start=later, weather=weather)["wet_road"] == 0).all()
    assert add_conditions(track(), CAR, start=start)["wet_road"].isna().all()


def test_sea_level_pressure_is_carried_to_the_roads_height() -> None:
    start = pd.Timestamp("2026-03-02 08:00")
    weather = pd.DataFrame({"time": [start], "qnh_kpa": [101.325], "pressure_kpa": [95.0]})
    got = add_conditions(track(altitude_m=1000.0), CAR, start=start, weather=weather)
    assert got["pressure_kpa"].iloc[0] == pytest.approx(89.87, abs=0.01)
    low = add_conditions(track(), CAR, start=start, weather=weather)
    assert low["pressure_kpa"].iloc[0] == pytest.approx(95.0)


def test_a_valley_stations_warmth_is_not_taken_up_the_hill() -> None:
    start = pd.Timestamp("2026-03-02 08:00")
    weather = pd.DataFrame({"time": [start], "temp_c": [12.0], "station_elevation_m": [200.0]})
    hill = add_conditions(track(altitude_m=600.0), CAR, start=start, weather=weather)
    assert hill["ambient_c"].iloc[0] == pytest.approx(12.0 - 2.6)
    assert (hill["ambient_source"] == "weather at the altitude").all()
    unknown = add_conditions(track(), CAR, start=start, weather=weather)
    assert unknown["ambient_c"].iloc[0] == pytest.approx(12.0)
    assert (unknown["ambient_source"] == "weather").all()


def test_shelter_takes_wind_from_the_car() -> None:
    assert wind_share("open") > wind_share("hedges") > wind_share("built-up") >= 0
    assert wind_share("open", 2.0) > wind_share("open", 10.0)


def test_runs_together_have_the_conditions_that_each_has_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(4)
    n, begin = 90, pd.Timestamp("2026-03-02 07:00")
    whole = pd.DataFrame(
        {
            "t_s": np.arange(float(n)), "dt_s": 1.0, "speed_kmh": rng.uniform(0, 120, n).round(),
            "grade": rng.normal(0, 0.03, n), "bearing_deg": rng.uniform(0, 360, n),
            "altitude_m": rng.normal(300, 5, n), "ambient_temp_c": rng.normal(8, 1, n),
            "baro_kpa": 97.5, "intake_air_temp_c": 12.0, "coolant_temp_c": 14.0,
        }
    )  # fmt: skip
    frames = [
        whole, whole.drop(columns="grade"), whole.iloc[40:].reset_index(drop=True), whole.iloc[:1],
        whole.drop(columns=["ambient_temp_c", "baro_kpa"]), whole.drop(columns="bearing_deg"),
        whole.assign(t_s=whole["t_s"] / 2 + 0.37, dt_s=0.5), whole.drop(columns="speed_kmh"),
        whole.assign(speed_kmh=whole["speed_kmh"].where(whole["t_s"] % 7 > 2)),
        whole[["t_s", "dt_s", "speed_kmh"]],
    ]  # fmt: skip
    runs = [columns_of(f) for f in frames]
    starts = [None if i == 3 else begin + pd.Timedelta(hours=5 * i) for i in range(len(runs))]
    hours = pd.date_range(begin.floor("D"), periods=30, freq="h")
    sky = pd.DataFrame({"time": hours, "temp_c": rng.normal(5, 2, 30), "raining": 0.0})
    sky["wind_speed_m_s"], sky["wind_from_deg"] = 4.0, rng.uniform(0, 360, 30)
    usual = usual_level(runs)
    told = [2.0 if i % 2 else None for i in range(len(runs))]
    for at_once in (100, 10_000):
        monkeypatch.setattr(in_groups, "__defaults__", (at_once,))
        together = conditions_of_each(
            runs, CAR, starts=starts, ambient_start_c=told, weather=sky_of(sky), usual=usual
        )
        for run, start, ambient, got in zip(runs, starts, told, together, strict=True):
            alone = conditions_of(
                run, CAR, start=start, ambient_start_c=ambient, weather=sky_of(sky), usual=usual
            )
            assert got.columns == alone.columns
            for name in got.columns:
                np.testing.assert_array_equal(got[name], alone[name])
