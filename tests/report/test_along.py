"""A drive along its road: stops and gaps at their places, spikes marked, nothing made up."""

import re

import numpy as np
import pandas as pd
import pytest

from roadlog.report.along import CELLS, HEIGHT, SHADES, WIDTH, Along, along


def _samples(n: int = 3600, **columns: object) -> pd.DataFrame:
    """An hour at 60 km/h: 60 km."""
    steady = {"t_s": np.arange(float(n)), "dt_s": 1.0, "speed_kmh": 60.0}
    return pd.DataFrame({**steady, **columns})


def _columns(d: str) -> list[tuple[float, float, float]]:
    """Left, right and height of each column of a path."""
    found = re.findall(r"M([\d.]+) ([\d.]+)V([\d.]+)H([\d.]+)V", d)
    return [(float(a), float(b), float(low) - float(high)) for a, low, high, b in found]


def _covered(d: str) -> float:
    return sum(b - a for a, b, _ in _columns(d)) / WIDTH


def _ribbon(drive: Along, name: str):
    return next(r for r in drive.ribbons if r.name == name)


def test_a_steady_drive_is_one_block_with_round_kilometres_below():
    drive = along(_samples())
    assert _columns(drive.known) == [(0, WIDTH, HEIGHT)]
    assert (drive.in_part, drive.lets, drive.words) == ("", (), "60.0 km, no stop")
    assert [(m.text, round(m.left)) for m in drive.marks[:3]] == [("0", 0), ("10", 17), ("20", 33)]


def test_half_the_time_at_a_crawl_is_little_of_the_road():
    samples = _samples()
    samples.loc[:1799, "speed_kmh"] = 6.0  # 3 km, and then 30
    drive = along(samples)
    low = [c for c in _columns(drive.known) if c[2] < HEIGHT / 2]
    assert sum(b - a for a, b, _ in low) / WIDTH == pytest.approx(3 / 33, abs=2 / CELLS)


def test_a_stop_stands_at_its_place_with_its_time():
    samples = _samples(3660)
    samples.loc[1800:1859, "speed_kmh"] = 0.0
    drive = along(samples)
    (stop,) = drive.lets
    assert (stop.kind, stop.text) == ("stop", "60 s")
    assert stop.left == pytest.approx(100 * 30 / 60.5, abs=0.1)
    assert stop.width == pytest.approx(100 * 0.5 / 60.5, abs=0.1)
    assert drive.words == "60.0 km, 1 stop of 60 s"


def test_a_gap_is_drawn_as_one_and_nothing_stands_in_it():
    samples = _samples(rpm=2000.0)
    samples.loc[1000:1999, ["dt_s", "speed_kmh", "rpm"]] = [0.0, np.nan, np.nan]
    drive = along(samples)
    (gap,) = drive.lets
    assert (gap.kind, gap.text) == ("gap", "17 min")
    left, right = WIDTH * gap.left / 100, WIDTH * (gap.left + gap.width) / 100
    step = WIDTH / CELLS
    for d in (drive.known, *_ribbon(drive, "engine speed").shades):
        assert not [c for c in _columns(d) if left + step < c[0] < right - step]
    assert "1 gap of 17 min" in drive.words


def test_a_night_in_the_log_does_not_push_the_drive_off_the_page():
    samples = pd.concat([_samples(), _samples().assign(t_s=lambda f: f["t_s"] + 40_000)])
    samples = samples.reset_index(drop=True)
    samples.loc[3599, ["dt_s", "speed_kmh"]] = [0.0, np.nan]
    (gap,) = along(samples).lets
    assert gap.text == "10.1 h"
    assert gap.width == pytest.approx(100 / 11, abs=0.1)


def test_a_stretch_whose_fuel_is_unknown_is_drawn_as_such():
    samples = _samples(maf_g_s=12.0)
    samples.loc[900:1799, "maf_g_s"] = np.nan
    drive = along(samples, ("speed_kmh", "maf_g_s"))
    assert _covered(drive.in_part) == pytest.approx(0.25, abs=1 / CELLS)
    assert _covered(drive.known) == pytest.approx(0.75, abs=1 / CELLS)
    assert _covered("".join(_ribbon(drive, "air flow").shades)) == pytest.approx(0.75, abs=0.01)


def test_a_needed_signal_that_was_never_logged_leaves_nothing_known():
    drive = along(_samples(), ("speed_kmh", "maf_g_s"))
    assert drive.known == ""
    assert _covered(drive.in_part) == 1


def test_a_spike_of_one_sample_is_marked_and_a_warming_engine_is_not():
    volts = np.full(3600, 14.1)
    volts[1800] = 2.0
    t = np.arange(3600)
    drive = along(_samples(supply_voltage_v=volts, coolant_temp_c=np.minimum(10 + t / 10, 90.0)))
    (at,) = re.findall(r"M([\d.]+) 0V24", _ribbon(drive, "supply voltage").far)
    assert float(at) == pytest.approx(WIDTH / 2, abs=WIDTH / CELLS)
    assert _ribbon(drive, "coolant").far == ""
    assert _ribbon(drive, "supply voltage").low == "2.0"


def test_jumps_of_one_step_of_a_coarse_sensor_are_not_marked():
    volts = np.full(3600, 14.1)
    volts[::400] = 14.0
    assert _ribbon(along(_samples(supply_voltage_v=volts)), "supply voltage").far == ""


def test_a_speed_spike_stays_visible_in_the_range_of_its_cell():
    samples = _samples()
    samples.loc[1800, "speed_kmh"] = 120.0
    drive = along(samples)
    assert drive.top_kmh == "120"
    (cap,) = _columns(drive.range)
    assert cap[2] == HEIGHT / 2
    assert cap[0] <= WIDTH / 2 <= cap[1] + 1


def test_a_rising_signal_goes_through_all_shades_and_a_stuck_one_has_one():
    drive = along(_samples(altitude_m=np.linspace(90, 220, 3600), supply_voltage_v=14.1))
    assert all(_ribbon(drive, "altitude").shades)
    assert _covered("".join(_ribbon(drive, "altitude").shades)) == pytest.approx(1)
    stuck = [d for d in _ribbon(drive, "supply voltage").shades if d]
    assert len(stuck) == 1
    assert len(_ribbon(drive, "altitude").shades) == SHADES


def test_seldom_known_is_thin():
    rpm = np.full(3600, np.nan)
    rpm[::4] = 2000.0
    (column,) = _columns("".join(_ribbon(along(_samples(rpm=rpm)), "engine speed").shades))
    assert column[2] == 24 / 4


def test_positions_have_a_ribbon_without_a_place_in_it():
    drive = along(_samples(lat_deg=45.0, lon_deg=7.0))
    ribbon = _ribbon(drive, "position")
    assert (ribbon.low, ribbon.middle, ribbon.high, ribbon.far) == ("", "", "", "")


@pytest.mark.parametrize(
    "samples",
    [
        _samples(1),
        _samples(2, speed_kmh=0.0),
        _samples(40),
        _samples(speed_kmh=np.nan, rpm=800.0),
        _samples(speed_kmh=0.0),
        _samples(speed_kmh=0.0, dt_s=0.0),
        _samples().drop(columns="speed_kmh").assign(rpm=2000.0),
        _samples(speed_kmh=np.where(np.arange(3600) % 2, 0.9, 1.1)),
    ],
    ids=["one row", "two", "short", "no speed known", "parked", "all gap", "no speed", "creeping"],
)
def test_odd_runs_are_drawn_within_the_field(samples):
    drive = along(samples)
    for d in (drive.known, drive.in_part, *(s for r in drive.ribbons for s in r.shades)):
        assert all(0 <= a < b <= WIDTH and 0 <= h <= HEIGHT for a, b, h in _columns(d))
    for let in drive.lets:
        assert 0 <= let.left <= let.left + let.width <= 100.02
    assert "nan" not in repr(drive)
