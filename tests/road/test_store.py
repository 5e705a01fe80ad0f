import numpy as np
import pytest

from roadlog.errors import InputError
from roadlog.road import find_network
from roadlog.road.store import SHAPE, load_network, save_network
from tests.road.synthetic import drives

ARMS = ("baseline", "fitted")
OPTIONS = {"segment_length_km": 1.0, "min_runs_per_arm": 2}
FIRST = [(r, a) for _ in range(2) for a in ARMS for r in ("out", "back")]
LATER = [
    *[("out by service road", a) for _ in range(3) for a in ARMS],
    *[("laps", a) for _ in range(2) for a in ARMS],
    *[("out", "fitted")] * 3,
]


def test_segments_keep_their_ids_when_runs_are_added_and_nothing_else_of_the_past(tmp_path) -> None:
    """The ends that an earlier network had moved a study's figures with what was analysed before:
    by a hundredth of a point, or in the eighth digit where no run had been added."""
    made = drives(FIRST + LATER, seed=41)
    few = {r: made.tracks[r] for r in range(len(FIRST))}
    before = find_network(few, made.arms, **OPTIONS)
    save_network(before, tmp_path / "network.json")
    known = load_network(tmp_path / "network.json")
    after = find_network(made.tracks, made.arms, known=known, **OPTIONS)
    again = {s.id: s for s in after.segments}
    kept = [s for s in before.segments if s.id in again]
    assert len(kept) >= len(before.segments) - 2
    for s in kept:
        for end in (0, -1):
            moved = np.hypot(
                111_200 * (s.lat_deg[end] - again[s.id].lat_deg[end]),
                71_500 * (s.lon_deg[end] - again[s.id].lon_deg[end]),
            )
            assert moved < 0.5 * s.length_m
    assert len(again) == len(after.segments)
    new = [s.id for s in after.segments if s.id not in {b.id for b in before.segments}]
    assert len(new) >= 3
    without = find_network(made.tracks, made.arms, **OPTIONS)
    for a, b in zip(without.segments, after.segments, strict=True):
        for name in SHAPE:
            assert getattr(a, name).tobytes() == getattr(b, name).tobytes()
    same = find_network(few, made.arms, known=known, **OPTIONS)
    assert [s.id for s in same.segments] == [s.id for s in before.segments]


def test_a_network_survives_its_file(tmp_path) -> None:
    made = drives(FIRST, seed=42)
    network = find_network(made.tracks, made.arms, **OPTIONS)
    save_network(network, tmp_path / "network.json")
    back = load_network(tmp_path / "network.json")
    assert [s.id for s in back.segments] == [s.id for s in network.segments]
    for a, b in zip(network.segments, back.segments, strict=True):
        np.testing.assert_allclose(a.lat_deg, b.lat_deg, atol=1e-8)
        np.testing.assert_allclose(a.grade, b.grade, atol=1e-7)


def test_a_spoilt_network_file_is_named(tmp_path) -> None:
    path = tmp_path / "network.json"
    path.write_text('{"kind": "road"}')
    with pytest.raises(InputError, match=r"network.json: not a network .* delete it"):
        load_network(path)
