"""Stages on plain arrays against the same written out: equal on networks that chance drew."""

import numpy as np
import pandas as pd
import pytest
from scipy.ndimage import gaussian_filter1d

from roadlog.passes.conditions import add_conditions
from roadlog.passes.sky import rain_between, sky_of, weather_at
from roadlog.physics.atmosphere import WEATHER_REACH
from roadlog.quantities.columns import columns_of, frame_of
from roadlog.road import find_network, placed, placed_each
from roadlog.road.alignment import HEADING_M, SEARCH_M, Points, make_line
from roadlog.road.projection import _plane, to_geographic
from roadlog.road.trace import make_traces
from roadlog.study.car import Vehicle
from tests.road.towns import SETTINGS, driven


@pytest.mark.parametrize("seed", range(20))
def test_the_nearest_vertex_is_that_of_a_search_through_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    turn = np.cumsum(rng.normal(0, rng.choice([0.02, 0.2, 1.0]), 400)) + rng.uniform(0, 7)
    line = make_line(np.cumsum(20 * np.cos(turn)), np.cumsum(20 * np.sin(turn)))
    near = rng.integers(0, len(line.s_m), 4000)
    x, y = (c[near] + rng.normal(0, 40, 4000) for c in (line.x_m, line.y_m))
    angle = rng.uniform(-np.pi, np.pi, 4000)
    hx, hy = np.cos(angle), np.sin(angle)
    axes = [[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]]
    hx[:4], hy[:4] = np.transpose(axes)
    query = np.column_stack([x, y, HEADING_M * hx, HEADING_M * hy])
    vertices = np.column_stack([line.x_m, line.y_m, HEADING_M * line.tx, HEADING_M * line.ty])
    away = np.linalg.norm(query[:, None] - vertices, axis=2)
    expected = np.where(away.min(axis=1) < SEARCH_M, away.argmin(axis=1), -1)
    points = Points(near, near * 20.0, x, y, hx, hy, np.ones(len(near), bool))
    guess = line.around.guess(points)
    assert (expected[guess < 0] == -1).all()
    assert (guess < 0).any()
    assert (expected >= 0).any()
    np.testing.assert_array_equal(line.nearest(query, np.maximum(guess, 0)), expected)


def weather(zone: str | None, seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    start = pd.Timestamp("2026-03-01", tz=zone)
    time = start + pd.to_timedelta(np.sort(rng.uniform(0, 20 * 86400, 300)).round(), unit="s")
    table = pd.DataFrame({"time": rng.permutation(time)})
    for name in ("temp_c", "wind_speed_m_s", "wind_from_deg", "rain_mm"):
        table[name] = rng.uniform(0, 9, 300)
        table.loc[rng.random(300) < 0.3, name] = np.nan
    table.loc[table["rain_mm"] < 6, "rain_mm"] = 0.0
    return table


@pytest.mark.parametrize("zones", [(None, None), ("Europe/Vienna", "UTC"), ("UTC", None)])
def test_weather_of_a_sample_is_that_between_the_reports_around_it(zones: tuple) -> None:
    for seed in range(3):
        table = weather(zones[0], seed)
        start = pd.Timestamp(f"2026-03-0{seed + 1} 07:00", tz=zones[1])
        t = np.arange(0, 7200, 600.0)
        air = weather_at(t, start, sky_of(table))
        rain = rain_between(t - 7200, t, start, sky_of(table))
        times, begin = table["time"], start
        if zones[0] is None or zones[1] is None:
            times, begin = times.dt.tz_localize(None), start.tz_localize(None)
        clock = (times - begin).dt.total_seconds()
        for i, now in enumerate(t):
            told = table.assign(clock=clock).dropna(subset="temp_c").sort_values("clock")
            near = (told["clock"] - now).abs().min() <= WEATHER_REACH.total_seconds()
            expected = np.interp(now, told["clock"], told["temp_c"]) if near else np.nan
            assert air["temp_c"][i] == pytest.approx(expected, rel=1e-9, nan_ok=True)
            mine = table[(clock >= now - 7200) & (clock <= now)]["rain_mm"].dropna()
            wet = float((mine > 0).any()) if len(mine) else np.nan
            assert rain[i] == pytest.approx(wet, nan_ok=True)


def test_a_study_without_weather_and_one_without_rows_are_alike() -> None:
    track = pd.DataFrame({"t_s": [0.0, 1.0], "dt_s": 1.0, "speed_kmh": 72.0, "grade": 0.01})
    none = pd.DataFrame({"time": pd.to_datetime([]), "temp_c": []})
    start = pd.Timestamp("2026-03-02 07:00")
    bare = add_conditions(track, Vehicle(), start=start)
    pd.testing.assert_frame_equal(add_conditions(track, Vehicle(), start=start, weather=none), bare)


def _same(one: pd.DataFrame, two: pd.DataFrame) -> None:
    pd.testing.assert_frame_equal(one, two, check_exact=True)


def _placed_alike(seed: int, sizes: tuple[int, ...]) -> None:
    made = driven(SETTINGS[seed % len(SETTINGS)], seed)
    network = find_network(made.tracks, made.arms, segment_length_km=1.0, min_runs_per_arm=2)
    some = dict(made.tracks)
    nowhere = some[0].assign(lat_deg=np.nan, lon_deg=np.nan)
    some |= {900: nowhere, 901: some[0].iloc[:1], 902: some[0].assign(lat_deg=50.0, lon_deg=8.0)}
    some |= {903: some[1].drop(columns=["lat_deg", "lon_deg"]), 904: some[1].iloc[:0]}
    alone = {r: frame_of(placed(columns_of(t), network, r)) for r, t in some.items()}
    for size in sizes:
        told = [(r, columns_of(t)) for r, t in some.items()]
        together = dict(placed_each(iter(told), network, size))
        assert list(together) == list(some)
        for run, expected in alone.items():
            _same(frame_of(together[run]), expected)


def test_runs_placed_together_are_placed_as_each_alone() -> None:
    _placed_alike(3, (1, 2_000, 10**6))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(20))
def test_runs_of_twenty_towns_placed_together_are_placed_as_each_alone(seed: int) -> None:
    _placed_alike(seed, (5_000, 10**6))


def test_smoothed_traces_are_those_of_the_plain_filters() -> None:
    """The trace against `numpy.interp` and scipy's filters, run by run."""
    rng = np.random.default_rng(4)
    tracks = []
    for noise, every in [(0.5, 1), (25.0, 1), (3.0, 1), (1.0, 4)]:
        t = np.arange(0.0, 400.0, every)
        drive = pd.DataFrame({"t_s": t, "speed_kmh": 36 + 30 * np.sin(t / 40)})
        drive["lat_deg"] = 50 + 9e-6 * (10 * t + rng.normal(0, noise, len(t)))
        drive["lon_deg"] = 8 + 1.4e-5 * (200 * np.sin(t / 60) + rng.normal(0, noise, len(t)))
        tracks.append(drive)
    traces = make_traces(tracks, [0, 1, 2, 3], (50.0, 8.0))
    for drive, trace in zip(tracks, traces, strict=True):
        x, y = _plane((50.0, 8.0))(drive["lon_deg"].to_numpy(), drive["lat_deg"].to_numpy())
        place = np.floor(trace.sample_d_m / 4)
        d = pd.Series(trace.sample_d_m).groupby(place).mean().to_numpy()
        means = [pd.Series(c).groupby(place).mean().to_numpy() for c in (x, y)]
        grid = np.arange(np.ceil(d[0]), d[-1], 10.0)
        if np.median(np.diff(d)) > 30:
            continue
        rough = np.array([np.interp(grid, d, c) for c in means])
        wide, narrow = (gaussian_filter1d(rough, sigma, mode="nearest") for sigma in (2.0, 1.2))
        heading = np.gradient(wide, axis=1)[:, ::2]
        found = narrow if np.median(np.abs(rough - wide)) <= 3.5 else wide
        np.testing.assert_allclose(trace.d_m, grid[::2], rtol=0, atol=0)
        np.testing.assert_allclose([trace.x_m, trace.y_m], found[:, ::2], rtol=0, atol=1e-8)
        np.testing.assert_allclose(
            [trace.hx, trace.hy], heading / np.hypot(*heading), rtol=0, atol=1e-9
        )


def test_a_run_that_drew_the_network_is_placed_by_the_trace_that_it_had_there() -> None:
    made = driven(SETTINGS[1], 8)
    tracks = {r: columns_of(t) for r, t in made.tracks.items()}
    network = find_network(tracks, made.arms, segment_length_km=1.0, min_runs_per_arm=2)
    assert network.origin is not None
    for run, track in tracks.items():
        had = make_traces([track], [run + 1], network.origin, profile=False)[0]
        assert had.run == run + 1
        assert len(had.t_s) == len(had.d_m) > 0
        elsewhere = make_traces([track], [run], (0.0, 0.0), profile=False)[0]
        assert not len(elsewhere.t_s)
        anew = frame_of(placed(columns_of(made.tracks[run]), network, run))
        _same(frame_of(placed(track, network, run)), anew)


def test_lines_for_the_map_are_the_traces_in_degrees() -> None:
    made = driven(SETTINGS[0], 1)
    network = find_network(made.tracks, made.arms, segment_length_km=1.0, min_runs_per_arm=2)
    assert list(network.lines) == list(made.tracks)
    assert 900 not in network.lines
    assert network.origin is not None
    (trace,) = make_traces([made.tracks[3]], [3], network.origin)
    expected = to_geographic(trace.x_m, trace.y_m, network.origin)
    np.testing.assert_array_equal(network.lines[3], expected)
    assert network.lines[3] is network.lines.get(3)
