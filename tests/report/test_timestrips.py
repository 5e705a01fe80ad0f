"""Strip charts: spikes stay, gaps are never bridged, pages stay small."""

import re

import numpy as np
import pandas as pd

from roadlog.report.timestrips import COLUMNS, HEIGHT, WIDTH, run_strips


def _samples(n: int = 3000) -> pd.DataFrame:
    t = np.arange(float(n))
    return pd.DataFrame({"t_s": t, "dt_s": 1.0, "speed_kmh": 50 + 10 * np.sin(t / 30)})


def _points(d: str) -> np.ndarray:
    return np.array([[float(v) for v in p.split()] for p in re.findall(r"[ML]([^ML]+)", d)])


def test_a_spike_of_one_sample_stays_visible_in_a_thinned_line() -> None:
    samples = _samples()
    samples.loc[1500, "speed_kmh"] = 120
    (strip,) = run_strips(samples).strips
    points = _points(strip.lines[0].d)
    assert len(points) <= 2 * COLUMNS
    assert points[:, 1].min() == 0
    assert abs(points[points[:, 1].argmin(), 0] - WIDTH / 2) < 2
    assert (strip.low, strip.high) == ("0", "120")


def test_a_gap_breaks_the_line_and_is_shaded() -> None:
    samples = _samples()
    samples.loc[1000:1999, ["dt_s", "speed_kmh"]] = [0.0, np.nan]
    run = run_strips(samples)
    d = run.strips[0].lines[0].d
    assert d.count("M") == 2
    x = _points(d)[:, 0]
    assert not ((x > 340) & (x < 660)).any()
    ((left, width),) = run.gaps
    assert (round(left), round(width)) == (333, 333)


def test_a_line_stays_inside_its_strip_and_a_constant_one_in_its_middle() -> None:
    samples = _samples().assign(supply_voltage_v=14.1)
    speed, voltage = run_strips(samples).strips
    for strip in (speed, voltage):
        points = _points(strip.lines[0].d)
        assert points.min() >= 0
        assert points[:, 1].max() <= HEIGHT
        assert points[:, 0].max() <= WIDTH
    assert set(_points(voltage.lines[0].d)[:, 1]) == {HEIGHT / 2}


def test_signals_that_were_not_logged_have_no_strip() -> None:
    samples = _samples().assign(rpm=np.nan)
    assert [s.subject for s in run_strips(samples).strips] == ["Speed"]


def test_marks_are_round_minutes() -> None:
    marks = run_strips(_samples(3001)).marks
    assert [m.text for m in marks] == ["0", "10", "20", "30", "40", "50"]
    assert marks[-1].left == 100
