"""Runs that are worked on together burn what each burns alone, and fix the same references."""

import numpy as np
import pytest

from roadlog.fuel import calibrate
from roadlog.fuel.air import ve_terms
from roadlog.fuel.baseline import _surface
from roadlog.fuel.flow import flow_of, flow_of_each
from roadlog.physics.demand import acceleration
from roadlog.quantities import columns
from roadlog.quantities.columns import columns_of
from roadlog.quantities.fuels import FUELS
from tests.test_fuel import drive, study


def unlike_runs():
    """Runs that begin and end in the midst of things, and lack a signal here and there."""
    whole = drive(4)
    pedal = np.where(whole["phase"].isin(["idle", "overrun"]), 15.0, 40.0)
    whole = whole.drop(columns="phase").assign(pedal_pct=pedal)
    overrun = whole.iloc[47:55].reset_index(drop=True)
    later = whole.iloc[50:200].reset_index(drop=True)  # its clock goes on where the last one ended
    gaps = whole.assign(dt_s=np.where(whole["t_s"] % 50 == 7, 0.0, 1.0))
    gaps.loc[gaps["t_s"] % 9 == 0, ["speed_kmh", "throttle_pct", "fuel_status"]] = np.nan
    twice = whole.assign(t_s=whole["t_s"] / 2 + 0.37, dt_s=0.5)
    return [
        whole, overrun, later, gaps, twice, overrun.iloc[:1],
        whole.drop(columns=["throttle_pct", "stft1_pct"]), whole.drop(columns="pedal_pct"),
        whole.assign(fuel_status=4.0), overrun, whole.assign(fuel_status=2.0),
        whole.drop(columns=["speed_kmh", "fuel_status"]), later.assign(coolant_temp_c=30.0),
    ]  # fmt: skip


@pytest.mark.parametrize("estimator", ["maf-trims", "speed-density", "absolute-load"])
@pytest.mark.parametrize("at_once", [300, 100_000])
def test_runs_together_burn_what_each_burns_alone(estimator, at_once, monkeypatch):
    runs = [columns_of(run) for run in unlike_runs()]
    batches = [FUELS["E10"] if i % 3 else None for i in range(len(runs))]
    calibration = calibrate(runs[:6], study(), fitted_samples=runs[6:])
    monkeypatch.setattr(columns.in_groups, "__defaults__", (at_once,))
    together = flow_of_each(runs, study(), estimator, calibration, batches)
    for run, batch, flow in zip(runs, batches, together, strict=True):
        alone = flow_of(run, study(), estimator, calibration, batch)
        assert flow.columns == alone.columns
        for name in flow.columns:
            np.testing.assert_array_equal(flow[name], alone[name])


def test_references_hang_on_no_grouping(monkeypatch):
    runs = [columns_of(run) for run in unlike_runs()]
    together = calibrate(runs[:6], study(), fitted_samples=runs[6:])
    monkeypatch.setattr(columns.in_groups, "__defaults__", (1,))
    assert repr(calibrate(runs[:6], study(), fitted_samples=runs[6:])) == repr(together)


def test_acceleration_reaches_from_no_run_into_another():
    rng = np.random.default_rng(3)
    runs = []
    for n, step in ((1, 1.0), (2, 1.0), (40, 1.0), (5, 1.0), (60, 0.2), (30, 1.0)):
        speed = rng.uniform(0, 90, n)
        speed[rng.random(n) < 0.2] = np.nan
        runs.append((0.37 + step * np.arange(n), speed))
    t, speed = (np.concatenate(of) for of in zip(*runs, strict=True))
    starts = np.cumsum([0, *(len(own) for own, _ in runs[:-1])])
    alone = np.concatenate([acceleration(*run) for run in runs])
    np.testing.assert_array_equal(acceleration(t, speed, starts), alone)


@pytest.mark.parametrize("kind", ["all differ", "one speed", "one pressure", "few"])
def test_surface_in_parts_is_the_surface_of_all(kind):
    rng = np.random.default_rng(8)
    n = 4 if kind == "few" else 9_001
    rpm = np.full(n, 2000.0) if kind == "one speed" else rng.uniform(700, 5000, n)
    pressure = np.full(n, 40.0) if kind == "one pressure" else rng.uniform(20, 100, n)
    y = 0.8 + rng.normal(0, 0.05, n)
    expected = np.linalg.lstsq(ve_terms(rpm, pressure), y, rcond=None)[0]
    np.testing.assert_allclose(_surface(rpm, pressure, y), expected, rtol=1e-9, atol=1e-11)
