"""The pages of trials and of publishing: forms in, the same work as the commands."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from roadlog.bench.last_tasks import LAST_TASKS, ceiling, payback
from roadlog.cli import main
from roadlog.errors import InputError, RoadlogError


@pytest.fixture
def study(tmp_path: Path, small_study: Path) -> Path:
    folder = tmp_path / "collar"
    folder.mkdir()
    shutil.copy(small_study / "study.toml", folder)
    return folder


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """What a form started, instead of a process."""
    told: dict[str, Any] = {}

    def start(request: object, task: str, here: object, handed: Any = None, **given: Any) -> None:
        told.update(task=task, given=given)

    for name in ("trials", "publish"):
        monkeypatch.setattr(f"roadlog.bench.pages.{name}.start_job", start)
    return told


def tell(*_: Any, **__: Any) -> None:
    pass


def test_a_ceiling_typed_into_the_form_stands_on_the_page_with_its_caution(
    study: Path, browser: TestClient, started: dict[str, Any]
) -> None:
    assert "explodes at a spark" in browser.get("/study/collar/trials").text
    sent = {"volts": "13,8", "amps": "20", "cells": "6", "fuel_l_h": "5", "currency": "x"}
    assert browser.post("/study/collar/trials/ceiling", data=sent).status_code == 200
    given = started["given"]["given"]
    assert given == {"volts": 13.8, "amps": 20.0, "cells": 6, "fuel_l_h": 5.0}
    done = ceiling(study=str(study), given=given, tell=tell)
    kept = json.loads((study / "results" / "trials" / "ceiling.json").read_text())
    assert kept["measured"] == done["text"]
    page = browser.get("/study/collar/trials").text
    assert "<dt>Measured</dt>" in page


@pytest.mark.parametrize("typed", ["ten", "1e400", "nan", "<script>", "1" * 50])
def test_what_is_no_number_is_told(
    typed: str, study: Path, browser: TestClient, started: dict[str, Any]
) -> None:
    answer = browser.post("/study/collar/trials/ceiling", data={"volts": typed})
    assert answer.status_code == 400
    assert "<script>" not in answer.text.split("</head>")[1]
    assert not started


def test_payback_before_the_road_test_is_refused_in_a_sentence(study: Path) -> None:
    with pytest.raises(InputError, match="run 'roadlog analyze' first"):
        payback(study=str(study), given={"price": 89.0}, tell=tell)


def test_trials_without_a_form_name_their_command(study: Path, browser: TestClient) -> None:
    text = browser.get("/study/collar/trials").text
    assert "roadlog inspect" in text
    assert browser.post("/study/collar/trials/inspection", data={}).status_code == 400


def test_engine_signals_run_from_the_page_as_from_the_command(
    small_study: Path, tmp_path: Path, browser: TestClient, started: dict[str, Any]
) -> None:
    folder, other = tmp_path / "collar", tmp_path / "other"
    for place in (folder, other):
        shutil.copytree(small_study, place, ignore=shutil.ignore_patterns("results", ".roadlog*"))
    assert browser.post("/study/collar/trials/engine-signals", data={}).status_code == 200
    assert started == {"task": "engine-signals", "given": {"given": {}}}
    assert LAST_TASKS["engine-signals"](study=str(folder), given={}, tell=tell)["text"]
    assert main(["engine-signals", str(other)]) == 0
    kept = "results/trials/engine-signals.json"
    assert (folder / kept).read_bytes() == (other / kept).read_bytes()


def test_standing_starts_take_one_claim_and_refuse_as_the_command_does(
    small_study: Path, tmp_path: Path, browser: TestClient, started: dict[str, Any]
) -> None:
    folder = tmp_path / "collar"
    shutil.copytree(small_study, folder, ignore=shutil.ignore_patterns("results", ".roadlog*"))
    sent = {"target": "100", "claim_power": "10", "turbo": "yes"}
    page = browser.post("/study/collar/trials/standing-start", data=sent).text
    assert "On a closed course only" in page
    given = started["given"]["given"]
    assert given == {"target": 100.0, "claim_power": 10.0, "turbo": True}
    for wrong in ({"target": 900.0}, {"claim_power": 10.0, "claim_quicker": 5.0}, given):
        with pytest.raises(RoadlogError):  # a commute has no full-throttle start
            LAST_TASKS["standing-start"](study=str(folder), given=wrong, tell=tell)
    assert not (folder / "results").exists()


def test_publishing_takes_clock_licence_and_authors(
    study: Path, browser: TestClient, started: dict[str, Any]
) -> None:
    sent = {"clock": "shifted", "licence": "CC0-1.0", "authors": " Ann \n\n Bo "}
    browser.post("/study/collar/publish", data=sent)
    assert started["task"] == "publish"
    assert started["given"] == {
        "clock": "shifted", "licence": "CC0-1.0", "authors": ["Ann", "Bo"],
    }  # fmt: skip
    assert browser.post("/study/collar/publish", data={"clock": "true"}).status_code == 400


def test_an_archive_that_is_sent_is_kept_under_a_name_of_ours(
    study: Path, browser: TestClient, started: dict[str, Any], tmp_path: Path
) -> None:
    files = {"archive": ("../../evil.zip", b"PK no zip", "application/zip")}
    browser.post("/study/collar/recheck", data={"sha256": " ab "}, files=files)
    given = started["given"]
    path = Path(given["archive"])
    assert path.parent == tmp_path / ".roadlog"
    assert path.read_bytes() == b"PK no zip"
    assert given["uploaded"] is True
    assert given["sha256"] == "ab"


def test_what_was_published_is_shown_with_its_hash(study: Path, browser: TestClient) -> None:
    out = study / "published"
    out.mkdir()
    for name in ("index.html", "archive.zip", "post.txt", "roadlog-published.txt"):
        (out / name).write_text("</textarea><script>x</script>")
    text = browser.get("/study/collar/publish").text
    assert "&lt;/textarea&gt;" in text
    assert "SHA-256: <span" in text
    assert 'src="/study/-' not in text
