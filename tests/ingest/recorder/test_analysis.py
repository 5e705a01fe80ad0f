"""`roadlog analyze` takes journals: the demo study's drives as journals give what its CSVs give."""

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from roadlog.cli import main
from roadlog.ingest import read_log
from roadlog.ingest.journal.file import Journal
from roadlog.ingest.journal.lines import values_text
from roadlog.ingest.timebase import resample
from roadlog.quantities.signals import POSITION


def as_journal(csv: Path, folder: Path, boot_s: float) -> None:
    """The rows of a CSV log as the recorder writes them: polled and positions apart, own clock."""
    log = read_log(csv)
    start_s = log.start.timestamp()
    offset_s = log.start.utcoffset().total_seconds()
    header = {"boot_id": csv.stem, "wall_utc_s": 0.0, "utc_offset_s": offset_s}
    journal = Journal(folder / f"{csv.stem}.log", header, boot_s)
    names = [c for c in log.frame.columns if c != "t_s"]
    polled = [n for n in names if n not in POSITION]
    positions = [n for n in names if n in POSITION]
    for row in log.frame.to_dict("records"):
        t_s = boot_s + row["t_s"]
        journal.add("obd", t_s, values_text({n: row[n] for n in polled if row[n] == row[n]}))
        fix = {n: row[n] for n in positions if row[n] == row[n]}
        if fix:
            utc = f" utc_s={start_s + row['t_s']:.3f}"
            journal.add("gps", t_s, values_text(fix) + utc)
    journal.add("end", t_s, "the engine stood still before the vehicle fell silent")
    journal.close(t_s)


def resample_of(path: Path) -> pd.DataFrame:
    return resample(read_log(path).frame)


def test_one_drive_reads_the_same_from_journal_and_csv(demo_study, tmp_path):
    csv = min((demo_study / "logs").glob("*.csv"))
    as_journal(csv, tmp_path, 100.0)
    ours, theirs = resample_of(tmp_path / f"{csv.stem}.log"), resample_of(csv)
    assert read_log(tmp_path / f"{csv.stem}.log").start.round("10ms") == read_log(csv).start
    pd.testing.assert_frame_equal(ours, theirs, check_like=True, atol=0.02, rtol=1e-6)


@pytest.mark.slow
def test_drives_as_journals_give_the_effect_that_their_csv_logs_give(demo_study, tmp_path):
    study = tmp_path / "study"
    (study / "logs").mkdir(parents=True)
    toml = (demo_study / "study.toml").read_text().replace("*.csv", "*.log")
    (study / "study.toml").write_text(toml)
    for extra in ("notes.csv", "weather.csv"):
        if (demo_study / extra).exists():
            shutil.copy(demo_study / extra, study / extra)
    for i, csv in enumerate(sorted((demo_study / "logs").glob("*.csv"))):
        as_journal(csv, study / "logs", 100.0 + 5000 * i)
    results = []
    for place, out in ((demo_study, tmp_path / "csv"), (study, tmp_path / "journal")):
        assert main(["analyze", str(place), "--out", str(out)]) == 0
        results.append(json.loads((out / "results.json").read_text()))
    csv, journal = (r["fuel_use_change_pct"] for r in results)
    assert journal["estimate"] == pytest.approx(csv["estimate"], abs=0.05)
    assert journal["low"] == pytest.approx(csv["low"], abs=0.1)
    assert [r["arm"] for r in results[0]["runs"]] == [r["arm"] for r in results[1]["runs"]]
