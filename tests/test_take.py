"""Taking logs into a study: originals stay as they are, each comes in once, days tell the arm."""

import json
import shutil
import stat
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.cli import main
from roadlog.errors import InputError
from roadlog.ingest import read_log
from roadlog.ingest.clock.localday import day_in_doubt, zone_warning
from roadlog.ingest.drives import find_drives
from roadlog.runs.intake import propose, take_in
from roadlog.runs.taken import read_taken, sha256_of
from roadlog.study.folder import load_study
from roadlog.study.settings import TimeRule

SCHEDULE = """
[logs]
any = ["logs/*.csv"]
positions = ["tracks/*.gpx"]
[schedule]
unit = [
  { unit = 2026-03-02, arm = "baseline" },
  { unit = 2026-03-03, arm = "fitted" },
]
"""


def _study(folder: Path, text: str = SCHEDULE) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "study.toml").write_text(text)
    return folder


def _drive(
    path: Path, start: str = "2026-03-02 07:10:00", *, minutes: float = 10, speed: float = 60
) -> Path:
    at = pd.Timestamp(start) + pd.to_timedelta(np.arange(int(60 * minutes)), unit="s")
    rows = [f"{t.isoformat()},{speed + i % 7},{1500 + i % 7}" for i, t in enumerate(at)]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("time,Vehicle speed (km/h),Engine RPM\n" + "\n".join(rows) + "\n")
    return path


def _joined(path: Path, *parts: Path) -> Path:
    head, *_ = parts[0].read_text().splitlines()
    rows = [line for p in parts for line in p.read_text().splitlines()[1:]]
    path.write_text("\n".join([head, *rows]) + "\n")
    return path


def test_a_log_is_copied_unchanged_read_only_and_listed(tmp_path: Path) -> None:
    study, log = _study(tmp_path / "study"), _drive(tmp_path / "a.csv")
    assert main(["take", str(study), str(log)]) == 0
    copy = study / "logs" / "a.csv"
    assert copy.read_bytes() == log.read_bytes()
    assert stat.S_IMODE(copy.stat().st_mode) == 0o444
    (entry,) = read_taken(study)
    assert (entry.file, entry.arm, entry.sha256) == ("logs/a.csv", "baseline", sha256_of(log))
    assert str(tmp_path) not in (study / "logs" / "taken.json").read_text()


def test_a_dry_run_shows_columns_and_arm_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study, log = _study(tmp_path / "study"), _drive(tmp_path / "a.csv")
    assert main(["take", str(study), str(log), "--dry-run"]) == 0
    out = capsys.readouterr().out
    assert [p.name for p in study.iterdir()] == ["study.toml"]
    assert "baseline (schedule, 2026-03-02)" in out
    line = next(x for x in out.splitlines() if "Vehicle speed (km/h)" in x)
    assert line.split()[-4:] == ["speed_kmh", "km/h", "100", "%"]


def test_the_same_log_is_refused_twice_under_any_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study, log = _study(tmp_path / "study"), _drive(tmp_path / "a.csv")
    main(["take", str(study), str(log)])
    copy = tmp_path / "b.csv"
    shutil.copy(log, copy)
    assert main(["take", str(study), str(copy)]) == 2
    assert "in the study already" in capsys.readouterr().err
    other = _drive(tmp_path / "c.csv", "2026-03-03 07:00")
    assert main(["take", str(study), str(copy), str(other)]) == 0
    assert [e.file for e in read_taken(study)] == ["logs/a.csv", "logs/c.csv"]


def test_a_log_put_there_by_hand_counts_as_in_the_study(tmp_path: Path) -> None:
    study, log = _study(tmp_path / "study"), _drive(tmp_path / "a.csv")
    shutil.copy(_drive(study / "logs" / "by_hand.csv"), log)
    (proposal,) = propose(study, load_study(study), [log])
    assert proposal.already == "logs/by_hand.csv"


def test_one_drive_logged_twice_in_other_words_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study, log = _study(tmp_path / "study"), _drive(tmp_path / "a.csv")
    main(["take", str(study), str(log)])
    again = _drive(tmp_path / "again.csv", "2026-03-02 07:12:00", speed=61)
    assert main(["take", str(study), str(again)]) == 2
    assert "the same time as logs/a.csv: take one of the two" in capsys.readouterr().out


def test_two_logs_of_one_name_and_other_contents_both_come_in(tmp_path: Path) -> None:
    study = _study(tmp_path / "study")
    first = _drive(tmp_path / "mon" / "log.csv")
    second = _drive(tmp_path / "tue" / "log.csv", "2026-03-03 07:10")
    assert main(["take", str(study), str(first), str(second)]) == 0
    names = sorted(p.name for p in (study / "logs").glob("*.csv"))
    assert names == [f"log-{sha256_of(second)[:8]}.csv", "log.csv"]


def test_a_day_outside_the_schedule_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study, log = _study(tmp_path / "study"), _drive(tmp_path / "a.csv", "2026-03-09 07:00")
    assert main(["take", str(study), str(log)]) == 2
    assert "no switch unit is scheduled on 2026-03-09" in capsys.readouterr().out
    assert not (study / "logs" / "a.csv").exists()


def test_an_arm_that_contradicts_the_schedule_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study, log = _study(tmp_path / "study"), _drive(tmp_path / "a.csv")
    assert main(["take", str(study), str(log), "--arm", "fitted"]) == 2
    assert "said to be fitted, but 2026-03-02 is scheduled as baseline" in capsys.readouterr().out


def test_without_a_schedule_the_said_arm_names_the_folder(tmp_path: Path) -> None:
    study, log = _study(tmp_path / "study", 'name = "x"\n'), _drive(tmp_path / "a.csv")
    assert main(["take", str(study), str(log), "--arm", "fitted"]) == 0
    assert (study / "logs" / "fitted" / "a.csv").is_file()


def test_a_log_that_no_pattern_would_read_is_not_taken(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study, log = _study(tmp_path / "study"), _drive(tmp_path / "a.log")
    assert main(["take", str(study), str(log)]) == 2
    assert "no pattern of [logs] in study.toml takes a baseline log called a.log" in (
        capsys.readouterr().out
    )


def test_a_track_goes_where_positions_are_read_from(tmp_path: Path) -> None:
    study = _study(tmp_path / "study")
    track = tmp_path / "t.gpx"
    points = "".join(
        f'<trkpt lat="47.{i:03d}" lon="8.5"><time>2026-03-02T06:10:{i:02d}Z</time></trkpt>'
        for i in range(30)
    )
    track.write_text(
        '<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
        f"<trk><trkseg>{points}</trkseg></trk></gpx>"
    )
    assert main(["take", str(study), str(track)]) == 0
    assert (study / "tracks" / "t.gpx").read_bytes() == track.read_bytes()


def test_a_log_that_cannot_be_read_stays_outside_while_others_come_in(tmp_path: Path) -> None:
    study, log = _study(tmp_path / "study"), _drive(tmp_path / "a.csv")
    torn = tmp_path / "torn.csv"
    torn.write_text("nothing\nhere\n")
    assert main(["take", str(study), str(log), str(torn)]) == 2
    assert [e.file for e in read_taken(study)] == ["logs/a.csv"]


def test_a_days_log_is_cut_into_its_drives_and_nothing_is_changed(tmp_path: Path) -> None:
    study = _study(tmp_path / "study")
    out = _drive(tmp_path / "out.csv", "2026-03-02 07:10")
    back = _drive(tmp_path / "back.csv", "2026-03-02 16:40", minutes=12)
    whole = _joined(tmp_path / "whole_day.csv", out, back)
    assert main(["take", str(study), str(whole), "--split"]) == 0
    assert (study / "whole" / "whole_day.csv").read_bytes() == whole.read_bytes()
    for name, part in (("whole_day-drive1.csv", out), ("whole_day-drive2.csv", back)):
        got, want = read_log(study / "logs" / name), read_log(part)
        pd.testing.assert_frame_equal(got.frame, want.frame)
        assert got.start == want.start
    assert {e.part_of for e in read_taken(study)} == {None, "whole/whole_day.csv"}


def test_drives_of_two_arms_in_one_log_must_be_split(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = _study(tmp_path / "study")
    parts = [_drive(tmp_path / f"{d}.csv", f"2026-03-0{d} 07:10") for d in (2, 3)]
    both = _joined(tmp_path / "both.csv", *parts)
    assert main(["take", str(study), str(both)]) == 2
    assert "belong to both arms: take it with --split" in capsys.readouterr().out
    assert main(["take", str(study), str(both), "--split"]) == 0
    arms = {e.file: e.arm for e in read_taken(study) if e.kind == "run"}
    assert arms == {"logs/both-drive1.csv": "baseline", "logs/both-drive2.csv": "fitted"}


def test_a_stop_of_minutes_ends_a_drive_and_a_stop_start_does_not(tmp_path: Path) -> None:
    def log(rest_s: int, rolling: float = 0.0) -> Path:
        n = 900
        rpm, speed = np.full(n, 1500.0), np.full(n, 60.0)
        rpm[400 : 400 + rest_s], speed[400 : 400 + rest_s] = 0, rolling
        path = tmp_path / f"{rest_s}_{rolling}.csv"
        rows = [f"{i},{speed[i]},{rpm[i]}" for i in range(n)]
        path.write_text("time_s,speed_kmh,rpm\n" + "\n".join(rows) + "\n")
        return path

    assert len(find_drives(read_log(log(90)))) == 1
    first, second = find_drives(read_log(log(400)))
    assert (first.end_s, second.start_s) == (400, 799)
    assert "stood still for 7 min" in first.why
    assert len(find_drives(read_log(log(400, rolling=40)))) == 1  # a hybrid on its motor


def test_a_copy_that_fails_takes_the_others_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = _study(tmp_path / "study")
    logs = [_drive(tmp_path / f"{d}.csv", f"2026-03-0{d} 07:10") for d in (2, 3)]
    proposals = propose(study, load_study(study), logs)
    logs[1].write_text(logs[1].read_text() + "2026-03-03T07:20:00,1,1\n")
    with pytest.raises(InputError, match="changed while it was taken in"):
        take_in(study, proposals)
    assert not list((study / "logs").glob("*.csv"))
    assert not (study / "logs" / "taken.json").exists()


def test_a_damaged_list_is_named(tmp_path: Path) -> None:
    study = _study(tmp_path / "study")
    (study / "logs").mkdir()
    (study / "logs" / "taken.json").write_text(json.dumps({"schema": 9, "logs": []}))
    with pytest.raises(InputError, match=r"taken\.json is damaged"):
        read_taken(study)


def test_a_utc_clock_leaves_the_day_in_doubt_only_near_local_midnight(tmp_path: Path) -> None:
    def log(start: str, lon: float | None) -> Path:
        first = int(pd.Timestamp(start, tz="UTC").timestamp())
        path = tmp_path / f"{first}_{lon}.csv"
        head = "Time,rpm" + (",lat,lon" if lon is not None else "")
        tail = "" if lon is None else f",47.0,{lon}"
        path.write_text(head + "\n" + "".join(f"{first + i},800{tail}\n" for i in range(5)))
        return path

    assert not day_in_doubt(read_log(log("2026-03-02 07:00", 8.5)))
    assert day_in_doubt(read_log(log("2026-03-02 23:30", 8.5)))
    assert day_in_doubt(read_log(log("2026-03-02 02:00", -120.0)))
    doubtful = read_log(log("2026-03-02 15:00", None))
    assert day_in_doubt(doubtful)
    assert "set zone under [time]" in (zone_warning([doubtful], TimeRule()) or "")
    assert zone_warning([doubtful], TimeRule(zone="Europe/Paris")) is None


def test_a_said_arm_needs_a_place_that_isnt_left_to_the_schedule(tmp_path: Path) -> None:
    log = _drive(tmp_path / "a.csv", "2027-03-02 07:10:00")
    places = {"*.csv": True, "logs/*": True, "**/*.csv": False}
    for pattern, taken in (*places.items(), ("logs/**/*.csv", False), ("logs/*/*.csv", False)):
        study = _study(
            tmp_path / str(ord(pattern[0]) + len(pattern)), f'[logs]\nany = ["{pattern}"]\n'
        )
        (proposal,) = propose(study, load_study(study), [log], arm="fitted")
        assert proposal.targets == (("logs/fitted/a.csv",) if taken else ())
        assert bool(proposal.refused) != taken
