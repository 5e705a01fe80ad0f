import time

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roadlog.errors import DesignError
from roadlog.fuel import (
    ESTIMATORS,
    Calibration,
    available_estimators,
    calibrate,
    choose_estimator,
    fuel_flow,
    fuel_of,
    fuel_variants,
)
from roadlog.ingest.timebase import integrate, resample
from roadlog.quantities.fuels import FUELS, volume_l
from roadlog.study.settings import parse_study

AFR = FUELS["E10"].stoich_afr
SIZE_L = 1.8
TRUE_VE = 0.86
PHASES = ("idle", "pull", "cruise", "overrun", "full")


def study(extra="", displacement=True, fuel="E10", acts_on="other"):
    size = f"displacement_l = {SIZE_L}\n" if displacement else ""
    return parse_study(
        f'[vehicle]\nfuel = "{fuel}"\n{size}[device]\nacts_on = "{acts_on}"\n{extra}'
    )


def drive(repeats=20, seed=5):
    """Samples of a warm drive in 15 s phases: idle, pull away, cruise, overrun, full throttle."""
    rng = np.random.default_rng(seed)
    phase = np.tile(np.repeat(np.arange(5), 15), repeats)
    n = len(phase)

    def by_phase(*values, noise=0.0):
        return np.array(values, float)[phase] * (1 + noise * rng.standard_normal(n))

    rpm = by_phase(750, 2000, 1800, 2200, 4500, noise=0.02)
    pressure = by_phase(33, 60, 45, 24, 97, noise=0.01)
    intake_c = 25 + 2 * rng.standard_normal(n)
    air = TRUE_VE * pressure / (0.28705 * (intake_c + 273.15)) * SIZE_L * rpm / 120
    return pd.DataFrame(
        {
            "t_s": np.arange(n, dtype=float),
            "dt_s": 1.0,
            "speed_kmh": by_phase(0, 35, 60, 55, 90),
            "rpm": rpm,
            "map_kpa": pressure,
            "intake_air_temp_c": intake_c,
            "maf_g_s": air,
            "absolute_load_pct": 100 * air / (1.184 * SIZE_L * rpm / 120),
            "engine_load_pct": by_phase(22, 55, 35, 8, 98),
            "throttle_pct": by_phase(14, 28, 20, 14, 85),
            "coolant_temp_c": 88.0,
            "fuel_status": by_phase(2, 2, 2, 4, 4),
            "stft1_pct": 1.0,
            "ltft1_pct": 3.0,
            "phase": np.array(PHASES)[phase],
        }
    )


def flow_of(samples, estimator="maf", the_study=None):
    the_study = the_study or study()
    return fuel_flow(samples, the_study, estimator, calibrate([samples], the_study))


def only(flow, phase):
    return flow[flow["phase"] == phase]


def test_fuel_from_maf_is_air_over_stoichiometric_air():
    flow = flow_of(drive())
    cruise = only(flow, "cruise")
    assert np.allclose(cruise["fuel_flow_g_s"], cruise["maf_g_s"] / AFR)
    assert set(cruise["fuel_state"]) == {"metered"}


@pytest.mark.parametrize(
    "estimator", ["maf", "maf-trims", "absolute-load", "speed-density", "speed-density-trims"]
)
def test_downhill_fuel_cut_burns_nothing(estimator):
    overrun = only(flow_of(drive(), estimator), "overrun")
    assert overrun["fuel_flow_high_g_s"].eq(0).all()
    assert set(overrun["fuel_state"]) == {"cut"}


@pytest.mark.parametrize("estimator", ["maf", "absolute-load", "speed-density"])
def test_fuel_cut_is_found_without_fuel_system_status(estimator):
    """All but the first 2 s of the 15 in which the throttle rests."""
    samples = drive().drop(columns="fuel_status")
    flow = flow_of(samples, estimator)
    overrun = only(flow, "overrun")["fuel_state"].to_numpy().reshape(-1, 15)
    assert (overrun[:, 2:] == "cut").all()
    assert (overrun[:, :2] == "unclear").all()
    assert set(only(flow, "idle")["fuel_state"]) == {"metered"}
    assert set(only(flow, "cruise")["fuel_state"]) == {"metered"}


def test_idle_is_never_taken_for_fuel_cut():
    assert only(flow_of(drive()), "idle")["fuel_flow_low_g_s"].gt(0).all()


def test_coasting_with_the_engine_near_idle_speed_is_fuelled():
    samples = drive().drop(columns="fuel_status")
    samples.loc[samples["phase"] == "overrun", "rpm"] = 900.0
    assert only(flow_of(samples), "overrun")["fuel_flow_low_g_s"].gt(0).all()


def test_same_status_at_full_load_is_enrichment_with_two_bounds():
    full = only(flow_of(drive()), "full")
    assert set(full["fuel_state"]) == {"enriched"}
    stoichiometric = full["maf_g_s"] / AFR
    assert np.allclose(full["fuel_flow_low_g_s"], stoichiometric)
    assert np.allclose(full["fuel_flow_high_g_s"], stoichiometric / 0.85)


def test_commanded_lambda_closes_the_bounds():
    samples = drive()
    samples["lambda_commanded"] = np.where(samples["phase"] == "full", 0.88, 1.0)
    full = only(flow_of(samples), "full")
    assert np.allclose(full["fuel_flow_low_g_s"], full["maf_g_s"] / AFR / 0.88)
    assert full["fuel_flow_low_g_s"].equals(full["fuel_flow_high_g_s"])
    assert set(full["fuel_state"]) == {"enriched"}


def slowing(samples):
    """The same drive, but overrun slows the car from 75 km/h by 0.7 m/s²."""
    light = samples["phase"] == "overrun"
    falling = 75 - 2.5 * np.arange(15.0)
    return samples.assign(
        speed_kmh=samples["speed_kmh"].mask(light, np.resize(falling, len(light)))
    )


def test_slowing_down_without_throttle_or_status_stays_open():
    """Fuel or none: both bounds and their middle, however much air flows."""
    samples = slowing(drive().drop(columns=["fuel_status", "throttle_pct"]))
    overrun = only(flow_of(samples), "overrun")
    inner = overrun["fuel_state"].to_numpy().reshape(-1, 15)[:, 2:13]
    assert (inner == "unclear").all()
    open_ones = overrun[overrun["fuel_state"] == "unclear"]
    assert open_ones["fuel_flow_low_g_s"].eq(0).all()
    assert np.allclose(open_ones["fuel_flow_high_g_s"], open_ones["maf_g_s"] / AFR)
    assert np.allclose(open_ones["fuel_flow_g_s"], open_ones["maf_g_s"] / AFR / 2)


def test_resting_pedal_with_open_throttle_is_cruise_control():
    samples = drive().drop(columns="fuel_status").assign(pedal_pct=15.0)
    cruise = only(flow_of(samples), "cruise")["fuel_state"].to_numpy().reshape(-1, 15)
    assert (cruise[:, 2:12] == "metered").all()
    samples.loc[samples["phase"] == "cruise", "pedal_pct"] = 22.0
    assert set(only(flow_of(samples), "cruise")["fuel_state"]) == {"metered"}


def test_cruise_control_without_a_throttle_signal_is_never_taken_for_a_cut():
    """A pedal at rest while speed is held: driven by the controller, or rolling downhill."""
    samples = drive().drop(columns=["fuel_status", "throttle_pct"]).assign(pedal_pct=15.0)
    cruise = np.arange(600)
    held = samples.iloc[:600].assign(
        t_s=cruise * 1.0, speed_kmh=100 + 0.5 * np.sin(cruise / 9), rpm=2500.0, pedal_pct=15.0
    )
    flow = fuel_flow(held, study(), "maf", calibrate([samples], study()))
    assert set(flow["fuel_state"]) == {"unclear"}


def test_pressed_pedal_at_light_load_is_fuelled_however_little_air_flows():
    samples = slowing(drive().drop(columns="fuel_status").assign(pedal_pct=15.0))
    samples.loc[samples["phase"] == "overrun", "pedal_pct"] = 19.0
    assert set(only(flow_of(samples), "overrun")["fuel_state"]) == {"metered"}


def test_controller_that_stays_in_closed_loop_through_a_cut_is_noticed():
    samples = drive()
    samples.loc[samples["phase"] == "overrun", "fuel_status"] = 2.0
    samples = slowing(samples)
    assert not calibrate([samples], study()).status_shows_cut
    overrun = only(flow_of(samples), "overrun")["fuel_state"].to_numpy().reshape(-1, 15)
    assert (overrun[:, 2:] == "cut").all()


def test_status_that_follows_cuts_is_believed_when_it_says_closed_loop():
    samples = drive()
    once = samples.index[samples["phase"] == "overrun"][:5]
    samples.loc[once, "fuel_status"] = 2.0
    flow = flow_of(samples)
    assert set(flow.loc[once, "fuel_state"]) == {"metered"}


def test_stopped_engine_burns_nothing():
    samples = drive()
    samples.loc[samples["phase"] == "idle", ["rpm", "maf_g_s"]] = 0.0, 0.4
    calibration = calibrate([drive()], study())
    flow = fuel_flow(samples, study(), "maf", calibration)
    assert only(flow, "idle")["fuel_flow_g_s"].eq(0).all()


def test_cold_open_loop_is_bounded_by_coolant():
    samples = drive().assign(fuel_status=1.0)
    high = {}
    for coolant in (-5.0, 30.0, 70.0):
        flow = fuel_flow(samples.assign(coolant_temp_c=coolant), study(), "maf",
                         calibrate([drive()], study()))  # fmt: skip
        cruise = only(flow, "cruise")
        assert np.allclose(cruise["fuel_flow_low_g_s"], cruise["maf_g_s"] / AFR)
        high[coolant] = (cruise["fuel_flow_high_g_s"] / cruise["fuel_flow_low_g_s"]).mean()
    assert high[-5.0] > high[30.0] > high[70.0] == 1


def test_trims_of_both_banks_are_averaged():
    samples = drive().assign(stft2_pct=-1.0, ltft2_pct=1.0)
    plain, trimmed = flow_of(samples, "maf"), flow_of(samples, "maf-trims")
    ratio = only(trimmed, "cruise")["fuel_flow_g_s"] / only(plain, "cruise")["fuel_flow_g_s"]
    assert np.allclose(ratio, 1 + (4.0 + 0.0) / 2 / 100)


def test_trims_are_missing_not_zero_where_they_were_not_logged():
    samples = drive()
    samples.loc[100:110, "stft1_pct"] = np.nan
    flow = flow_of(samples, "maf-trims").loc[100:110]
    fuelled = flow["fuel_state"] != "cut"
    assert flow.loc[fuelled, "fuel_flow_g_s"].isna().all()
    assert set(flow.loc[fuelled, "fuel_state"]) <= {"missing"}


def test_engine_fuel_rate_is_taken_as_given():
    samples = drive()[["t_s", "dt_s", "speed_kmh", "rpm"]].assign(fuel_rate_l_h=3.6)
    samples.loc[10:19, "fuel_rate_l_h"] = 0.0
    flow = flow_of(samples, "rate")
    litres = volume_l(integrate(flow, "fuel_flow_g_s"), FUELS["E10"])
    assert litres == pytest.approx(3.6 * (len(samples) - 10) / 3600)
    assert set(flow.loc[10:19, "fuel_state"]) == {"cut"}


def test_engine_fuel_rate_in_grams_needs_no_density():
    samples = drive()[["t_s", "dt_s", "speed_kmh", "rpm"]].assign(fuel_rate_g_s=0.7)
    assert flow_of(samples, "rate")["fuel_flow_g_s"].eq(0.7).all()


def test_speed_density_fitted_on_maf_gives_the_same_fuel():
    samples = drive().assign(stft1_pct=0.0, ltft1_pct=0.0)
    calibration = calibrate([samples], study())
    assert calibration.ve.basis == "MAF"
    by_map = fuel_flow(samples, study(), "speed-density", calibration)
    by_maf = fuel_flow(samples, study(), "maf", calibration)
    assert integrate(by_map, "fuel_flow_g_s") == pytest.approx(
        integrate(by_maf, "fuel_flow_g_s"), rel=2e-3
    )


def test_volumetric_efficiency_surface_is_recovered():
    rng = np.random.default_rng(2)
    samples = drive(40)
    r, p = samples["rpm"] / 1000, samples["map_kpa"] / 100
    surface = 0.55 + 0.08 * r - 0.012 * r**2 + 0.2 * p + 0.01 * r * p
    samples["maf_g_s"] *= surface / TRUE_VE * (1 + 0.02 * rng.standard_normal(len(samples)))
    ve = calibrate([samples], study()).ve
    fitted = ve.at(samples["rpm"].to_numpy(), samples["map_kpa"].to_numpy())
    assert np.abs(fitted / surface - 1).mean() < 0.005


def test_without_maf_volumetric_efficiency_is_assumed_and_said():
    samples = drive().drop(columns=["maf_g_s", "absolute_load_pct"])
    calibration = calibrate([samples], study())
    assert calibration.ve.basis == "assumed"
    assert any("common practice, no source" in w for w in calibration.warnings)
    flow = fuel_flow(samples, study(), "speed-density", calibration)
    cruise = only(flow, "cruise")
    truth = only(drive(), "cruise")["maf_g_s"].to_numpy() / AFR
    assert np.allclose(cruise["fuel_flow_g_s"], truth * 0.82 / TRUE_VE)


def test_measured_baseline_fuel_sets_the_level_of_speed_density():
    samples = drive().drop(columns=["maf_g_s", "absolute_load_pct"])
    truth = volume_l(integrate(flow_of(drive(), "maf"), "fuel_flow_g_s"), FUELS["E10"])
    calibration = calibrate([samples], study(), baseline_fuel_l=truth)
    flow = fuel_flow(samples, study(), "speed-density", calibration)
    assert volume_l(integrate(flow, "fuel_flow_g_s"), FUELS["E10"]) == pytest.approx(truth)
    assert calibration.ve.coefficients[0] == pytest.approx(TRUE_VE, rel=0.01)
    assert calibration.warnings == ()


def test_calibration_reads_the_warm_idle():
    calibration = calibrate([drive()], study())
    assert calibration.idle_rpm == pytest.approx(750, rel=0.02)
    assert calibration.throttle_low_pct == calibration.throttle_shut_pct == 14
    assert calibration.status_shows_cut
    assert not calibration.trims_show_cut


def test_baseline_without_warm_idle_warns_and_keeps_cut_open():
    samples = drive()
    samples = samples[samples["phase"] != "idle"].reset_index(drop=True)
    calibration = calibrate([samples], study())
    assert any("no warm idle" in w for w in calibration.warnings)
    overrun = only(fuel_flow(samples, study(), "maf", calibration), "overrun")
    assert set(overrun["fuel_state"]) == {"unclear"}


def test_calibration_needs_a_baseline_run():
    with pytest.raises(DesignError, match="no baseline run"):
        calibrate([], study())


def test_gap_has_no_fuel():
    rows = drive().drop(columns=["dt_s", "phase"])
    rows = rows[(rows["t_s"] < 100) | (rows["t_s"] > 160)]
    samples = resample(rows)
    flow = flow_of(samples)
    gap = flow["dt_s"] == 0
    assert gap.sum() > 55
    assert flow.loc[gap, "fuel_flow_g_s"].isna().all()
    assert set(flow.loc[gap, "fuel_state"]) == {"missing"}


def test_flex_fuel_car_follows_its_ethanol_sensor():
    samples = drive().assign(ethanol_pct=70.0)
    assert fuel_of(samples, study(fuel="E85")).name == "E70"
    assert fuel_of(samples, study(fuel="E10")).name == "E10"
    assert fuel_of(drive(), study(fuel="E85")).name == "E85"


@pytest.mark.parametrize(
    ("signals", "chosen"),
    [
        (["fuel_rate_l_h", "maf_g_s", "map_kpa"], "rate"),
        (["fuel_rate_g_s"], "rate"),
        (["maf_g_s", "stft1_pct", "ltft1_pct", "absolute_load_pct", "rpm"], "maf"),
        (["absolute_load_pct", "rpm", "map_kpa", "intake_air_temp_c"], "absolute-load"),
        (["map_kpa", "intake_air_temp_c", "rpm"], "speed-density"),
    ],
)
def test_best_estimator_is_chosen(signals, chosen):
    run = drive().assign(fuel_rate_l_h=3.0, fuel_rate_g_s=0.6)[["t_s", "dt_s", *signals]]
    assert choose_estimator([run, run], study()) == chosen


def test_intake_device_makes_the_trimmed_variant_primary():
    runs = [drive(), drive(seed=6)]
    assert choose_estimator(runs, study(acts_on="intake")) == "maf-trims"
    assert choose_estimator(runs, study()) == "maf"
    assert available_estimators(runs, study()) == [
        "maf", "maf-trims", "absolute-load", "speed-density", "speed-density-trims",
    ]  # fmt: skip


def test_estimator_must_be_there_in_every_run_of_both_arms():
    runs = [drive(), drive(seed=6).drop(columns="maf_g_s")]
    assert choose_estimator(runs, study()) == "absolute-load"


def test_study_can_fix_the_estimator():
    fixed = study(extra='[analysis]\nestimator = "speed-density"\n')
    assert choose_estimator([drive()], fixed) == "speed-density"


def test_fixed_estimator_that_is_missing_in_a_run_is_refused():
    fixed = study(extra='[analysis]\nestimator = "maf"\n')
    runs = [drive(), drive().assign(maf_g_s=np.nan)]
    with pytest.raises(DesignError, match=r"maf_g_s is missing in 1 of 2 runs \(first in run 2\)"):
        choose_estimator(runs, fixed)


def test_speed_and_gps_alone_never_make_a_fuel_figure():
    run = drive()[["t_s", "dt_s", "speed_kmh"]].assign(lat_deg=50.0, lon_deg=9.0, rpm=2000.0)
    with pytest.raises(DesignError, match="speed and GPS alone never make a fuel figure"):
        choose_estimator([run], study())


def test_air_flow_says_nothing_about_a_diesel():
    with pytest.raises(DesignError, match="a diesel runs lean"):
        choose_estimator([drive()], study(fuel="diesel"))
    run = drive().assign(fuel_rate_l_h=4.0)
    assert available_estimators([run], study(fuel="diesel")) == ["rate"]


@pytest.mark.parametrize("kept", ["absolute_load_pct", "map_kpa"])
def test_missing_displacement_is_asked_for(kept):
    run = drive()[["t_s", "dt_s", "rpm", "intake_air_temp_c", kept]]
    with pytest.raises(DesignError, match=r"give vehicle\.displacement_l"):
        choose_estimator([run], study(displacement=False))


def test_signal_missing_in_one_run_is_named():
    runs = [drive()[["t_s", "dt_s", "maf_g_s"]]] * 3 + [drive()[["t_s", "dt_s", "speed_kmh"]]]
    with pytest.raises(DesignError, match=r"'maf' comes nearest.*1 of 4 runs \(first in run 4\)"):
        choose_estimator(runs, study())


def test_no_run_at_all_is_refused():
    with pytest.raises(DesignError, match="no run"):
        choose_estimator([], study())


def test_variants_stand_side_by_side():
    samples = drive().assign(fuel_rate_l_h=4.0)
    table = fuel_variants(samples, study(), calibrate([samples], study()))
    assert table["estimator"].tolist() == [e for e in ESTIMATORS if e != "injection"]
    assert (table["fuel_low_l"] <= table["fuel_l"]).all()
    assert (table["fuel_l"] <= table["fuel_high_l"]).all()
    by_name = table.set_index("estimator")
    assert by_name.loc["absolute-load", "fuel_l"] == pytest.approx(by_name.loc["maf", "fuel_l"])
    assert by_name.loc["maf-trims", "fuel_l"] == pytest.approx(1.04 * by_name.loc["maf", "fuel_l"])
    assert by_name.loc["rate", "l_per_100km"] == pytest.approx(
        100 * by_name.loc["rate", "fuel_l"] / by_name.loc["rate", "km"]
    )


def test_every_estimator_states_its_error_and_where_that_comes_from():
    for estimate in ESTIMATORS.values():
        assert 0 < estimate.unshared_error_pct < estimate.expected_error_pct < 30
        for term in estimate.errors:
            assert term.size_pct > 0
            assert term.what
            assert term.basis


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    dropped=st.sets(st.sampled_from(["fuel_status", "throttle_pct", "coolant_temp_c",
                                     "engine_load_pct", "map_kpa"])),
)  # fmt: skip
def test_bounds_always_hold_the_best_estimate(seed, dropped):
    rng = np.random.default_rng(seed)
    samples = drive(4, seed=1).drop(columns=list(dropped))
    signals = samples.columns.drop(["t_s", "dt_s", "phase"])
    for name in signals:
        samples.loc[rng.random(len(samples)) < 0.1, name] = np.nan
        samples[name] *= rng.uniform(0.5, 1.5, len(samples)) if name != "fuel_status" else 1
    flow = fuel_flow(samples, study(), "maf", calibrate([drive()], study()))
    low, best, high = (flow[f"fuel_flow{x}_g_s"] for x in ("_low", "", "_high"))
    missing = flow["fuel_state"] == "missing"
    assert best.isna().equals(missing)
    assert (low[~missing] >= 0).all()
    assert (low[~missing] <= best[~missing]).all()
    assert (best[~missing] <= high[~missing]).all()
    assert high[flow["fuel_state"] == "cut"].eq(0).all()


def test_a_week_of_samples_takes_a_moment():
    samples = drive(640)
    assert len(samples) == 48_000
    calibration = calibrate([drive()], study())
    best = np.inf
    for _ in range(3):
        start = time.perf_counter()
        fuel_flow(samples, study(), "speed-density", calibration)
        best = min(best, time.perf_counter() - start)
    assert best < 0.3


def test_calibration_is_deterministic_and_frozen():
    a, b = calibrate([drive()], study()), calibrate([drive()], study())
    np.testing.assert_equal(vars(a), vars(b))  # NaN is equal to NaN here, on every Python
    assert isinstance(a, Calibration)
    with pytest.raises(AttributeError):
        a.idle_rpm = 1.0


def without_lambda_clues(**extra):
    """No fuel-system status and no commanded λ: only the wide-band sensor could tell λ."""
    return drive().drop(columns="fuel_status").assign(**extra)


def test_wide_band_sensor_tells_lambda_where_nothing_else_does():
    flow = flow_of(without_lambda_clues(lambda_measured=0.95))
    cruise = only(flow, "cruise")
    assert np.allclose(cruise["fuel_flow_g_s"], cruise["maf_g_s"] / AFR / 0.95)


def test_wide_band_sensors_are_averaged_over_banks():
    flow = flow_of(without_lambda_clues(lambda_measured=0.94, lambda_measured2=0.98))
    cruise = only(flow, "cruise")
    assert np.allclose(cruise["fuel_flow_g_s"], cruise["maf_g_s"] / AFR / 0.96)


def test_commanded_lambda_goes_before_the_wide_band_sensor():
    flow = flow_of(without_lambda_clues(lambda_measured=0.95, lambda_commanded=1.0))
    cruise = only(flow, "cruise")
    assert np.allclose(cruise["fuel_flow_g_s"], cruise["maf_g_s"] / AFR)


def test_a_device_on_the_oxygen_sensor_does_not_decide_lambda():
    samples = without_lambda_clues(lambda_measured=1.08)
    trusting, wary = study(), study(acts_on="oxygen-sensor")
    seen = only(flow_of(samples, "maf-trims", trusting), "cruise")["fuel_flow_g_s"]
    blind = only(flow_of(samples, "maf-trims", wary), "cruise")["fuel_flow_g_s"]
    assert np.allclose(blind, seen * 1.08)


def test_speed_density_goes_without_trims_except_where_pressure_or_mixture_can_be_bent():
    runs = [drive().drop(columns=["maf_g_s", "absolute_load_pct"])] * 2
    blind = [r.drop(columns="stft1_pct") for r in runs]
    for place in ("other", "electrical", "aero-or-rolling", "fuel"):
        assert choose_estimator(runs, study(acts_on=place)) == "speed-density"
    for place in ("intake", "oxygen-sensor"):
        assert choose_estimator(runs, study(acts_on=place)) == "speed-density-trims"
    assert choose_estimator(blind, study(acts_on="intake")) == "speed-density"
    with pytest.raises(DesignError, match="acts on the oxygen sensor"):
        choose_estimator(blind, study('[analysis]\nestimator = "speed-density"\n',
                                      acts_on="oxygen-sensor"))  # fmt: skip


def test_trims_of_speed_density_are_in_the_trimmed_figure_alone():
    plain, trimmed = (
        only(flow_of(drive(), name), "cruise")["fuel_flow_g_s"]
        for name in ("speed-density", "speed-density-trims")
    )
    assert np.allclose(trimmed, 1.04 * plain)


def test_a_device_on_the_oxygen_sensor_needs_trims():
    wary = study(acts_on="oxygen-sensor")
    assert choose_estimator([drive()], wary) == "maf-trims"
    assert "maf" not in available_estimators([drive()], wary)
    blind = drive().drop(columns=["stft1_pct", "ltft1_pct"])
    with pytest.raises(DesignError, match="acts on the oxygen sensor"):
        choose_estimator([blind], wary)


def test_trims_of_a_lean_fooled_loop_show_the_fuel_that_was_taken_away():
    """A sensor that reads rich makes the loop inject 5 % less: only the trims tell."""
    wary = study(acts_on="oxygen-sensor")
    honest, fooled = drive(), drive().assign(ltft1_pct=-2.0)
    flows = [only(flow_of(s, "maf-trims", wary), "cruise") for s in (honest, fooled)]
    ratio = flows[1]["fuel_flow_g_s"].sum() / flows[0]["fuel_flow_g_s"].sum()
    assert ratio == pytest.approx(0.99 / 1.04)


def test_a_diesel_is_metered_by_its_injected_quantity():
    samples = drive().assign(injected_mg_stroke=12.0)
    four = parse_study('[vehicle]\nfuel = "diesel"\ncylinders = 4\n')
    assert choose_estimator([samples], four) == "injection"
    cruise = only(flow_of(samples, "injection", four), "cruise")
    # 12 mg a stroke, four cylinders, each firing every two turns
    assert np.allclose(cruise["fuel_flow_g_s"], 0.012 * 4 * cruise["rpm"] / 120)


def test_injected_quantity_needs_the_number_of_cylinders():
    samples = drive().assign(injected_mg_stroke=12.0)
    with pytest.raises(DesignError, match=r"runs lean|vehicle\.cylinders"):
        choose_estimator([samples], parse_study('[vehicle]\nfuel = "diesel"\n'))


def test_fuel_scale_from_closure_scales_every_flow_alike():
    scaled = study().model_copy(
        update={"vehicle": study().vehicle.model_copy(update={"fuel_scale": 1.05})}
    )
    plain, more = flow_of(drive()), flow_of(drive(), the_study=scaled)
    for column in ("fuel_flow_low_g_s", "fuel_flow_g_s", "fuel_flow_high_g_s"):
        assert np.allclose(more[column], 1.05 * plain[column])


def test_a_study_may_not_take_the_ledger_from_logs():
    with pytest.raises(DesignError, match="takes fuel from fills and weighed cans"):
        choose_estimator([drive()], study('[analysis]\nestimator = "ledger"\n'))


def test_a_status_that_sticks_in_closed_loop_leaves_overrun_open_without_a_throttle():
    """It counted as fuelled beyond doubt: nothing here can say, so both bounds stand."""
    samples = slowing(drive().drop(columns="throttle_pct").assign(fuel_status=2.0))
    assert calibrate([samples], study()).status_shows_cut is None
    overrun = only(flow_of(samples), "overrun")
    inner = overrun[np.resize((np.arange(15) >= 2) & (np.arange(15) < 13), len(overrun))]
    assert inner["fuel_flow_low_g_s"].eq(0).all()
    assert np.allclose(inner["fuel_flow_high_g_s"], inner["maf_g_s"] / AFR)
    assert set(only(flow_of(samples), "cruise")["fuel_state"]) == {"metered"}


def test_one_run_whose_status_sticks_is_open_though_others_follow_cuts():
    calibration = calibrate([drive()], study())
    assert calibration.status_shows_cut
    stuck = slowing(drive(seed=6).drop(columns="throttle_pct").assign(fuel_status=2.0))
    overrun = only(fuel_flow(stuck, study(), "maf", calibration), "overrun")
    assert (overrun["fuel_state"].to_numpy().reshape(-1, 15)[:, 2:13] == "unclear").all()
    follows = fuel_flow(drive(seed=6), study(), "maf", calibration)
    assert set(only(follows, "overrun")["fuel_state"]) == {"cut"}


def test_a_status_stuck_at_load_or_cut_halves_no_fuel():
    """Value 4 all along made every sample open down to zero: the figure fell to half."""
    stuck = flow_of(drive().assign(fuel_status=4.0))
    unlogged = flow_of(drive().drop(columns="fuel_status"))
    assert np.allclose(stuck["fuel_flow_g_s"], unlogged["fuel_flow_g_s"])
    assert only(stuck, "idle")["fuel_flow_low_g_s"].gt(0).all()


def hybrid(blank: float = np.nan) -> pd.DataFrame:
    """Engine off at a stand and in the cruise, where the controller answers `blank`."""
    samples = drive()
    off = samples["phase"].isin(["idle", "cruise", "overrun"])
    rate = np.where(off, blank, samples["maf_g_s"] / AFR * 3600 / FUELS["E10"].density_kg_m3)
    return samples.assign(rpm=samples["rpm"].where(~off, 0.0), fuel_rate_l_h=rate)


def test_a_hybrid_burns_nothing_while_its_engine_stands():
    """A blank fuel rate at no revolutions was a gap, which took the distance out as well."""
    assert choose_estimator([hybrid()], study()) == "rate"
    flow = flow_of(hybrid(), "rate")
    assert only(flow, "cruise")["fuel_flow_high_g_s"].eq(0).all()
    assert set(only(flow, "cruise")["fuel_state"]) == {"cut"}
    zero = flow_of(hybrid(0.0), "rate")
    assert integrate(flow, "fuel_flow_g_s") == pytest.approx(integrate(zero, "fuel_flow_g_s"))
    assert flow["fuel_flow_g_s"].notna().all()


def test_a_blank_fuel_rate_while_the_engine_turns_stays_unknown():
    samples = hybrid().assign(rpm=drive()["rpm"])
    assert only(flow_of(samples, "rate"), "cruise")["fuel_flow_g_s"].isna().all()


def test_start_stop_burns_nothing_at_the_lights():
    stopped = drive()
    stopped.loc[stopped["phase"] == "idle", ["rpm", "maf_g_s"]] = [0.0, 0.4]
    flow = fuel_flow(stopped, study(), "maf", calibrate([drive()], study()))
    assert only(flow, "idle")["fuel_flow_high_g_s"].eq(0).all()
