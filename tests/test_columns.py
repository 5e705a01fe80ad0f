"""A run's columns as arrays: what leaves the frame comes back into it as it was."""

import pickle

import numpy as np
import pandas as pd
import pytest

from roadlog.ingest import interpolation, timebase, twospeeds
from roadlog.quantities.columns import (
    Columns,
    Words,
    columns_of,
    frame_of,
    in_groups,
    joined,
    where_word,
)


@pytest.fixture
def frame() -> pd.DataFrame:
    return pd.DataFrame(
        {"t_s": [0.0, 1.0, 2.0], "run": 3, "rpm": [800.0, np.nan, 900.0], "segment": ["", "A", "A"]}
    )


def test_a_frame_comes_back_as_it_was(frame: pd.DataFrame) -> None:
    pd.testing.assert_frame_equal(frame_of(columns_of(frame)), frame)
    numbers = frame[["t_s", "rpm"]]
    pd.testing.assert_frame_equal(frame_of(columns_of(numbers)), numbers)


def test_words_become_the_strings_that_a_frame_would_hold(frame: pd.DataFrame) -> None:
    words = Words(np.array([0, 1, 1]), ("", "A"))
    with_words = columns_of(frame).assign(segment=words)
    pd.testing.assert_frame_equal(frame_of(with_words), frame)
    assert with_words["segment"].tolist() == ["", "A", "A"]


def test_missing_numbers_of_any_type_are_nan() -> None:
    frame = pd.DataFrame({"rpm": pd.array([1, None], dtype="Int64"), "file": ["a", "b"]})
    np.testing.assert_array_equal(columns_of(frame).floats("rpm"), [1.0, np.nan])
    assert np.isnan(columns_of(frame).floats("speed_kmh")).all()


def test_columns_go_to_another_process_without_what_was_kept(frame: pd.DataFrame) -> None:
    columns = columns_of(frame)
    columns.kept("sum", lambda: 3.0)
    there = pickle.loads(pickle.dumps(columns))
    assert there.kept("sum", lambda: 4.0) == 4.0
    pd.testing.assert_frame_equal(frame_of(there), frame)
    changed = columns.assign(rpm=1.0)
    assert changed.kept("sum", lambda: 5.0) == 5.0
    assert isinstance(changed, Columns)


def lag_by_lag(wheel: np.ndarray, gps: np.ndarray) -> np.ndarray:
    """Pearson's correlation at each lag, written out."""
    found = []
    for lag in range(-30, 31):
        a = wheel[max(0, -lag) : len(wheel) - max(0, lag)]
        b = gps[max(0, lag) : len(gps) - max(0, -lag)]
        ok = np.isfinite(a) & np.isfinite(b)
        if ok.sum() < 30:
            found.append(np.nan)
        else:
            still = np.ptp(a[ok]) == 0 or np.ptp(b[ok]) == 0
            found.append(0.0 if still else np.corrcoef(a[ok], b[ok])[0, 1])
    return np.array(found)


@pytest.mark.parametrize("kind", ["whole", "gaps", "standing", "short", "half missing"])
def test_all_lags_at_once_are_each_lag_by_itself(kind: str) -> None:
    rng = np.random.default_rng(3)
    n = 50 if kind == "short" else 400
    wheel = 60 + np.cumsum(rng.normal(0, 2, n))
    gps = np.roll(wheel, 4) + rng.normal(0, 0.5, n)
    if kind == "gaps":
        wheel[rng.random(n) < 0.1] = gps[100:150] = np.nan
    elif kind == "standing":
        wheel[:] = 0.0
    elif kind == "half missing":
        gps[: n // 2] = np.nan
    lags, r = twospeeds.correlations(wheel, gps, 1.0)
    assert lags[0] == -30
    assert len(lags) == 61
    np.testing.assert_allclose(r, lag_by_lag(wheel, gps), rtol=1e-11, atol=1e-11)


def one_by_one(t: np.ndarray, v: np.ndarray, at: np.ndarray, limit: float, hold: float) -> list:
    """A signal at each time by the rule: a line between readings within the limit, else held."""
    out = []
    for x in at:
        before, after = t[t <= x], t[t >= x]
        since = x - before[-1] if len(before) else np.inf
        until = after[0] - x if len(after) else np.inf
        if since + until <= limit:
            out.append(np.interp(x, t, v))
        elif min(since, until) <= hold:
            out.append(v[t == (before[-1] if since <= until else after[0])][0])
        else:
            out.append(np.nan)
    return out


def test_a_signal_is_interpolated_held_or_left_out_sample_by_sample() -> None:
    rng = np.random.default_rng(5)
    for _ in range(40):
        t = np.unique(np.cumsum(rng.choice([0.4, 1.0, 2.9, 3.0, 8.0], rng.integers(1, 60))))
        at = np.arange(np.floor(t[0]) - 12, t[-1] + 12, rng.choice([0.5, 1.0]))
        v, limit, hold = rng.normal(size=len(t)), rng.choice([3.0, 10.0]), rng.choice([0.0, 2.5])
        expected = one_by_one(t, v, at, limit, hold)
        np.testing.assert_array_equal(interpolation.evaluate(t, v, at, limit, hold), expected)


@pytest.mark.parametrize("seed", range(12))
def test_signals_sampled_together_are_sampled_as_each_by_itself(seed: int) -> None:
    """`resample` against the rule for one signal, for signals of every nature with gaps."""
    rng = np.random.default_rng(seed)
    n = 400
    t = np.cumsum(rng.choice([0.4, 1.0, 1.1, 2.0], n) * rng.uniform(0.9, 1.1, n))
    t[n // 2 :] += rng.choice([0.0, 8.0, 90.0])
    names = ["speed_kmh", "maf_g_s", "rpm", "coolant_temp_c", "heading_deg", "lat_deg",
             "fuel_status", "stft1_pct", "ambient_temp_c"]  # fmt: skip
    frame = pd.DataFrame({"t_s": t})
    for name in names:
        frame[name] = rng.uniform(0, 359, n)
        frame.loc[rng.random(n) < rng.choice([0.0, 0.05, 0.6, 0.97]), name] = np.nan
        first, last = rng.integers(0, 12, 2)
        frame.loc[: first - 1, name] = np.nan
        frame.loc[n - last :, name] = np.nan
    frame.loc[0, "rpm"] = frame.loc[n - 1, "rpm"] = 800.0
    if seed % 3 == 0:
        frame = frame.iloc[np.sort(rng.choice(n, n + 40))]  # rows that share their time
        frame.loc[frame.index[0], "rpm"] = 800.0
    frame["maf_g_s"] = np.nan if seed == 5 else frame["maf_g_s"]
    samples = timebase.resample(frame)
    raw = frame[frame[names].notna().any(axis=1)]
    times = timebase.spread_rounded(raw["t_s"].to_numpy())
    rows = np.unique(times)
    grid, at, dt = timebase._grid(rows, 1.0)
    edges = np.clip(np.append(grid - 0.5, grid[-1] + 0.5), rows[0], rows[-1])
    for name in names:
        status = name == "fuel_status"
        mine = timebase._readings(times, raw[name].to_numpy(), distinct=False, last=status)
        alone = interpolation.carry(name, *mine, at, edges, 1.0)
        alone[dt == 0] = np.nan
        np.testing.assert_array_equal(samples[name], alone, err_msg=name)


def test_a_word_is_found_in_codes_strings_and_objects() -> None:
    words = Words(np.array([0, 1, 1, 2]), ("cut", "metered", "missing"))
    table = Columns({"state": words}, 4)
    for kind in (table, frame_of(table), frame_of(table).astype(object)):
        assert where_word(kind, "state", "metered").tolist() == [False, True, True, False]
        assert not where_word(kind, "state", "enriched").any()


def test_joined_runs_keep_where_each_begins_and_join_what_is_asked_for() -> None:
    one, two = Columns({"rpm": np.array([800.0, 810.0])}, 2), Columns({"maf_g_s": np.ones(3)}, 3)
    both = joined([one, two]).assign(speed_kmh=0.0)
    assert both.starts.tolist() == [0, 2]
    assert both.ends.tolist() == [2, 5]
    assert [(run, rows.start) for run, rows in both.runs] == [(one, 0), (two, 2)]
    np.testing.assert_array_equal(both.floats("rpm"), [800, 810, np.nan, np.nan, np.nan])
    assert [len(group) for group in in_groups([one, two, one, one], 4)] == [2, 3, 4]
    assert next(in_groups([two])) is two
