"""A receiver that filters its altitude shows every hill late; there and back give it away."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from roadlog.road import Network, find_network
from roadlog.road.altitude_lag import (
    LAGS_S,
    LEAST_CELLS,
    _disagreements,
    _placed,
    altitude_lag_s,
    lagged,
)
from roadlog.road.projection import centre
from roadlog.road.trace import Trace, make_trace
from tests.road.synthetic import ORIGIN, Drives, drives, elevation, to_local

BOTH_WAYS = [(r, a) for _ in range(2) for a in ("baseline", "fitted") for r in ("out", "back")]


def late(made: Drives, lag_s: int) -> Drives:
    """The same drives with altitudes that come `lag_s` later."""
    for frame in made.tracks.values():
        z = frame["altitude_m"].to_numpy()
        frame["altitude_m"] = np.append(np.full(lag_s, z[0]), z[: len(z) - lag_s])
    return made


def grade_error(network: Network) -> float:
    """Root mean square against the invented country's own grade."""
    wrong = []
    for g in network.segments:
        x, y = to_local(g.lat_deg, g.lon_deg, ORIGIN)
        wrong.append(g.grade - np.gradient(elevation(x, y), g.s_m))
    return float(np.sqrt(np.mean(np.concatenate(wrong) ** 2)))


def traces_of(made: Drives) -> list[Trace]:
    origin = centre(made.tracks.values())
    assert origin is not None
    return [make_trace(f, r, origin) for r, f in made.tracks.items()]


def lag_of(made: Drives) -> float:
    return altitude_lag_s(traces_of(made))


def plain_disagreement(traces: list[Trace], lag_s: float) -> float:
    """The same by grouping a frame, as it is said in words."""
    cells, sides, owners = _placed(traces)
    z = np.concatenate([lagged(t, lag_s) for t in traces])
    frame = pd.DataFrame({"cell": cells, "side": sides, "owner": owners, "z": z}).dropna()
    frame = frame[frame.groupby("cell")["side"].transform("nunique") == 2]
    if frame["cell"].nunique() < LEAST_CELLS:
        return float("nan")
    for _ in range(6):
        aside = frame["z"] - frame.groupby("cell")["z"].transform("mean")
        frame["z"] -= aside.groupby(frame["owner"]).transform("mean")
    means = frame.groupby(["cell", "side"])["z"].mean().unstack()
    return float(((means[1] - means[-1]) ** 2).mean())


def test_the_disagreement_is_that_of_grouped_frames_with_holes_in_the_altitudes() -> None:
    made = late(drives(BOTH_WAYS, seed=1), 8)
    for k, frame in enumerate(made.tracks.values()):
        frame.loc[frame.index[40 * k : 40 * k + 60], "altitude_m"] = np.nan
    traces = traces_of(made)
    plain = [plain_disagreement(traces, float(lag)) for lag in LAGS_S]
    assert np.isfinite(plain).all()
    np.testing.assert_allclose(_disagreements(traces), plain, rtol=1e-9)


def test_a_time_that_is_missing_costs_its_own_points_at_each_lag() -> None:
    one, *others = traces_of(drives(BOTH_WAYS, seed=2))
    t = one.t_s.copy()
    t[-40:] = np.nan
    traces = [replace(one, t_s=t), *others]
    found = _disagreements(traces)
    for k in (0, 1, 20):
        plain = plain_disagreement(traces, float(LAGS_S[k]))
        assert found[k] == pytest.approx(plain, rel=1e-9)
    assert found[0] == pytest.approx(_disagreements([one, *others])[0], rel=1e-9)


@pytest.mark.parametrize("lag_s", [5, 10, 15])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_lag_is_found_from_there_and_back(lag_s: int, seed: int) -> None:
    assert lag_of(late(drives(BOTH_WAYS, seed=seed), lag_s)) == pytest.approx(lag_s, abs=1.6)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_altitudes_that_come_in_time_are_left_alone(seed: int) -> None:
    assert lag_of(drives(BOTH_WAYS, seed=seed)) == 0.0


def test_a_road_that_is_driven_one_way_says_nothing() -> None:
    one_way = [("out", a) for _ in range(4) for a in ("baseline", "fitted")]
    assert lag_of(late(drives(one_way, seed=1), 12)) == 0.0


def test_a_flat_road_has_no_lag() -> None:
    made = drives(BOTH_WAYS, seed=1)
    for run, frame in made.tracks.items():
        frame["altitude_m"] -= elevation(*made.truth[run][:, :2].T) - 200
    assert lag_of(late(made, 12)) == 0.0


def test_the_lag_put_right_restores_the_grade() -> None:
    good = drives(BOTH_WAYS, seed=6)
    in_time = grade_error(find_network(good.tracks, good.arms))
    made = late(good, 12)
    network = find_network(made.tracks, made.arms)
    assert network.altitude_lag_s == pytest.approx(12, abs=1.6)
    assert grade_error(network) < 1.3 * in_time
