"""A column of another drive, pasted beside the wrong clock, is told; sound logs share nothing."""

import datetime as dt
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.analysis.analyse import analyse
from roadlog.demo import make_study
from roadlog.ingest import read_log
from roadlog.ingest.copied import copied_signals
from roadlog.runs.table import study_sources
from roadlog.study.folder import load_study

SAMPLE = Path(__file__).resolve().parents[1] / "sample_logs" / "logs"
NAMES = ("a.csv", "b.csv", "c.csv")


def drive(seed: int, n: int = 1200) -> pd.DataFrame:
    """Whole steps of each sensor, as a bus gives them; every third row lacks the trim."""
    rng = np.random.default_rng(seed)
    walk = np.cumsum(rng.standard_normal((n, 3)), axis=0)
    trim = np.round(walk[:, 2] - np.linspace(0, walk[-1, 2], n)) * 0.78
    trim[::3] = np.nan
    return pd.DataFrame(
        {
            "t_s": np.arange(n) * 0.5,
            "speed_kmh": np.round(np.abs(walk[:, 0])),
            "maf_g_s": np.round(5 + np.abs(walk[:, 1]), 2),
            "stft1_pct": trim,
            "coolant_temp_c": np.minimum(90.0, np.floor(20 + np.arange(n) / 9)),
        }
    )


def test_different_drives_share_nothing_not_even_a_warm_up() -> None:
    assert copied_signals([drive(1), drive(2), drive(3)], NAMES) == []


def test_a_trim_pasted_from_another_drive_is_told() -> None:
    b = drive(2).assign(stft1_pct=drive(1)["stft1_pct"])
    (found,) = copied_signals([drive(1), b, drive(3)], NAMES)
    assert (found.signal, found.files) == ("stft1_pct", ("a.csv", "b.csv"))


@pytest.mark.parametrize("lost", [200, 500])
def test_a_part_of_it_is_enough_wherever_it_stands(lost: int) -> None:
    b = drive(2)
    b.loc[: 1199 - lost, "maf_g_s"] = drive(1)["maf_g_s"].to_numpy()[lost:]
    (found,) = copied_signals([drive(1), b], NAMES[:2])
    assert found.signal == "maf_g_s"


def test_one_source_for_all_logs_is_one_sentence() -> None:
    logs = [drive(s).assign(maf_g_s=drive(9)["maf_g_s"]) for s in range(3)]
    (found,) = copied_signals(logs, NAMES)
    assert found.files == NAMES
    assert "a.csv, b.csv and 1 more, which are different drives" in str(found)


def test_a_whole_drive_twice_is_not_this_rules_business() -> None:
    assert copied_signals([drive(1), drive(1)], NAMES[:2]) == []


def test_a_signal_that_stands_or_takes_two_values_repeats_itself() -> None:
    n = 1200
    still = {"baro_kpa": 99.0, "fuel_status": np.arange(n) // 2 % 2 * 2.0}
    assert copied_signals([drive(1).assign(**still), drive(2).assign(**still)], NAMES[:2]) == []


def test_short_logs_and_logs_without_the_signal_pass() -> None:
    assert copied_signals([drive(1, 50), drive(2)[["t_s", "speed_kmh"]]], NAMES[:2]) == []
    assert copied_signals([], ()) == []


def test_the_sample_logs_share_nothing() -> None:
    paths = sorted(SAMPLE.rglob("*.csv"))[:8]
    assert copied_signals([read_log(p).frame for p in paths], [p.name for p in paths]) == []


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four days of the synthetic study, its fitted logs to be damaged."""
    folder = tmp_path_factory.mktemp("copied") / "study"
    make_study(folder, seed=3, days=8, effect_pct=0.6)
    return folder


@pytest.mark.parametrize(
    ("column", "firm"), [("short term fuel trim", False), ("throttle position", True)]
)
def test_copied_trims_forbid_a_firm_word_and_a_copied_throttle_is_told(
    study: Path, tmp_path: Path, column: str, firm: bool
) -> None:
    shutil.copytree(study, tmp_path / "s", ignore=shutil.ignore_patterns("computed"))
    logs = sorted((tmp_path / "s" / "logs").rglob("*.csv"))
    source = pd.read_csv(logs[0])
    (name,) = [c for c in source if column in c]
    for path in logs[1:3]:
        table = pd.read_csv(path)
        n = min(len(table), len(source))
        table.loc[: n - 1, name] = source[name].to_numpy()[:n]
        path.write_text(table.to_csv(index=False))
    study_ = load_study(tmp_path / "s")
    after = dt.datetime(2026, 12, 1, tzinfo=dt.UTC)
    result = analyse(study_, study_sources(tmp_path / "s", study_), now=after)
    assert "signal-copied" in {w.code for w in result.warnings}
    told = any("reading for reading" in r for r in result.finding.reasons)
    assert told is not firm
    assert (result.finding.word == "undecided") is not firm
