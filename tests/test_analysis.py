"""The stages in their order, on small studies: what an `Analysed` must hold together."""

import dataclasses
import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.analysis.analyse import analyse
from roadlog.analysis.result import Analysed
from roadlog.demo import make_study
from roadlog.errors import DesignError, RoadlogError
from roadlog.runs.table import Sources, study_sources
from roadlog.study.folder import load_study


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Six days of the demonstration."""
    target = tmp_path_factory.mktemp("analysis") / "study"
    make_study(target, days=6)
    return target


@pytest.fixture(scope="module")
def done(folder) -> Analysed:
    study = load_study(folder)
    return analyse(study, study_sources(folder, study))


def test_every_log_is_a_run_and_every_run_not_used_says_why(done, folder):
    assert len(done.runs) == len(list((folder / "logs").glob("*.csv")))
    assert ((done.runs["reason"] == "") == done.runs["used"].astype(bool)).all()
    assert ((done.passes["reason"] == "") == done.passes["used"].astype(bool)).all()


def test_the_arms_totals_are_those_of_the_used_passes(done):
    used = done.passes[done.passes["used"].astype(bool)]
    for arm, summary in (("baseline", done.baseline), ("fitted", done.fitted)):
        mine = used[used["arm"] == arm]
        assert summary.km == pytest.approx(mine["distance_km"].sum())
        assert summary.l_per_100km == pytest.approx(
            mine["fuel_ml"].sum() / 10 / mine["distance_km"].sum()
        )
        assert summary.runs == mine["run"].nunique()
        assert summary.switch_units == mine["switch_unit"].nunique()


def test_passes_hold_no_more_fuel_than_the_runs_burned(done):
    by_run = done.passes.groupby("run")["fuel_ml"].sum() / 1000
    burned = done.runs.set_index("run")["fuel_l"]
    share = (by_run / burned).dropna()
    assert (share <= 1.001).all()
    assert share.median() > 0.8


def test_the_network_is_kept_and_its_names_stay(done, folder):
    """The kept names count, not those that a new search would give."""
    (kept,) = (folder / "computed").glob("network-*.json")
    data = json.loads(kept.read_text())
    renamed = [s | {"id": f"Q{s['id']}"} for s in data["segments"]]
    kept.write_text(json.dumps(data | {"segments": renamed}))
    study = load_study(folder)
    again = analyse(study, study_sources(folder, study))
    assert [s.id for s in again.network.segments] == [f"Q{s.id}" for s in done.network.segments]
    assert again.effect.primary.estimate == pytest.approx(done.effect.primary.estimate, abs=1e-6)
    assert again.effect.primary.low == pytest.approx(done.effect.primary.low, abs=1e-6)


def test_swapping_the_arms_turns_the_effect_round(done, folder):
    study = load_study(folder)
    other = {"baseline": "fitted", "fitted": "baseline"}
    units = tuple(u.model_copy(update={"arm": other[u.arm]}) for u in study.schedule.unit)
    schedule = study.schedule.model_copy(update={"unit": units})
    turned_study = study.model_copy(update={"schedule": schedule, "claim": None})
    sources = dataclasses.replace(study_sources(folder, study), root=None)
    turned = analyse(turned_study, sources)
    there, back = done.effect.primary.estimate, turned.effect.primary.estimate
    assert (1 + there / 100) * (1 + back / 100) == pytest.approx(1, abs=2e-3)


def test_without_a_schedule_each_stretch_is_a_unit_and_that_is_said(folder, done):
    study = load_study(folder)
    arms = dict(zip(done.runs["file"], done.runs["arm"], strict=True))
    found = study_sources(folder, study)
    sources = Sources(tuple((p, arms[found.shown(p)]) for p, _ in found.runs))
    plain = study.model_copy(update={"schedule": None})
    got = analyse(plain, sources)
    assert "no-schedule" not in [w.code for w in done.warnings]
    assert got.switched_by == "stretch"
    assert "no-schedule" in [w.code for w in got.warnings]


def test_one_arm_alone_is_refused_in_one_sentence(folder):
    study = load_study(folder)
    logs = [(p, "baseline") for p, _ in study_sources(folder, study).runs[:4]]
    with pytest.raises(DesignError, match="no log of the fitted arm"):
        analyse(study.model_copy(update={"schedule": None}), Sources(tuple(logs)))


def test_a_run_on_other_roads_is_listed_with_its_reason(folder, done, tmp_path):
    target = tmp_path / "study"
    shutil.copytree(folder, target)
    shutil.rmtree(target / "computed")
    moved = sorted((target / "logs").glob("*.csv"))[0]
    frame = pd.read_csv(moved, dtype=str)
    frame["latitude [deg]"] = (frame["latitude [deg]"].astype(float) + 0.2).map("{:.6f}".format)
    frame.replace("nan", "").to_csv(moved, index=False)
    study = load_study(target)
    try:
        got = analyse(study, study_sources(target, study))
    except RoadlogError as e:
        pytest.fail(str(e))
    row = got.runs[got.runs["file"].str.endswith(moved.name)].iloc[0]
    assert not row["used"]
    assert str(row["reason"]).startswith("no usable pass: ")
    assert np.isclose(got.runs["used"].sum(), done.runs["used"].sum() - 1)
