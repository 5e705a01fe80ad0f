"""A study as it may be shown: complete, readable by itself, and without its hidden road."""

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.analysis.analyse import analyse
from roadlog.analysis.result import Analysed
from roadlog.errors import InputError
from roadlog.publish.leaks import leaks
from roadlog.publish.places import hidden_points
from roadlog.publish.private import Place
from roadlog.publish.trim import Trimmed, trimmed_study
from roadlog.runs.table import open_study, pile_sources, read_logs


@pytest.fixture(scope="module")
def study(demo_study: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whole") / "study"
    shutil.copytree(demo_study, folder)
    return folder


@pytest.fixture(scope="module")
def trimmed(study: Path, analysed: Analysed) -> Trimmed:
    return trimmed_study(analysed, open_study(study)[1], study.parent / "public")


@pytest.fixture(scope="module")
def again(trimmed: Trimmed) -> Analysed:
    return analyse(*open_study(trimmed.folder))


def test_trimmed_study_answers_by_itself(again: Analysed, analysed: Analysed) -> None:
    assert len(again.runs) == len(analysed.runs)
    assert again.runs["arm"].tolist() == analysed.runs["arm"].tolist()
    assert again.switched_by == analysed.switched_by
    assert again.passes["switch_unit"].nunique() == analysed.passes["switch_unit"].nunique()
    estimate, whole = again.effect.primary, analysed.effect.primary
    assert whole.low is not None
    assert whole.high is not None
    assert whole.low < estimate.estimate < whole.high
    assert again.finding.word == analysed.finding.word


def test_nothing_private_is_in_it(trimmed: Trimmed) -> None:
    assert leaks(trimmed.folder, trimmed.private) == []


def test_all_runs_together_begin_far_from_home(trimmed: Trimmed, study: Path) -> None:
    """Issue 13: the mean of twelve runs' first positions is 300 m or more from where they began."""
    logs = read_logs(*open_study(study))
    homes = np.array([hidden_points(log.frame)[0] for log in logs])
    home = np.median(homes[::2], axis=0)
    firsts = []
    for run in trimmed.runs[::2]:
        assert run.file is not None
        shown = pd.read_csv(trimmed.folder / run.file)[["lat_deg", "lon_deg"]].dropna()
        firsts.append(shown.iloc[0].to_numpy(float))
    mean = np.mean(firsts, axis=0)
    here = Place(float(home[0]), float(home[1]), 0.0, 0.0, 0.0)
    assert here.away_m(mean[:1], mean[1:])[0] > 300


def test_published_twice_it_is_the_same_to_the_byte(
    trimmed: Trimmed, study: Path, analysed: Analysed
) -> None:
    other = study.parent / "other"
    trimmed_study(analysed, open_study(study)[1], other)
    for path in sorted(p for p in other.rglob("*") if p.is_file()):
        name = path.relative_to(other)
        assert path.read_bytes() == (trimmed.folder / name).read_bytes(), name


def test_what_was_drawn_is_for_its_owner_alone(trimmed: Trimmed, study: Path) -> None:
    kept = study / "computed" / "private.json"
    assert kept.stat().st_mode & 0o077 == 0
    assert 500 <= json.loads(kept.read_text())["length_m"] <= 1500
    assert not list(trimmed.folder.rglob("private.json"))


def test_two_piles_say_where_the_secrets_are_kept(
    study: Path, analysed: Analysed, tmp_path: Path
) -> None:
    logs = sorted((study / "logs").glob("*.csv"))
    piles = pile_sources(logs[:2], logs[2:4])
    with pytest.raises(InputError, match="name a file for it"):
        trimmed_study(analysed, piles, tmp_path / "public")
