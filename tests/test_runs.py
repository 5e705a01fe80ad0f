"""Which file is which run: arms, days, switch units, order, and what is refused."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.errors import DesignError, InputError
from roadlog.ingest import Log
from roadlog.runs.table import (
    Sources,
    build_runs,
    pile_sources,
    read_logs,
    require_both_arms,
    study_sources,
)
from roadlog.study.settings import Study, parse_study

PLAN = parse_study(
    """
[schedule]
unit = [
  { unit = 2026-03-02, arm = "baseline", block = 1 },
  { unit = 2026-03-03, arm = "fitted", block = 1, also = [2026-03-05] },
]
"""
)


def log_at(folder: Path, name: str, start: str | None) -> Log:
    path = folder / name
    path.write_text(f"{name} {start}")
    frame = pd.DataFrame({"t_s": np.arange(3.0), "speed_kmh": 36.0})
    return Log(path, frame, None if start is None else pd.Timestamp(start), altitude_datum=None)


def table(folder: Path, study: Study, rows: list[tuple], unit: str = "day") -> pd.DataFrame:
    """Rows are (name, start, arm)."""
    logs = [log_at(folder, name, start) for name, start, _ in rows]
    sources = Sources(tuple((x.path, arm) for x, (_, _, arm) in zip(logs, rows, strict=True)))
    return build_runs(study, sources, logs, unit)


def test_runs_stand_in_order_of_start_and_point_back_at_their_logs(tmp_path):
    rows = [("b.csv", "2026-03-03 07:00", None), ("a.csv", "2026-03-02 16:00", None),
            ("c.csv", "2026-03-02 07:00", None)]  # fmt: skip
    runs = table(tmp_path, PLAN, rows)
    assert runs["file"].tolist() == ["c.csv", "a.csv", "b.csv"]
    assert runs["run"].tolist() == [0, 1, 2]
    assert runs["log"].tolist() == [2, 1, 0]
    assert runs["arm"].tolist() == ["baseline", "baseline", "fitted"]
    assert runs["block"].tolist() == ["1", "1", "1"]


def test_a_later_day_in_the_same_state_belongs_to_its_unit(tmp_path):
    rows = [("a.csv", "2026-03-03 07:00", None), ("b.csv", "2026-03-05 07:00", None)]
    runs = table(tmp_path, PLAN, rows)
    assert runs["switch_unit"].tolist() == ["2026-03-03", "2026-03-03"]
    assert runs["day"].tolist() == ["2026-03-03", "2026-03-05"]


def test_each_unbroken_stretch_in_one_arm_is_a_unit(tmp_path):
    arms = ["baseline", "baseline", "fitted", "baseline"]
    rows = [(f"{i}.csv", f"2026-03-0{i + 1} 07:00", a) for i, a in enumerate(arms)]
    units = table(tmp_path, Study(), rows, "stretch")["switch_unit"]
    assert units.tolist() == ["stretch 1", "stretch 1", "stretch 2", "stretch 3"]


def test_switched_by_run_each_file_is_a_unit_and_needs_no_date(tmp_path):
    rows = [("b.csv", None, "fitted"), ("a.csv", None, "baseline")]
    runs = table(tmp_path, Study(), rows, "run")
    assert runs["file"].tolist() == ["a.csv", "b.csv"]
    assert runs["switch_unit"].tolist() == ["a.csv", "b.csv"]
    assert runs["day"].tolist() == ["a.csv", "b.csv"]


@pytest.mark.parametrize(
    ("rows", "unit", "says"),
    [
        ([("a.csv", "2026-03-04 07:00", None)], "day", "no switch unit for this log"),
        ([("a.csv", None, None)], "day", "which has no date"),
        ([("a.csv", "2026-03-02 07:00", "fitted")], "day", "listed as fitted but scheduled as"),
        ([("a.csv", None, "fitted"), ("b.csv", None, "baseline")], "day", "--switched-by run"),
        (
            [("a.csv", "2026-04-01 07:00", "fitted"), ("b.csv", "2026-04-01 08:00", "baseline")],
            "day",
            "both arms were driven on 2026-04-01",
        ),
    ],
)
def test_what_leaves_arm_or_unit_in_doubt_is_refused(tmp_path, rows, unit, says):
    with pytest.raises(InputError, match=says):
        table(tmp_path, PLAN, rows, unit)


def test_one_drive_under_two_names_is_refused(tmp_path):
    logs = [log_at(tmp_path, n, f"2026-03-0{i + 2} 07:00") for i, n in enumerate("ab")]
    logs[1].path.write_bytes(logs[0].path.read_bytes())
    sources = Sources(tuple((x.path, "baseline") for x in logs))
    with pytest.raises(InputError, match="a and b are the same log"):
        build_runs(Study(), sources, logs, "run")


def test_piles_take_logs_and_tracks_apart_and_skip_hidden_and_foreign_files(tmp_path):
    for name in ("out/1.csv", "out/sub/2.LOG", "out/way.gpx", "out/.3.csv", "out/photo.png",
                 "in/4.txt"):  # fmt: skip
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(name)
    got = pile_sources([tmp_path / "out"], [tmp_path / "in" / "4.txt"])
    assert [(p.name, arm) for p, arm in got.runs] == [
        ("1.csv", "baseline"), ("2.LOG", "baseline"), ("4.txt", "fitted"),
    ]  # fmt: skip
    assert [p.name for p in got.tracks] == ["way.gpx"]
    assert got.shown(tmp_path / "out" / "1.csv") == "1.csv"


def test_piles_that_share_lack_or_miss_a_file_are_refused(tmp_path):
    (tmp_path / "a.csv").write_text("a")
    (tmp_path / "way.gpx").write_text("w")
    with pytest.raises(InputError, match="is given twice"):
        pile_sources([tmp_path / "a.csv"], [tmp_path / "a.csv"])
    with pytest.raises(InputError, match="--fitted: no log file in"):
        pile_sources([tmp_path / "a.csv"], [tmp_path / "way.gpx"])
    with pytest.raises(InputError, match="doesn't exist"):
        pile_sources([tmp_path / "b.csv"], [tmp_path / "a.csv"])


def test_a_study_finds_its_logs_by_pattern_or_by_folder(tmp_path):
    for name in ("logs/baseline/1.csv", "logs/fitted/2.csv", "notes.csv"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(name)
    by_folder = study_sources(tmp_path, Study())
    assert [(by_folder.shown(p), a) for p, a in by_folder.runs] == [
        ("logs/baseline/1.csv", "baseline"), ("logs/fitted/2.csv", "fitted"),
    ]  # fmt: skip
    assert by_folder.notes == tmp_path / "notes.csv"
    named = parse_study('[logs]\nany = ["logs/*/*.csv"]')
    assert [a for _, a in study_sources(tmp_path, named).runs] == [None, None]
    twice = parse_study('[logs]\nbaseline = ["logs/*/1.csv"]\nany = ["logs/*/*.csv"]')
    with pytest.raises(InputError, match="is given twice"):
        study_sources(tmp_path, twice)


def test_a_study_without_logs_is_told_where_to_put_them(tmp_path):
    with pytest.raises(InputError, match="logs/baseline and logs/fitted"):
        study_sources(tmp_path, Study())
    (tmp_path / "fills.csv").write_text("date,litres\n")
    assert study_sources(tmp_path, Study()).runs == ()


def test_an_arm_without_any_log_is_refused(tmp_path):
    only = Sources(((tmp_path / "a.csv", "baseline"),))
    with pytest.raises(DesignError, match="no log of the fitted arm"):
        require_both_arms(Study(), only)
    require_both_arms(PLAN, Sources(((tmp_path / "a.csv", None),)))


def test_positions_come_from_tracks_where_a_log_has_none(tmp_path):
    seconds = [f"2026-03-02T07:00:{s:02d}Z" for s in range(30)]
    rows = "\n".join(f"{t},36,4.0" for t in seconds)
    (tmp_path / "a.csv").write_text(f"time,vehicle speed [km/h],fuel rate [L/h]\n{rows}\n")
    points = "".join(
        f'<trkpt lat="{45 + i * 9e-5:.6f}" lon="7.0"><time>{t}</time></trkpt>'
        for i, t in enumerate(seconds)
    )
    (tmp_path / "way.gpx").write_text(
        '<?xml version="1.0"?><gpx version="1.1" creator="x" '
        f'xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{points}</trkseg></trk></gpx>'
    )
    sources = Sources(((tmp_path / "a.csv", "baseline"),), (tmp_path / "way.gpx",))
    seen = []

    def each(paths):
        seen.extend(paths)
        return iter(paths)

    (log,) = read_logs(Study(), sources, each)
    assert seen == [tmp_path / "a.csv"]
    assert log.frame["lat_deg"].notna().sum() > 20
