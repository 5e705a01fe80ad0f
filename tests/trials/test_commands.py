"""The trials' commands as a tester meets them: files, findings, exit codes, sentences."""

import json

import numpy as np
import pandas as pd
import pytest

from roadlog.cli import main
from tests.trials.synthetic import POWER_KW, runout_table, speed_trace, start_log

STUDY = """
[labels]
baseline = "collar out"
fitted = "collar in"
[standing_start]
baseline = ["starts/out*.csv"]
fitted = ["starts/in*.csv"]
switched_by = "run"
randomised = true
claim_power_pct = 8
[runout]
randomised = true
fixed_end_state = true
claim_fuel_pct = 10
"""


def write_log(path, seed, minutes):
    rng = np.random.default_rng(seed)
    traces = [speed_trace(POWER_KW * np.exp(rng.normal(0, 0.008))) for _ in range(4)]
    log = start_log(traces, headings=[20.0, 200.0] * 2, interval_s=0.25, phase_s=0.01 * seed)
    start = pd.Timestamp("2026-04-01 10:00") + pd.Timedelta(minutes=minutes)
    clock = [
        (start + pd.Timedelta(seconds=s)).isoformat(timespec="milliseconds")
        for s in log.frame["t_s"]
    ]
    pd.DataFrame(
        {
            "time": clock,
            "speed [km/h]": log.frame["speed_kmh"],
            "accelerator pedal position [%]": log.frame["pedal_pct"],
            "latitude": log.frame["lat_deg"].round(6),
            "longitude": log.frame["lon_deg"].round(6),
        }
    ).to_csv(path, index=False)


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("trials")
    (folder / "starts").mkdir()
    (folder / "study.toml").write_text(STUDY)
    for i, arm in enumerate(["out", "in", "in", "out", "out", "in"]):
        write_log(folder / "starts" / f"{arm}_{i}.csv", i, 20 * i)
    table = runout_table(
        np.random.default_rng(6), arms=["baseline", "fitted"] * 4, fuels_g=[300.0] * 8
    )
    table["arm"] = table["arm"].map({"baseline": "collar out", "fitted": "collar in"})
    table = table.rename(columns={"time_s": "run_time_s"})
    table[["arm", "fuel_g", "run_time_s", "load_w"]].to_csv(folder / "runout.csv", index=False)
    return folder


def test_standing_start_of_a_study_prints_and_saves(study, capsys):
    assert main(["standing-start", str(study), "--each"]) == 0
    out = capsys.readouterr().out
    for words in ("REFUTED", "closed course", "95 % interval", "collar in", "3 + 3 switch units"):
        assert words in out
    saved = json.loads((study / "results" / "trials" / "standing-start.json").read_text())
    assert saved["low"] < 0 < saved["high"]
    assert len(saved["details"]["starts"]) == 24


def test_standing_start_of_two_piles_needs_no_study(study, capsys):
    starts = study / "starts"
    argv = ["standing-start", "--baseline", *map(str, sorted(starts.glob("out*")))]
    argv += ["--fitted", *map(str, sorted(starts.glob("in*"))), "--claim-seconds", "1"]
    assert main([*argv, "--mass", "1310"]) == 0  # out, in in, out out, in: four stretches
    out = capsys.readouterr().out
    assert "1 s quicker" in out
    assert "2 + 2 switch units" in out
    assert main([*argv, "--switched-by", "run"]) == 0
    out = capsys.readouterr().out
    assert "3 + 3 switch units" in out
    assert "REFUTED" in out


METAR = "EDXX 01{}Z 02008KT 9999 20/12 Q1013\n"


def with_weather(study, folder, text):
    """The study beside a METAR file of an aerodrome 500 m up, on a clock of UTC + 2 h."""
    import shutil

    shutil.copytree(study, folder, ignore=shutil.ignore_patterns("results"))
    zone = '[time]\nzone = "Europe/Berlin"\n[weather]\nmetar = "metar.txt"\n'
    (folder / "study.toml").write_text(STUDY + zone + text)
    (folder / "metar.txt").write_text("".join(METAR.format(f"{h:02d}50") for h in range(6, 12)))
    return folder


def test_standing_start_takes_wind_and_air_from_metar(study, tmp_path, capsys):
    rule = "station_elevation_m = 500\nstation = [46.1, 8.1]\n"
    folder = with_weather(study, tmp_path / "s", rule)
    assert main(["standing-start", str(folder)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    for words in ("study's weather is taken off", "99 kPa dry", "13 to 14 km from the route"):
        assert words in out
    still = with_weather(study, tmp_path / "t", rule + 'shelter = "built-up"\n')
    assert main(["standing-start", str(still)]) == 0
    times = [
        [
            s["std_time_s"]
            for s in json.loads((f / "results/trials/standing-start.json").read_text())["details"][
                "starts"
            ]
        ]
        for f in (folder, still)
    ]
    assert max(abs(a - b) for a, b in zip(*times, strict=True)) > 0.01  # no wind among houses


def test_standing_start_refuses_the_weather_that_analyze_refuses(study, tmp_path, capsys):
    no_height = with_weather(study, tmp_path / "s", "")
    assert main(["standing-start", str(no_height)]) == 2
    assert "give station_elevation_m" in capsys.readouterr().err
    other_days = with_weather(study, tmp_path / "t", "station_elevation_m = 500\n")
    text = (other_days / "metar.txt").read_text()
    (other_days / "metar.txt").write_text(text.replace("EDXX 01", "202501120650 EDXX 12"))
    assert main(["standing-start", str(other_days)]) == 2
    assert "none of the runs' days" in capsys.readouterr().err


def test_runout_of_a_study_takes_its_own_words_for_the_arms(study, capsys):
    assert main(["runout", str(study)]) == 0
    assert "REFUTED" in capsys.readouterr().out
    assert (study / "results" / "trials" / "runout.json").is_file()


def test_ordinary_drives_hold_no_start(demo_study, capsys):
    assert main(["standing-start", str(demo_study)]) == 1
    err = capsys.readouterr().err
    assert "no full-throttle start" in err
    assert "\n" not in err.strip()
    assert not (demo_study / "results").exists()


@pytest.mark.parametrize(
    ("argv", "code", "words"),
    [
        (["standing-start"], 2, "STUDY folder or both"),
        (["standing-start", "--baseline", "x.csv"], 2, "--fitted is missing"),
        (["standing-start", "--baseline", "x.csv", "--fitted", "y.csv"], 2, "x.csv"),
        (["standing-start", "nowhere", "--target", "5"], 2, "from 30 to 250"),
        (["standing-start", "nowhere"], 2, "nowhere"),
        (["runout", "nowhere.csv"], 2, "nowhere.csv"),
        (["runout", "x.csv", "--claim-fuel", "120"], 2, "0 to 100"),
        (["runout", "x.csv", "--claim-fuel", "5", "--claim-run-time", "5"], 2, "one of"),
        (["ceiling", "nowhere"], 2, "nowhere"),
        (["payback", "nowhere"], 2, "nowhere"),
        (["engine-signals", "nowhere"], 2, "nowhere"),
        (["inspect", "prepare", "gone.csv", "--out", "o"], 2, "gone.csv"),
        (["inspect", "unblind", "gone", "--scores", "a.csv"], 2, "gone"),
    ],
)
def test_wrong_calls_are_one_sentence(argv, code, words, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(argv) == code
    err = capsys.readouterr().err.strip()
    assert err.startswith("roadlog: ")
    assert words in err
    assert "\n" not in err
    assert not list(tmp_path.iterdir())


def test_the_report_shows_the_trials_of_the_study(demo_study, tmp_path, capsys):
    import shutil

    folder = tmp_path / "study"
    shutil.copytree(demo_study, folder)
    argv = ["ceiling", str(folder), "--volts", "13.6", "--amps", "18", "--cells", "6"]
    assert main([*argv, "--fuel-l-h", "4"]) == 0
    assert main(["analyze", str(folder)]) == 0
    page = (folder / "results" / "report.html").read_text(encoding="utf-8")
    assert "The whole claim" in page
    assert "Cell liquids are caustic" in page
    told = json.loads((folder / "results" / "results.json").read_text())["trials"]
    assert [t["trial"] for t in told] == ["ceiling"]
    (folder / "results" / "trials" / "ceiling.json").write_text("{}")
    assert main(["analyze", str(folder)]) == 2
    assert "run the trial again" in capsys.readouterr().err
