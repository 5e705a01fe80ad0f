"""Interim looks, registration and what an analysis then says."""

import datetime as dt
import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from roadlog.analysis.analyse import analyse
from roadlog.errors import InputError
from roadlog.plan.looks import log_look, read_looks
from roadlog.plan.register import (
    REGISTER,
    Entry,
    changes,
    choices_of,
    read_register,
    register,
    without_late_notes,
)
from roadlog.runs.table import study_sources
from roadlog.stats.interval import Interval, at_level, percent_interval, rule
from roadlog.stats.unit_contrast import UnitContrast
from roadlog.study.folder import load_study
from roadlog.study.settings import parse_study

BEFORE = dt.datetime(2026, 3, 1, 18, 0, tzinfo=dt.UTC)
HALF_WAY = dt.datetime(2026, 3, 11, 20, 0, tzinfo=dt.UTC)
AFTERWARDS = dt.datetime(2026, 4, 1, tzinfo=dt.UTC)


@pytest.fixture
def half_done(study_without_positions: Path, tmp_path: Path) -> Path:
    """The 12-day demo (without positions, for speed) after eight of its days."""
    folder = tmp_path / "half"
    shutil.copytree(
        study_without_positions, folder, ignore=shutil.ignore_patterns("computed", "results")
    )
    for log in (folder / "logs").glob("*.csv"):
        if log.name.split("_")[1] > "2026-03-11":
            log.unlink()
    return folder


def look_at(folder: Path, now: dt.datetime):
    study = load_study(folder)
    return analyse(study, study_sources(folder, study), now=now)


def edit(folder: Path, old: str, new: str) -> None:
    path = folder / "study.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def test_an_interim_look_decides_nothing(half_done):
    done = look_at(half_done, HALF_WAY)
    assert rule(done.effect.primary.low, done.effect.primary.high, -10.7) == "refuted"
    assert done.finding.word == "undecided"
    assert any("undecided (interim)" in r for r in done.finding.reasons)
    assert "interim" in {w.code for w in done.warnings}
    assert done.oversight.look.units == 8
    assert done.oversight.look.interim


def test_after_the_last_day_missing_days_are_named_and_the_finding_stands(half_done):
    done = look_at(half_done, AFTERWARDS)
    assert done.finding.word == "refuted"
    assert not done.oversight.look.interim
    (missing,) = [w.message for w in done.warnings if w.code == "unit-missing"]
    assert "4 of 12" in missing
    assert "2026-03-12" in missing


def test_alpha_spending_lets_an_early_look_decide_by_a_wider_interval(half_done):
    edit(half_done, "randomised = true", 'randomised = true\nspending = "obrien-fleming"')
    done = look_at(half_done, HALF_WAY)
    level = done.oversight.look.level
    assert 0.98 < level < 0.995
    wide = at_level(done.effect.primary, level)
    assert wide.high > done.effect.primary.high
    assert done.finding.word == rule(wide.low, wide.high, -100 * 12 / 112)
    assert f"{100 * level:.4g} % interval" in done.finding.reasons[0]


def test_the_last_look_pays_for_the_earlier_ones(half_done):
    edit(half_done, "randomised = true", 'randomised = true\nspending = "obrien-fleming"')
    early = look_at(half_done, HALF_WAY)
    assert log_look(half_done, early.oversight, early.finding)
    last = look_at(half_done, AFTERWARDS)
    alone = 0.95
    assert alone < last.oversight.look.level < 0.97
    assert len(last.oversight.earlier) == 1


def test_looks_are_appended_once_for_the_same_data_and_choices(half_done):
    for now in (HALF_WAY, HALF_WAY + dt.timedelta(hours=1)):
        done = look_at(half_done, now)
        log_look(half_done, done.oversight, done.finding)
    assert len(read_looks(half_done)) == 1
    edit(half_done, "economy_pct = 12.0", "economy_pct = 8.0")
    done = look_at(half_done, HALF_WAY)
    assert log_look(half_done, done.oversight, done.finding)
    first, second = read_looks(half_done)
    assert first.data_sha256 == second.data_sha256
    assert first.choices_sha256 != second.choices_sha256


def test_edits_after_registration_are_listed(half_done):
    register(half_done, load_study(half_done), BEFORE)
    edit(half_done, "economy_pct = 12.0", "economy_pct = 8.0")
    edit(half_done, '2026-03-16, arm = "fitted"', '2026-03-16, arm = "baseline"')
    edit(half_done, '2026-03-17, arm = "baseline"', '2026-03-17, arm = "fitted"')
    register(half_done, load_study(half_done), HALF_WAY)  # too late to bind
    done = look_at(half_done, AFTERWARDS)
    assert done.oversight.registered_at == "2026-03-01T18:00+00:00"
    listed = [w.message for w in done.warnings if w.code == "changed-after-registration"]
    assert any("economy_pct: 12.0 -> 8.0" in m for m in listed)
    assert any("2026-03-16: fitted, block 3 -> baseline, block 3" in m for m in listed)
    assert len(listed) == 3


def noted_terms(done) -> set[str]:
    used = {t for t in done.passes.columns if t.startswith("note_")}
    return {w.code for w in done.warnings if w.code.startswith("note-")} | used


def test_a_note_enters_the_model_only_if_it_was_named_before_the_data(half_done):
    assert noted_terms(look_at(half_done, AFTERWARDS)) == set()
    register(half_done, load_study(half_done), BEFORE)
    named = 'noted_covariates = ["payload"]\ndriver_knew_arm'
    edit(half_done, "driver_knew_arm", named)
    register(half_done, load_study(half_done), HALF_WAY)  # too late to bind
    assert noted_terms(look_at(half_done, AFTERWARDS)) == {"note-named-late"}


def test_a_note_named_in_time_enters_and_one_without_register_is_told(half_done):
    edit(half_done, "driver_knew_arm", 'noted_covariates = ["payload"]\ndriver_knew_arm')
    told = {"note-not-registered", "note_payload_kg"}
    assert noted_terms(look_at(half_done, AFTERWARDS)) == told
    register(half_done, load_study(half_done), BEFORE)
    assert noted_terms(look_at(half_done, AFTERWARDS)) == {"note_payload_kg"}


def test_an_exact_list_that_gained_a_note_later_loses_it_again(half_done):
    study = load_study(half_done)
    exactly = study.analysis.model_copy(update={"covariates": ("ambient_c", "note_payload_kg")})
    then = choices_of(study.model_copy(update={"analysis": study.analysis}))
    late = study.model_copy(update={"analysis": exactly})
    model, gone = without_late_notes(late, Entry(BEFORE, "", then))
    assert (model.analysis.covariates, gone) == (("ambient_c",), ("note_payload_kg",))
    assert without_late_notes(late, Entry(BEFORE, "", choices_of(late)))[0] == late


def test_registration_after_the_first_fitted_run_is_called_late(half_done):
    register(half_done, load_study(half_done), HALF_WAY)
    done = look_at(half_done, AFTERWARDS)
    assert done.oversight.registered_late
    assert "registered-late" in {w.code for w in done.warnings}


def test_registering_twice_without_a_change_adds_nothing(tmp_path):
    study = parse_study("[claim]\nfuel_pct = 10")
    first = register(tmp_path, study, BEFORE)
    assert register(tmp_path, study, HALF_WAY) == first
    assert len(read_register(tmp_path)) == 1


def test_a_register_changed_by_hand_is_refused(tmp_path):
    register(tmp_path, parse_study("[claim]\nfuel_pct = 10"), BEFORE)
    path = tmp_path / REGISTER
    path.write_text(path.read_text().replace("10.0", "5.0"))
    with pytest.raises(InputError, match="doesn't match its hash"):
        read_register(tmp_path)
    path.write_text("[]")
    with pytest.raises(InputError, match="can't be read"):
        read_register(tmp_path)


def test_names_and_labels_may_change_but_covariates_may_not():
    a = parse_study('name = "a"')
    b = parse_study('name = "b"\n[labels]\nfitted = "in"\n[plan]\ndays = 9')
    assert changes(choices_of(a), choices_of(b)) == []
    c = parse_study('[analysis]\ncovariates = ["ambient_c"]')
    assert changes(choices_of(a), choices_of(c)) == [
        "analysis covariates: not given -> ambient_c"
    ]  # fmt: skip


def test_interval_at_another_level_is_the_t_interval_there():
    from scipy.stats import t

    tau, se, df = -0.03, 0.01, 6

    def at(level: float) -> Interval:
        half = t.ppf(0.5 + level / 2, df) * se
        low, high = (float(100 * np.expm1(tau + s * half)) for s in (-1, 1))
        return Interval(float(100 * np.expm1(tau)), low, high, df=df, level=level)

    got, expected = at_level(at(0.95), 0.99), at(0.99)
    assert (got.low, got.high) == pytest.approx((expected.low, expected.high))
    assert at_level(at(0.95), 1.0).low is None


def test_report_and_json_tell_registration_and_looks(half_done, tmp_path):
    from roadlog.report import to_json
    from roadlog.report.page import report_page

    register(half_done, load_study(half_done), BEFORE)
    done = look_at(half_done, HALF_WAY)
    page = report_page(done, passes_sha256="0")
    assert "What was fixed beforehand" in page
    assert done.oversight.registered_sha256 in page
    assert "8 of 12" in page
    told = to_json(done)["oversight"]
    assert told["look"]["interim"] is True
    json.dumps(told, allow_nan=False)


def test_report_and_json_hold_the_plans_promise_against_what_came(half_done):
    from dataclasses import replace

    from roadlog.plan.promise import order_of_schedule
    from roadlog.plan.promised import keep_promise, promise_of
    from roadlog.plan.size import assumed_scatter, size, unit_plan
    from roadlog.report import to_json
    from roadlog.report.page import report_page

    study = load_study(half_done)
    layout, scatter = unit_plan(study.plan, 0), assumed_scatter("mixed", 2)
    s = size(order_of_schedule(study.schedule), scatter, layout, study.claim)
    promise = promise_of(s, scatter, study.claim, BEFORE)
    keep_promise(half_done, promise)
    keep_promise(half_done, replace(promise, made_at=HALF_WAY.isoformat(), half_width_pct=9.9))
    done = look_at(half_done, AFTERWARDS)
    planned = to_json(done)["planned"]
    low, high = done.effect.primary.low, done.effect.primary.high
    assert planned["achieved"]["half_width_pct"] == pytest.approx((high - low) / 2)
    assert planned["achieved"]["finding"] == done.finding.word
    assert planned["promised"]["half_width_pct"] == pytest.approx(s.half_width_pct)
    assert planned["promised"]["late"] is False
    assert planned["promised"]["chances"][0]["true_pct"] == 0
    page = report_page(done, passes_sha256="0")
    assert f"promised about ±{s.half_width_pct:.1f}" in page
    assert f"gave ±{(high - low) / 2:.1f}" in page


def test_an_interval_on_the_passes_floor_grows_as_the_normal_does():
    """At 2 degrees of freedom t grows 2.3 times from 95 to 99 %, the floor's normal 1.3 times."""
    contrast = UnitContrast(0.01, np.ones(6), 0.002, 2, 0.02, 1.0, np.zeros(6))
    assert contrast.on_floor
    at_95 = replace(
        percent_interval(contrast.tau, contrast.half_width(), 2, ""), se=0.002, floor_se=0.02
    )
    got = at_level(at_95, 0.99)
    assert np.log1p(got.high / 100) - 0.01 == pytest.approx(contrast.half_width(0.99))
    assert np.log1p(got.high / 100) - 0.01 == pytest.approx(0.02 * 2.5758, rel=1e-4)
