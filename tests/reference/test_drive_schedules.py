"""Published dynamometer schedules through our own time base and integrator.

The speeds are the UDDS and HWFET of 40 CFR 86 appendix I and 40 CFR 600 appendix I, as the library
fastsim (NREL) ships them. Published totals: UDDS 1,369 s, 19.6 mph mean, 7.5 mi
(dieselnet.com/standards/cycles/ftp72.php), 7.45 mi as EPA's list of drive schedules has it (from
memory); HWFET 765 s, 10.26 mi, 48.3 mph mean (dieselnet.com/standards/cycles/hwfet.php).
"""

import numpy as np
import pandas as pd
import pytest

from roadlog.ingest.timebase import distance_km, resample, speed_scale
from roadlog.quantities.units import KM_PER_MILE

fastsim = pytest.importorskip("fastsim")

PUBLISHED = {"udds.csv": (1369, 7.45, 19.6), "hwfet.csv": (765, 10.26, 48.3)}


@pytest.fixture(params=sorted(PUBLISHED))
def schedule(request):
    cycle = fastsim.Cycle.from_resource(request.param).to_dict()
    t = np.array(cycle["time_seconds"])
    kmh = 3.6 * np.array(cycle["speed_meters_per_second"])
    return pd.DataFrame({"t_s": t, "speed_kmh": kmh}), *PUBLISHED[request.param]


def test_schedule_has_the_published_length(schedule):
    frame, seconds, miles, mph = schedule
    samples = resample(frame)
    assert samples["dt_s"].sum() == pytest.approx(seconds)
    km = distance_km(samples)
    assert km / KM_PER_MILE == pytest.approx(miles, abs=0.005)
    assert 3600 * km / seconds / KM_PER_MILE == pytest.approx(mph, abs=0.05)


@pytest.mark.parametrize("step_s", [1.0, 0.5, 0.2])
@pytest.mark.parametrize(("shortest", "longest", "tolerance"), [(0.05, 0.4, 2e-4), (0.5, 2, 4e-3)])
def test_schedule_read_at_uneven_times_has_the_same_length(
    schedule, step_s, shortest, longest, tolerance
):
    frame, seconds, miles, _ = schedule
    rng = np.random.default_rng(11)
    t = np.cumsum(rng.uniform(shortest, longest, int(2 * seconds / shortest)))
    t = np.r_[0, t[t < seconds], seconds]
    read = pd.DataFrame({"t_s": t, "speed_kmh": np.interp(t, frame["t_s"], frame["speed_kmh"])})
    samples = resample(read, step_s=step_s)
    assert samples["dt_s"].sum() == pytest.approx(seconds)
    assert distance_km(samples) / KM_PER_MILE == pytest.approx(miles, rel=tolerance + 1e-3)
    assert distance_km(samples) == pytest.approx(distance_km(resample(frame)), rel=tolerance)


def test_schedule_polled_every_other_second_in_whole_kilometres_per_hour(schedule):
    """As PID 0D gives it (J1979: 1 km/h a bit, here rounded) on a slow bus."""
    frame, _, miles, _ = schedule
    read = frame.iloc[::2].assign(speed_kmh=lambda f: f["speed_kmh"].round())
    assert distance_km(resample(read)) / KM_PER_MILE == pytest.approx(miles, rel=3e-3)


def test_hole_in_the_record_shortens_it_by_what_was_driven_in_it(schedule):
    frame, seconds, _, _ = schedule
    hole = frame["t_s"].between(200, 300, inclusive="neither")
    samples = resample(frame[~hole])
    inside = frame[frame["t_s"].between(200, 300)]
    driven = np.trapezoid(inside["speed_kmh"], inside["t_s"]) / 3600
    assert samples["dt_s"].sum() == pytest.approx(seconds - 100)
    assert distance_km(samples) == pytest.approx(distance_km(resample(frame)) - driven)


def test_clock_lag_is_found_on_the_schedule(schedule):
    frame, *_ = schedule
    late = np.interp(frame["t_s"] - 4.0, frame["t_s"], frame["speed_kmh"])
    noise = np.random.default_rng(12).normal(0, 0.7, len(late))
    samples = resample(frame.assign(gps_speed_kmh=np.maximum(late * 1.02 + noise, 0)))
    found = speed_scale(samples)
    assert found.aligned
    assert found.lag_s == pytest.approx(4.0, abs=0.3)
    assert found.factor == pytest.approx(1.02, abs=0.003)
