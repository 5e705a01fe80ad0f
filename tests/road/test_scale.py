"""Cost of the road stage with many runs (by hand: pytest -m slow tests/road/test_scale.py)."""

import resource
import time

import numpy as np
import pytest

from roadlog.road import find_network, match
from tests.road import synthetic


@pytest.mark.slow
def test_a_thousand_runs_take_a_minute_and_two_gigabytes_at_most(monkeypatch) -> None:
    corners = [(x, 0.8 * (x // 2 % 2)) for x in range(0, 29, 2)]
    there = synthetic.path(*corners)
    back = synthetic.path(*[(x, y + 0.007) for x, y in corners[::-1]])
    monkeypatch.setitem(synthetic.ROUTES, "far", there)
    monkeypatch.setitem(synthetic.ROUTES, "far back", back)
    plan = [(r, a) for _ in range(5) for a in ("baseline", "fitted") for r in ("far", "far back")]
    made = synthetic.drives(plan, seed=1)
    rng = np.random.default_rng(0)
    tracks = {}
    for run in range(1000):
        frame = made.tracks[run % 20]
        noise = rng.normal(0, 3e-5, 2) + rng.normal(0, 2e-5, (len(frame), 2))
        lat, lon = frame["lat_deg"] + noise[:, 0], frame["lon_deg"] + noise[:, 1]
        tracks[run] = frame.assign(lat_deg=lat, lon_deg=lon)
    arms = {run: made.arms[run % 20] for run in tracks}
    begin = time.perf_counter()
    network = find_network(tracks, arms, segment_length_km=1.0, min_runs_per_arm=2)
    shares = [(match(t, network, r)["traversal"] >= 0).mean() for r, t in tracks.items()]
    assert time.perf_counter() - begin <= 60
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss <= 2 * 2**20
    assert np.mean(shares) > 0.9
