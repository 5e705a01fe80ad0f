"""What a run's log is worth: each fault that we put into a good drive is named, nothing else is."""

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.check import check_run, check_study
from roadlog.check.one_run import RunCheck
from roadlog.cli import main
from roadlog.ingest import Log
from roadlog.ingest.facts import Repair
from roadlog.ingest.positions.fixes import without_false_fixes
from roadlog.quantities.facts import Fact
from roadlog.runs.table import pile_sources, study_sources
from roadlog.study.folder import load_study
from roadlog.study.settings import Study, parse_study

N = 1200
START = pd.Timestamp("2026-03-02 07:10")
STUDY = parse_study("[vehicle]\ndisplacement_l = 1.8\n")


@pytest.fixture
def drive() -> pd.DataFrame:
    """Twenty minutes of an invented commute at 1 Hz, without a fault."""
    t = np.arange(float(N))
    rng = np.random.default_rng(7)
    speed = np.round(np.clip(45 + 40 * np.sin(t / 60) + 8 * np.sin(t / 17), 0, None))
    rpm = 850 + 22 * speed + rng.uniform(-20, 20, N)
    heading = t / 300
    step = speed / 3.6 / 111_195
    return pd.DataFrame(
        {
            "t_s": t,
            "speed_kmh": speed,
            "rpm": rpm,
            "maf_g_s": 2.5 + speed / 8 + rng.uniform(0, 1, N),
            "fuel_status": np.where(t < 60, 1.0, 2.0),
            "stft1_pct": rng.uniform(-3, 3, N),
            "ltft1_pct": np.full(N, 1.5),
            "coolant_temp_c": np.minimum(20 + t / 5, 90),
            "lat_deg": 47.2 + np.cumsum(step * np.cos(heading)),
            "lon_deg": 8.5 + np.cumsum(step * np.sin(heading)) / np.cos(np.radians(47.2)),
            "gps_speed_kmh": speed * 0.98,
        }
    )


def _check(frame: pd.DataFrame, *, facts: tuple[Fact, ...] = (), study: Study = STUDY) -> RunCheck:
    log = Log(Path("run.csv"), frame.reset_index(drop=True), START, facts=facts)
    return check_run(without_false_fixes(log), study, file="run.csv", arm="baseline")


def test_a_good_drive_is_usable_without_reservation(drive: pd.DataFrame) -> None:
    check = _check(drive)
    assert check.verdict == "usable"
    assert check.estimator == "maf"
    assert check.known == pytest.approx(1, abs=0.01)
    assert check.speed_factor == pytest.approx(0.98, abs=0.005)
    assert check.closed_loop == pytest.approx(1)
    assert (check.coolant_start_c, check.warm_after_s) == (20, 250)
    rates = {s.signal: s.rate_hz for s in check.signals}
    assert rates["speed_kmh"] == 1


def _stuck_maf(d: pd.DataFrame) -> None:
    d.loc[300:420, "maf_g_s"] = 9.0


def _leap(d: pd.DataFrame) -> None:
    d.loc[700, "lat_deg"] += 0.2


def _frozen(d: pd.DataFrame) -> None:
    for name in ("lat_deg", "lon_deg"):
        d.loc[30:90, name] = d.loc[30, name]


def _fast(d: pd.DataFrame) -> None:
    d.loc[500, "speed_kmh"] = 250


def _trimmed(d: pd.DataFrame) -> None:
    d["ltft1_pct"] += 14


def _lamp(d: pd.DataFrame) -> None:
    d["mil_on"] = np.where(d["t_s"] > 600, 1.0, 0.0)


def _codes(d: pd.DataFrame) -> None:
    d["dtc_count"] = 3.0


def _open(d: pd.DataFrame) -> None:
    d["fuel_status"] = 4.0


def _failed_sensor(d: pd.DataFrame) -> None:
    d.loc[600:, "fuel_status"] = 16.0


def _cold(d: pd.DataFrame) -> None:
    d["coolant_temp_c"] = 20 + d["t_s"] / 60


def _scale(d: pd.DataFrame) -> None:
    d["gps_speed_kmh"] = d["speed_kmh"] * 0.9


def _sparse(d: pd.DataFrame) -> None:
    d.loc[d["t_s"] % 4 != 0, "maf_g_s"] = np.nan


def _holed(d: pd.DataFrame) -> None:
    d.loc[400:699, d.columns.drop("t_s")] = np.nan


def _too_much_air(d: pd.DataFrame) -> None:
    d.loc[300:360, "maf_g_s"] *= 7.6


def _restarted_clock(d: pd.DataFrame) -> None:
    d["engine_runtime_s"] = d["t_s"]
    d.loc[600:, "t_s"] += 60


# a clock step parts the speeds' clocks too; fixes that stood still leap when they move again
_WITH_A_SECOND = (_restarted_clock, _frozen)


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (_stuck_maf, "MAF stuck at 9 g/s for 2 min"),
        (_leap, "2 position jumps"),
        (_frozen, "positions that stand still for 60 s"),
        (_fast, "jumps of speed, first at 8.3 min"),
        (_trimmed, r"fuel trims of \+1[56] % on bank 1"),
        (_lamp, "the check-engine lamp on"),
        (_codes, "3 stored trouble codes"),
        (_open, "no closed loop"),
        (_failed_sensor, "closed loop with a failed oxygen sensor"),
        (_cold, r"an engine that never got warm \(40 °C at most\)"),
        (_scale, "a wheel speed 10.0 % above GPS speed"),
        (_sparse, "MAF only every 4 s"),
        (_holed, "gaps in speed or fuel over 25 % of the time"),
        (_too_much_air, "more air than 1.8 litres can draw in"),
        (_restarted_clock, r"a clock step \(the clock moves \+60 s against the engine's run time"),
    ],
)
def test_a_fault_is_named_and_no_other(
    drive: pd.DataFrame, fault: Callable[[pd.DataFrame], None], words: str
) -> None:
    fault(drive)
    check = _check(drive)
    assert check.verdict.startswith("usable with ")
    assert re.search(words, check.verdict), check.verdict
    assert sum(f.weight == "care" for f in check.findings) <= 1 + (fault in _WITH_A_SECOND)


def test_a_resting_signal_is_not_stuck(drive: pd.DataFrame) -> None:
    drive["throttle_pct"] = np.where(drive["t_s"] < 400, 14.0, 14 + drive["speed_kmh"] / 4)
    assert _check(drive).verdict == "usable"


def test_a_gps_clock_that_runs_late_is_told_and_not_held_against_the_run(
    drive: pd.DataFrame,
) -> None:
    for name in ("lat_deg", "lon_deg", "gps_speed_kmh"):
        drive[name] = drive[name].shift(4)
    check = _check(drive)
    assert check.lag_s == pytest.approx(4, abs=0.5)
    assert check.verdict == "usable"
    assert any("the position clock is +4 s off" in f.text for f in check.findings)


def test_values_out_of_range_are_counted_from_the_notes_of_reading(drive: pd.DataFrame) -> None:
    outside = Repair.OUT_OF_RANGE(signal="rpm", n=90, low=0, high=12000, unit="rpm")
    check = _check(drive, facts=(outside,))
    assert "90 of 1200 engine speed values out of range" in check.verdict


def test_without_speed_fuel_or_distance_a_run_is_not_usable(drive: pd.DataFrame) -> None:
    assert "the log has no vehicle speed" in _check(drive.drop(columns="speed_kmh")).verdict
    assert "fuel can't be told" in _check(drive.drop(columns="maf_g_s")).verdict
    parked = drive.assign(speed_kmh=0.0)
    assert _check(parked).verdict.startswith("not usable because only 0.00 km were driven")
    holed = drive.drop(index=range(200, 900))
    assert "in only" in _check(holed).verdict
    assert not _check(holed).usable


def test_a_study_without_faults_checks_clean(demo_study: Path) -> None:
    study = load_study(demo_study)
    check = check_study(study, study_sources(demo_study, study))
    assert len(check.runs) == 24
    assert [r.verdict for r in check.runs if not r.usable] == []
    assert {r.arm for r in check.runs} == {"baseline", "fitted"}
    assert check.warnings == ()
    starts = [r.start for r in check.runs]
    assert starts == sorted(starts)


def test_what_shows_across_runs_is_told(drive: pd.DataFrame, tmp_path: Path) -> None:
    folder = tmp_path / "study"
    (folder / "logs").mkdir(parents=True)
    (folder / "study.toml").write_text(
        '[logs]\nbaseline = ["logs/a*.csv"]\nfitted = ["logs/b*.csv"]\n'
        "[vehicle]\ndisplacement_l = 1.8\n"
    )

    def put(name: str, start: str, frame: pd.DataFrame) -> None:
        at = pd.Timestamp(start) + pd.to_timedelta(frame["t_s"], unit="s")
        out = frame.drop(columns="t_s")
        out.insert(0, "time", at.map(lambda t: t.isoformat()))
        out.to_csv(folder / "logs" / name, index=False)

    put("a1.csv", "2026-03-02 07:00", drive)
    put("a2.csv", "2026-03-02 07:10", drive)
    put("a3.csv", "2026-03-02 12:00", drive.drop(columns=["maf_g_s"]).assign(fuel_rate_l_h=4.0))
    (folder / "logs" / "b1.csv").write_text("nothing\nhere\n")
    study = load_study(folder)
    check = check_study(study, study_sources(folder, study))
    told = " | ".join(check.warnings)
    assert "logs/a1.csv and logs/a2.csv overlap in time" in told
    assert "no usable run of the fitted arm" in told
    (unread,) = [r for r in check.runs if r.file == "logs/b1.csv"]
    assert unread.verdict.startswith("not usable because no header row found")
    assert str(tmp_path) not in unread.verdict


def test_a_log_that_changed_since_it_was_taken_in_is_told(
    drive: pd.DataFrame, tmp_path: Path
) -> None:
    folder = tmp_path / "study"
    folder.mkdir()
    (folder / "study.toml").write_text("[vehicle]\ndisplacement_l = 1.8\n")
    at = START + pd.to_timedelta(drive["t_s"], unit="s")
    frame = drive.drop(columns="t_s")
    frame.insert(0, "time", at.map(lambda t: t.isoformat()))
    frame.to_csv(tmp_path / "a.csv", index=False)
    assert main(["take", str(folder), str(tmp_path / "a.csv"), "--arm", "fitted"]) == 0
    copy = folder / "logs" / "fitted" / "a.csv"
    copy.chmod(0o644)
    copy.write_text(copy.read_text().replace("90", "91", 1))
    study = load_study(folder)
    told = check_study(study, study_sources(folder, study)).warnings
    assert any("a.csv is not what was taken in" in w for w in told)


def test_the_command_prints_a_line_a_run_and_writes_a_page_without_network(
    demo_study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(demo_study), "--out", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("SYNTHETIC DATA")
    assert "24 of 24 runs can be used." in out
    page = (tmp_path / "check.html").read_text()
    assert page.count('<details class="run"') == 24
    assert "SYNTHETIC DATA" in page
    assert "default-src 'none'" in page.replace("&#39;", "'")
    assert not re.search(r"(?:src|href)=\"(?!#)", page)
    assert "<script" not in page


def test_two_piles_can_be_checked_and_none_usable_is_exit_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("out", "in"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "a.csv").write_text(f"time_s,rpm\n0,800\n1,80{len(name)}\n")
    arms = ["--baseline", str(tmp_path / "out"), "--fitted", str(tmp_path / "in")]
    assert main(["check", *arms, "--out", str(tmp_path / "r")]) == 1
    assert "not usable because" in capsys.readouterr().out
    assert main(["check", "x", *arms]) == 2
    sources = pile_sources([tmp_path / "out"], [tmp_path / "in"])
    told = {r.file: r.arm for r in check_study(Study(), sources).runs}
    assert told == {"in/a.csv": "fitted", "out/a.csv": "baseline"}


def test_a_name_in_a_log_cannot_write_markup_into_the_page(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    for name in ("out.csv", "in/b.csv"):
        (tmp_path / name).write_text("time_s,rpm,<b>Speed</b>\n0,800,1\n1,801,1\n")
    arms = ["--baseline", str(tmp_path / "out.csv"), "--fitted", str(tmp_path / "in")]
    main(["check", *arms, "--out", str(tmp_path / "r")])
    assert "<b>Speed" not in (tmp_path / "r" / "check.html").read_text()
