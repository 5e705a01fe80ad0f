"""A study as it may be shown: complete, readable by itself, and without its hidden road."""

import dataclasses
import datetime as dt
import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.analysis.analyse import analyse
from roadlog.analysis.result import Analysed
from roadlog.errors import InputError
from roadlog.plan.looks import oversee
from roadlog.plan.register import read_register, register
from roadlog.publish import shown, trim
from roadlog.publish.clock import PublicClock
from roadlog.publish.leaks import PrivateFacts, leaks
from roadlog.publish.places import hidden_points
from roadlog.publish.private import Place
from roadlog.publish.records import public_trial, write_records
from roadlog.publish.settings import public_study, study_toml
from roadlog.publish.trim import Trimmed, trimmed_study
from roadlog.runs.table import Sources, open_study, pile_sources, read_logs
from roadlog.study.settings import parse_study
from roadlog.trials.result import TrialResult


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
    """Analysed elsewhere: what an analysis keeps in a folder isn't published."""
    folder = trimmed.folder.parent / "analysed"
    shutil.copytree(trimmed.folder, folder)
    return analyse(*open_study(folder))


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


@pytest.mark.slow
def test_with_nothing_cut_the_effect_stays(
    study: Path, analysed: Analysed, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """What is carried over and written anew moves nothing: only road that is gone does."""
    monkeypatch.setattr(shown, "shown_rows", lambda frame, *_: np.ones(len(frame), bool))
    monkeypatch.setattr(shown, "SPARE_S", 1e9)
    monkeypatch.setattr(trim, "keep_secrets", lambda *_: None)
    trimmed_study(analysed, open_study(study)[1], tmp_path / "all")
    every = analyse(*open_study(tmp_path / "all"))
    one, other = every.effect.primary, analysed.effect.primary
    assert one.estimate == pytest.approx(other.estimate, abs=0.005)
    assert one.low == pytest.approx(other.low, abs=0.01)
    assert every.closed is not None
    assert analysed.closed is not None
    assert every.closed.values["scale"] == pytest.approx(analysed.closed.values["scale"], abs=1e-3)
    carried = ["ambient_c", "air_density_kg_m3", "coolant_start_c", "cold_share"]
    difference = every.passes[carried] - analysed.passes[carried]
    assert difference.abs().max().max() < 1e-6


def test_two_piles_say_where_the_secrets_are_kept(
    study: Path, analysed: Analysed, tmp_path: Path
) -> None:
    logs = sorted((study / "logs").glob("*.csv"))
    piles = pile_sources(logs[:2], logs[2:4])
    with pytest.raises(InputError, match="name a file for it"):
        trimmed_study(analysed, piles, tmp_path / "public")


@pytest.fixture
def registered(study: Path, analysed: Analysed, tmp_path: Path) -> Path:
    """The study's settings, registered a minute before the first drive."""
    folder = tmp_path / "registered"
    folder.mkdir()
    shutil.copy(study / "study.toml", folder)
    first = pd.Timestamp(analysed.runs.loc[analysed.runs["arm"] == "fitted", "start"].min())
    at = (first - pd.Timedelta(minutes=1)).to_pydatetime().astimezone()
    register(folder, analysed.study, at)
    return folder


def _public_clock(kind: str) -> PublicClock:
    return PublicClock("hours") if kind == "hours" else PublicClock("shifted", -20, 2)


@pytest.mark.parametrize("kind", ["hours", "shifted"])
def test_a_registration_stays_before_the_first_fitted_drive(
    kind: str, registered: Path, analysed: Analysed, tmp_path: Path
) -> None:
    seen = oversee(analysed.study, registered, analysed.runs, dt.datetime.now().astimezone())
    whole = dataclasses.replace(analysed, oversight=seen)
    sources = Sources(runs=(), root=registered)
    into = tmp_path / "public"
    into.mkdir()
    shutil.copy(registered / "study.toml", into)
    told = write_records(whole, sources, into, {}, _public_clock(kind), PrivateFacts())
    assert told["registered"] == "before"
    assert told["registration_shown"] == (kind == "hours")
    if kind == "hours":
        (entry,) = read_register(into)
        assert (entry.at.minute, entry.at.second) == (0, 0)
        starts = analysed.runs["start"].dt.floor("h")
        public = oversee(
            analysed.study, into, analysed.runs.assign(start=starts), dt.datetime.now().astimezone()
        )
        assert not public.registered_late
        assert public.changes == ()


def test_trials_lose_files_times_and_names() -> None:
    trial = TrialResult(
        "inspection", "?", "", "seen in anna_2.csv and b9.csv", 1.0, None, None, "points", None, "",
        notes=("log /srv/x/anna_2.csv",),
        details={"scorers": ["Anna", "Tom"], "trials": [{"file": "anna_2.csv", "s": 3.2,
                 "start": "07:10"}], "p": 0.5},
    )  # fmt: skip
    private = PrivateFacts(names=frozenset({"anna_2.csv", "b9.csv"}), paths=frozenset({"/srv/x"}))
    public = public_trial(trial, {"anna_2.csv": "logs/fitted/run-002.csv"}, private)
    text = json.dumps(dataclasses.asdict(public))
    assert "run-002.csv and a log" in public.measured
    assert not any(word in text for word in ("anna", "Tom", "07:10", "/srv", "b9"))
    assert public.details["trials"] == [{"s": 3.2}]


@pytest.mark.parametrize(
    "name", ['<b>x</b> & "y"', "🚗 καλό", "\u202eabc", "x" * 300, "a\nb", "C:\\x", "\t"]
)
def test_any_name_of_a_study_comes_through(name: str) -> None:
    study = parse_study({"name": name, "device": {"name": name}, "labels": {"fitted": name}})
    assert parse_study(study_toml(study)) == study


def test_settings_of_a_study_lose_places_and_keep_its_design(study: Path) -> None:
    text = (study / "study.toml").read_text() + (
        '\n[weather]\nstation = [52.5, 13.4]\nshelter = "hedges"\n'
        "\n[privacy]\ncircles = [{ lat = 52.5, lon = 13.4, radius_m = 500 }]\n"
        '\n[columns]\n"Anna\'s speed" = "speed_kmh"\n'
    )
    whole = parse_study(text)
    public = public_study(
        whole, {}, PublicClock("shifted", -3), routes={}, gates=False, station_m=100.0
    )
    told = study_toml(public)
    assert not any(word in told for word in ("52.5", "13.4", "Anna", "circles"))
    assert public.weather.shelter == "hedges"
    assert whole.schedule is not None
    assert public.schedule is not None
    assert [u.arm for u in public.schedule.unit] == [u.arm for u in whole.schedule.unit]
    apart = {str(a.unit - b.unit) for a, b in zip(  # type: ignore[operator]
        whole.schedule.unit, public.schedule.unit, strict=True)}  # fmt: skip
    assert apart == {"21 days, 0:00:00"}


def test_what_was_drawn_must_be_kept(study: Path, analysed: Analysed, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="again at the next publication"):
        trimmed_study(analysed, open_study(study)[1], tmp_path / "x", private=tmp_path / "file/p")
