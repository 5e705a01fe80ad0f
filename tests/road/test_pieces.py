"""Runs without positions cut by wheel distance: one route, there and back, and runs gone astray."""

import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.analysis.analyse import analyse
from roadlog.check import check_study
from roadlog.errors import DesignError, InputError
from roadlog.plan.register import changes, choices_of
from roadlog.report import write_results
from roadlog.road import Network, find_pieces, match
from roadlog.runs.routes import routes_of
from roadlog.runs.table import study_sources
from roadlog.study.folder import load_study
from roadlog.study.settings import RoadRule, parse_study

ROUTE_M = 8000.0
ARMS = ("baseline", "fitted")
# speed limits by place, with one village
LIMITS_KMH = np.array([50, 80, 80, 100, 100, 100, 50, 30, 50, 80, 100, 100, 80, 50, 50, 30])


def drive(seed: int, *, back: bool = False, wheels: float = 1.0, detour_m: float = 0.0):
    """One drive at 1 Hz by the limits, a stop somewhere, standing at both ends."""
    rng = np.random.default_rng(seed)
    limits = LIMITS_KMH[::-1] if back else LIMITS_KMH
    at, speed, d = rng.uniform(0.2, 0.9) * ROUTE_M, [0.0] * 5, 0.0
    v, waits = 0.0, 20
    while d < ROUTE_M + detour_m:
        place = min(int(d / ROUTE_M * len(limits)), len(limits) - 1)
        aim = limits[place] * rng.normal(1, 0.03)
        if abs(d - at) < 15 and waits:
            aim, waits = 0.0, waits - 1
        v += np.clip(aim - v, -8, 6)
        v = max(v, 0.0 if aim == 0 else 5.0)
        d += v / 3.6
        speed.append(v)
    speed += [0.0] * 5
    n = len(speed)
    return pd.DataFrame(
        {
            "t_s": np.arange(float(n)), "dt_s": 1.0, "speed_kmh": wheels * np.array(speed),
            "fuel_flow_g_s": 0.5, "fuel_flow_low_g_s": 0.5, "fuel_flow_high_g_s": 0.5,
            "fuel_state": "metered",
        }
    )  # fmt: skip


def drives(n: int = 8, **of_run: dict[str, object]) -> dict[int, pd.DataFrame]:
    return {r: drive(r, **of_run.get(f"r{r}", {})) for r in range(n)}  # type: ignore[arg-type]


def cut(tracks: dict[int, pd.DataFrame], routes: dict[int, str] | None = None) -> Network:
    arms = {r: ARMS[r % 2] for r in tracks}
    return find_pieces(tracks, arms, routes or dict.fromkeys(tracks, "route"))


def test_a_route_is_cut_into_pieces_of_about_the_asked_length() -> None:
    network = cut(drives())
    assert network.kind == "distance"
    assert [s.id for s in network.segments] == [f"route {i:02d}" for i in range(1, 9)]
    assert network.segments[0].length_m == pytest.approx(1000, rel=0.02)
    assert not network.off


def test_wheels_with_little_air_come_to_the_last_piece_at_the_same_place() -> None:
    """1 % less radius counts 1 % more distance, which would be 70 m by there."""
    entered = []
    for tracks in (drives(), drives(r3={"wheels": 1.01})):
        on = match(tracks[3], cut(tracks), 3)
        entered.append(on.loc[on["segment"] == "route 08", "t_s"].iloc[0])
    assert entered[1] == pytest.approx(entered[0], abs=1)


def test_standing_at_both_ends_is_on_no_piece_and_grade_is_unknown() -> None:
    tracks = drives()
    on = match(tracks[0], cut(tracks), 0)
    assert (on["segment"].iloc[[0, 1, -1, -2]] == "").all()
    assert (on["traversal"].iloc[[0, -1]] == -1).all()
    assert (on["grade"] == 0).all()
    assert on.loc[on["segment"] != "", "traversal"].is_monotonic_increasing


def test_a_run_of_another_length_is_off_the_route_with_its_length_told() -> None:
    tracks = drives(r2={"detour_m": 600.0})
    network = cut(tracks)
    assert set(network.off) == {2}
    assert "8.6" in str(network.off[2])
    assert (match(tracks[2], network, 2)["segment"] == "").all()


def test_another_parking_place_is_the_same_route() -> None:
    assert not cut(drives(r2={"detour_m": 90.0})).off


def test_runs_of_many_lengths_share_no_route() -> None:
    away = {f"r{r}": {"detour_m": 500.0 * r} for r in range(8)}
    with pytest.raises(DesignError, match="share no one route"):
        cut(drives(**away))


def test_there_and_back_under_one_name_is_refused() -> None:
    both = {f"r{r}": {"back": True} for r in range(1, 8, 2)}
    with pytest.raises(DesignError, match="two groups of 4 and 4"):
        cut(drives(**both))


def test_there_and_back_by_name_are_two_routes() -> None:
    both = {f"r{r}": {"back": True} for r in range(4, 8)}
    names = {r: "out" if r < 4 else "back" for r in range(8)}
    ids = [s.id for s in cut(drives(**both), names).segments]
    assert ids == [f"{n} {i:02d}" for n in ("out", "back") for i in range(1, 9)]


def test_a_route_of_one_arm_is_left_out() -> None:
    names = {0: "out", 2: "out", 4: "out", **dict.fromkeys((1, 3, 5, 6, 7), "back")}
    network = cut(drives(), {**names, 0: "back"})
    assert {s.id.split()[0] for s in network.segments} == {"back"}
    assert "0 fitted" in str(network.off[2])
    with pytest.raises(DesignError, match="often enough in both arms"):
        cut({r: t for r, t in drives().items() if r % 2 == 0})


RUNS = pd.DataFrame(
    {"run": [0, 1, 2], "file": ["logs/a.csv", "logs/b.csv", "logs/c.csv"], "day": "2026-03-02"}
)


def test_notes_tell_the_route_of_each_drive() -> None:
    notes = pd.DataFrame({"file": ["a.csv", "b.csv"], "route": ["out", "back"]})
    rule = RoadRule(same_route=True)
    assert routes_of(rule, RUNS, notes) == {0: "out", 1: "back", 2: ""}
    assert routes_of(rule, RUNS, None) == dict.fromkeys(range(3), "route")


@pytest.mark.parametrize(
    ("patterns", "says"),
    [({"out": ("d*.csv",)}, "no log fits"), ({"out": ("*.csv",), "back": ("b.csv",)}, "fits the")],
)
def test_patterns_that_fit_no_log_or_two_routes_are_refused(patterns, says) -> None:
    with pytest.raises(InputError, match=says):
        routes_of(RoadRule(same_route=patterns), RUNS, None)


def test_routes_are_registered_only_where_there_are_any() -> None:
    plain = choices_of(parse_study(""))
    named = choices_of(parse_study('[road]\nsame_route = { out = "*_out.csv" }'))
    assert "road" not in plain
    assert any("same_route" in c for c in changes(plain, named))


@pytest.fixture
def commute(study_without_positions: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "commute"
    shutil.copytree(
        study_without_positions, folder, ignore=shutil.ignore_patterns("computed", "results")
    )
    return folder


def told(folder: Path, rule: str):
    path = folder / "study.toml"
    path.write_text(path.read_text() + f"\n[road]\nsame_route = {rule}\n")
    study = load_study(folder)
    return study, study_sources(folder, study)


def test_a_commute_without_positions_is_compared_by_pieces_and_reported(commute, tmp_path) -> None:
    study, sources = told(commute, '{ out = "*_out.csv", back = "*_back.csv" }')
    whole = analyse(study.model_copy(update={"road": RoadRule()}), sources)
    done = analyse(study, sources)
    assert len(done.network.segments) == 34
    assert done.passes["used"].mean() > 0.95
    assert width(done) < 1.2 * width(whole)
    assert done.effect.primary.low < 0.6 < done.effect.primary.high
    write_results(done, tmp_path / "out")
    assert "by the distance that the wheels turned" in (tmp_path / "out/map.html").read_text()
    assert (tmp_path / "out/report.html").stat().st_size > 10_000


def width(done) -> float:
    return done.effect.primary.high - done.effect.primary.low


def test_a_commute_said_to_be_one_route_is_refused(commute) -> None:
    study, sources = told(commute, "true")
    with pytest.raises(DesignError, match="there and back"):
        analyse(study, sources)
    check = check_study(study, sources)
    assert all("cut by wheel distance" in str(r.findings) for r in check.runs)


def test_positions_make_it_needless_and_that_is_told(demo_study, tmp_path) -> None:
    folder = tmp_path / "located"
    shutil.copytree(demo_study, folder, ignore=shutil.ignore_patterns("computed", "results"))
    done = analyse(*told(folder, "true"))
    assert done.network.kind == "road"
    assert "same-route-unused" in {w.code for w in done.warnings}


def hilly(seed: int, level_m: float) -> pd.DataFrame:
    """A drive over one hill of 40 m, by a barometric altimeter off by `level_m`."""
    track = drive(seed)
    d = np.cumsum(track["speed_kmh"].to_numpy() / 3.6)
    rng = np.random.default_rng(seed)
    height = level_m + 40 * np.exp(-(((d - 3000) / 900) ** 2)) + rng.normal(0, 1.0, len(d))
    return track.assign(altitude_m=height)


def test_altitude_without_positions_gives_one_grade_for_both_arms() -> None:
    """Known in the fitted runs alone it serves the baseline too: no difference between the arms."""
    tracks = {r: hilly(r, 5.0 * r) if r % 2 else drive(r) for r in range(8)}
    arms = {r: ARMS[r % 2] for r in range(8)}
    network = find_pieces(tracks, arms, dict.fromkeys(tracks, "out"))
    flow = dict.fromkeys(("fuel_flow_g_s", "fuel_flow_low_g_s", "fuel_flow_high_g_s"), 0.7)
    placed = {
        r: match(t.assign(**flow, fuel_state="metered"), network, r) for r, t in tracks.items()
    }
    for track in placed.values():
        d, grade = track["d_m"].to_numpy(), track["grade"].to_numpy()
        rising = (d > 1800) & (d < 2700)
        assert 0.02 < grade[rising].mean() < 0.035
        assert np.trapezoid(grade, d) == pytest.approx(0.0, abs=3.0)


def test_without_altitude_no_grade_is_made_up() -> None:
    tracks = {r: drive(r) for r in range(4)}
    network = find_pieces(tracks, {r: ARMS[r % 2] for r in tracks}, dict.fromkeys(tracks, "out"))
    assert all(len(g.grade) == 0 for g in network.segments)
