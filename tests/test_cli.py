"""The command line as a tester meets it: files, findings, exit codes, sentences."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from roadlog.cli import main

ROOT = Path(__file__).resolve().parents[1]
SCHEMA_KEYS = {
    "schema", "study", "synthetic", "fuel_use_change_pct", "economy_change_pct",
    "economy_change_mpg_us", "baseline", "fitted", "randomisation", "total_effect_pct",
    "unadjusted_change_pct", "claim", "finding", "finding_reasons", "smallest_detectable_pct",
    "fuel_estimator", "closure", "crosschecks", "runs", "segments", "warnings",
}  # fmt: skip


def results(out: Path) -> dict:
    return json.loads((out / "results.json").read_text(encoding="utf-8"))


def logs_of(study: Path, arm: str) -> list[str]:
    """The demo's log files of one arm, by the days of its schedule."""
    import tomllib

    schedule = tomllib.loads((study / "study.toml").read_text())["schedule"]["unit"]
    days = {str(u["unit"]) for u in schedule if u["arm"] == arm}
    files = sorted((study / "logs").glob("*.csv"))
    return [str(f) for f in files if any(d in f.name for d in days)]


def test_sample_study_is_refuted_and_its_interval_holds_the_truth(tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["analyze", str(ROOT / "sample_logs"), "--out", str(out)]) == 0
    r = results(out)
    assert r.keys() >= SCHEMA_KEYS
    assert r["schema"] == 1
    assert r["synthetic"] is True
    change = r["fuel_use_change_pct"]
    assert change["low"] < 0.6 < change["high"]
    assert change["high"] - change["low"] < 4.3
    assert r["finding"] == "refuted"
    assert {f.name for f in out.iterdir()} == {
        "results.json", "report.html", "objections.html", "map.html", "passes.csv",
    }  # fmt: skip
    printed = capsys.readouterr()
    assert "REFUTED" in printed.out
    assert "SYNTHETIC" in printed.out
    assert printed.err == ""


def test_a_real_saving_supports_the_smaller_claim(saving_study, tmp_path):
    findings = {}
    for claim in (8, 12):
        out = tmp_path / str(claim)
        argv = ["analyze", str(saving_study), "--claim-economy", str(claim), "--out", str(out)]
        assert main(argv) == 0
        r = results(out)
        assert r["fuel_use_change_pct"]["low"] < -12 < r["fuel_use_change_pct"]["high"]
        findings[claim] = r["finding"]
        assert r["finding_reasons"]
    assert findings[8] == "supported"
    assert findings[12] in ("undecided", "supported")


def test_two_piles_of_logs_give_what_the_study_gives(demo_study, tmp_path):
    piles = tmp_path / "piles"
    argv = ["analyze", "--baseline", *logs_of(demo_study, "baseline")]
    argv += ["--fitted", *logs_of(demo_study, "fitted"), "--claim-economy", "12"]
    argv += ["--switched-by", "day", "--displacement", "1.8", "--mass", "1310"]
    assert main([*argv, "--out", str(piles)]) == 0
    r = results(piles)
    assert r["baseline"]["switch_units"] == r["fitted"]["switch_units"] == 6
    assert r["fuel_use_change_pct"]["df"] > 2
    assert r["fuel_use_change_pct"]["estimate"] == pytest.approx(0.6, abs=2)
    assert r["finding"] == "refuted"
    assert r["randomisation"] is None
    assert "order-not-randomised" in {w["code"] for w in r["warnings"]}


def test_switching_by_stretch_counts_unbroken_stretches(demo_study, tmp_path, capsys):
    argv = ["analyze", "--baseline", *logs_of(demo_study, "baseline")]
    argv += ["--fitted", *logs_of(demo_study, "fitted"), "--out", str(tmp_path / "o")]
    main(argv)
    r = results(tmp_path / "o")
    assert r["baseline"]["switch_units"] + r["fitted"]["switch_units"] < 12
    assert "no-schedule" in {w["code"] for w in r["warnings"]}
    assert r["finding"] is None


def test_a_study_without_positions_takes_the_run_as_the_unit(study_without_positions, tmp_path):
    assert main(["analyze", str(study_without_positions), "--out", str(tmp_path / "o")]) == 0
    r = results(tmp_path / "o")
    assert r["fuel_use_change_pct"]["low"] < 0.6 < r["fuel_use_change_pct"]["high"]
    assert len(r["segments"]) == 1
    assert "map" in (tmp_path / "o" / "map.html").read_text(encoding="utf-8").lower()


def test_economy_is_fuel_use_turned_over(demo_study, tmp_path):
    main(["analyze", str(demo_study), "--out", str(tmp_path / "o")])
    r = results(tmp_path / "o")
    fuel, economy = r["fuel_use_change_pct"], r["economy_change_pct"]
    assert economy["low"] == pytest.approx(100 * (1 / (1 + fuel["high"] / 100) - 1))
    assert economy["high"] == pytest.approx(100 * (1 / (1 + fuel["low"] / 100) - 1))


def test_help_is_quick_and_shows_an_example():
    done = subprocess.run(
        [sys.executable, "-m", "roadlog", "analyze", "--help"], capture_output=True, text=True
    )
    assert done.returncode == 0
    assert "roadlog analyze sample_logs" in done.stdout


def test_help_imports_no_heavy_library():
    code = (
        "import sys, roadlog.cli\n"
        "try: roadlog.cli.main(['--help'])\n"
        "except SystemExit: pass\n"
        "print(sorted({'pandas','numpy','scipy','jinja2','matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_demo_writes_a_study_that_analyses(tmp_path, capsys):
    assert main(["demo", str(tmp_path / "d"), "--days", "6", "--no-positions"]) == 0
    assert "synthetic" in capsys.readouterr().out.lower()
    assert main(["analyze", str(tmp_path / "d"), "--out", str(tmp_path / "o")]) == 0


@pytest.fixture
def broken(demo_study, tmp_path):
    """A copy of the demo study that a test may spoil."""
    folder = tmp_path / "study"
    shutil.copytree(demo_study, folder)
    return folder


def says(capsys, code: int, argv: list[str], out: Path) -> str:
    """Run, expect this exit code, one sentence on stderr, and no result file."""
    assert main([*argv, "--out", str(out)]) == code
    err = capsys.readouterr().err.strip()
    assert err.startswith("roadlog: ")
    assert "\n" not in err
    assert "Traceback" not in err
    assert not out.exists() or not list(out.iterdir())
    return err


def first_log(study: Path) -> Path:
    return min((study / "logs").glob("*.csv"))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"\x00\x01\x02\xff" * 500, "not a text file"),
        (b"alpha,beta\n1,2\n3,4\n", "column"),
        (b"vehicle speed [km/h],MAF [g/s]\n30,4\n31,5\n", "time"),
        (
            b"time [s],speed [km/h],latitude,longitude\n0,10,120.1,45.2\n1,11,120.2,45.3\n",
            "swapped",
        ),
        (
            b"time [s],speed [km/h]\n" + b"".join(b"%d,30\n" % (500 - i) for i in range(400)),
            "backwards",
        ),
    ],
    ids=["empty", "binary", "unknown columns", "no time", "lat and lon swapped", "clock backwards"],
)
def test_a_bad_log_is_named_with_what_to_do(broken, tmp_path, capsys, content, words):
    log = first_log(broken)
    log.write_bytes(content)
    err = says(capsys, 2, ["analyze", str(broken)], tmp_path / "o")
    assert log.name in err
    assert words in err


def test_a_missing_folder_is_named(tmp_path, capsys):
    assert "nowhere" in says(capsys, 2, ["analyze", str(tmp_path / "nowhere")], tmp_path / "o")


def test_a_missing_log_is_named(demo_study, tmp_path, capsys):
    argv = ["analyze", "--baseline", "gone.csv", "--fitted", str(first_log(demo_study))]
    assert "gone.csv" in says(capsys, 2, argv, tmp_path / "o")


def test_one_pile_alone_is_wrong_use(demo_study, tmp_path, capsys):
    argv = ["analyze", "--fitted", str(first_log(demo_study))]
    assert "--baseline" in says(capsys, 2, argv, tmp_path / "o")


def test_one_switch_unit_an_arm_cannot_answer(demo_study, tmp_path, capsys):
    argv = ["analyze", "--baseline", *logs_of(demo_study, "baseline")[:2]]
    argv += ["--fitted", *logs_of(demo_study, "fitted")[:2], "--switched-by", "day"]
    assert "one switch unit in each arm" in says(capsys, 1, argv, tmp_path / "o")


def test_one_arm_only_cannot_answer(broken, tmp_path, capsys):
    text = (broken / "study.toml").read_text().replace('arm = "fitted"', 'arm = "baseline"')
    (broken / "study.toml").write_text(text)
    assert "fitted" in says(capsys, 1, ["analyze", str(broken)], tmp_path / "o")


def test_no_fuel_signal_cannot_answer(tmp_path, capsys):
    for arm in ("out", "in"):
        rows = "".join(f"{t},{40 + t % 7}\n" for t in range(600))
        (tmp_path / f"{arm}.csv").write_text("time [s],speed [km/h]\n" + rows)
    argv = ["analyze", "--baseline", str(tmp_path / "out.csv")]
    argv += ["--fitted", str(tmp_path / "in.csv"), "--switched-by", "run"]
    (tmp_path / "in.csv").write_text((tmp_path / "in.csv").read_text() + "600,40\n")
    err = says(capsys, 1, argv, tmp_path / "o")
    assert "fuel" in err


def test_no_common_segment_cannot_answer(broken, tmp_path, capsys):
    """Every fitted run is moved fifty kilometres away."""
    for name in logs_of(broken, "fitted"):
        lines = Path(name).read_text().splitlines()
        at = lines[0].split(",").index("latitude [deg]")
        moved = [lines[0]]
        for line in lines[1:]:
            cells = line.split(",")
            if cells[at]:
                cells[at] = f"{float(cells[at]) + 0.5:.6f}"
            moved.append(",".join(cells))
        Path(name).write_text("\n".join(moved) + "\n")
    err = says(capsys, 1, ["analyze", str(broken)], tmp_path / "o")
    assert "both arms" in err


def test_the_same_log_in_both_arms_is_refused(demo_study, tmp_path, capsys):
    shutil.copy(first_log(demo_study), tmp_path / "copy.csv")
    argv = ["analyze", "--baseline", str(first_log(demo_study))]
    argv += ["--fitted", str(tmp_path / "copy.csv")]
    assert "same log" in says(capsys, 2, argv, tmp_path / "o")


def test_an_unknown_key_names_the_nearest(broken, tmp_path, capsys):
    text = (broken / "study.toml").read_text().replace("displacement_l", "displacment_l")
    (broken / "study.toml").write_text(text)
    err = says(capsys, 2, ["analyze", str(broken)], tmp_path / "o")
    assert "displacement_l" in err


def test_a_log_outside_the_schedule_is_named(broken, tmp_path, capsys):
    lines = (broken / "study.toml").read_text().splitlines()
    kept = [x for x in lines if "2026-03-17" not in x]
    (broken / "study.toml").write_text("\n".join(kept))
    err = says(capsys, 2, ["analyze", str(broken)], tmp_path / "o")
    assert "2026-03-17" in err


def test_a_failed_analysis_leaves_the_old_report(broken, tmp_path, capsys):
    out = tmp_path / "o"
    assert main(["analyze", str(broken), "--out", str(out)]) == 0
    before = (out / "results.json").read_bytes()
    first_log(broken).write_bytes(b"")
    assert main(["analyze", str(broken), "--out", str(out)]) == 2
    assert (out / "results.json").read_bytes() == before
