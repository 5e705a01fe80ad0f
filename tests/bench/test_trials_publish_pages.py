"""The pages of trials and of publishing: forms in, the same work as the commands."""

import io
import json
import shutil
import struct
import zipfile
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from starlette.testclient import TestClient

from roadlog.bench.last_tasks import LAST_TASKS, ceiling, payback
from roadlog.cli import main
from roadlog.demo.photos import pictures
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


def sent_pictures(sheet: str | None = None) -> list[tuple[str, tuple[str, bytes]]]:
    made = pictures(np.random.default_rng(1))[0]
    files = [(n.split("/")[1], b) for n, b in made.items() if n.startswith("photos/")]
    if sheet is not None:
        files = [(n, sheet.encode() if n == "pairs.csv" else b) for n, b in files]
    return [("photos", each) for each in files]


@pytest.mark.usefixtures("asked_here")
def test_photographs_are_laid_out_scored_and_unblinded_from_the_page(
    study: Path, browser: TestClient, started: dict[str, Any], tmp_path: Path
) -> None:
    at = "/study/collar/trials/inspection"
    assert browser.get(f"{at}/for_scorers.zip").status_code == 400
    assert "battery disconnected" in browser.post(f"{at}/photos", files=sent_pictures()).text
    folder = started["given"]["folder"]
    assert LAST_TASKS["photos"](study=str(study), tell=tell, folder=folder)["text"].startswith("8 ")
    assert not Path(folder).exists()
    packed = zipfile.ZipFile(io.BytesIO(browser.get(f"{at}/for_scorers.zip").content))
    assert len(packed.namelist()) == 17
    assert not any("key" in n or "valve" in n for n in packed.namelist())
    assert not Image.open(packed.open("for_scorers/001_left.png")).getexif()
    made = pictures(np.random.default_rng(1))[0]
    sheets = [("sheets", (n.split("/")[1], b)) for n, b in made.items() if n.startswith("scores/")]
    browser.post(f"{at}/scores", files=sheets, data={"meaning": "more deposit", "claim": "cleans"})
    LAST_TASKS["scores"](study=str(study), tell=tell, **started["given"])
    kept = json.loads((study / "results" / "trials" / "inspection.json").read_text())
    assert kept["details"]["scorers"] == ["synthetic_scorer_1", "synthetic_scorer_2"]
    assert kept["finding"] in ("refuted", "supported", "undecided")  # chance drew the sides
    before = (study / "inspection" / "sealed" / "key.json").read_bytes()
    browser.post(f"{at}/photos", files=sent_pictures())
    with pytest.raises(InputError, match="not an empty folder"):
        LAST_TASKS["photos"](study=str(study), tell=tell, **started["given"])
    assert (study / "inspection" / "sealed" / "key.json").read_bytes() == before
    assert not list((tmp_path / ".roadlog").glob("sent-*"))


def bomb() -> bytes:
    """A PNG of a few bytes that claims 30,000 pixels square."""
    head = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 2, 0, 0, 0)
    chunk = b"IHDR" + head
    crc = struct.pack(">I", zlib.crc32(chunk))
    return b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + chunk + crc


@pytest.mark.usefixtures("asked_here")
@pytest.mark.parametrize(
    ("bad", "says"),
    [
        (bomb(), "million pixels|no image"),
        (b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n", "no image"),
        (b"<svg onload='x'/>", "no image"),
        (b"\xff\xd8\xff", "no image|damaged"),
        (b"", "no image"),
    ],
)
def test_what_is_no_picture_is_refused_and_nothing_of_it_stays(
    bad: bytes, says: str, study: Path, browser: TestClient, started: dict[str, Any], tmp_path: Path
) -> None:
    files = sent_pictures("pair,before,after\nx,bad.png,synthetic_valve_1_after.jpg\n")
    files.append(("photos", ("bad.png", bad)))
    browser.post("/study/collar/trials/inspection/photos", files=files)
    with pytest.raises(InputError, match=says) as refused:
        LAST_TASKS["photos"](study=str(study), tell=tell, **started["given"])
    assert str(tmp_path) not in str(refused.value)
    assert not (study / "inspection").exists()
    assert not list((tmp_path / ".roadlog").glob("sent-*"))


@pytest.mark.usefixtures("asked_here")
@pytest.mark.parametrize("name", ["../../../private.png", "/etc/passwd", "..", "a/../x.jpg"])
def test_the_sheet_names_only_pictures_that_came_with_it(
    name: str, study: Path, browser: TestClient, started: dict[str, Any], tmp_path: Path
) -> None:
    Image.new("RGB", (9, 9)).save(tmp_path / "private.png")
    files = sent_pictures(f"pair,before,after\nx,{name},synthetic_valve_1_after.jpg\n")
    browser.post("/study/collar/trials/inspection/photos", files=files)
    with pytest.raises(InputError, match="none of the pictures"):
        LAST_TASKS["photos"](study=str(study), tell=tell, **started["given"])
    assert not (study / "inspection").exists()


@pytest.mark.usefixtures("asked_here")
def test_two_files_of_one_name_too_many_or_too_large_are_refused_whole(
    study: Path, browser: TestClient, started: dict[str, Any], tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    at = "/study/collar/trials/inspection/photos"
    twice = [("photos", ("../A.jpg", b"1")), ("photos", ("a.JPG", b"2"))]
    assert "two files are called" in browser.post(at, files=twice).text
    monkeypatch.setattr("roadlog.bench.photos.MOST_FILES", 2)
    three = [("photos", (f"{n}.jpg", b"1")) for n in range(3)]
    assert "more than 2 files" in browser.post(at, files=three).text
    monkeypatch.setattr("roadlog.bench.photos.MOST_BYTES", 10)
    assert "larger than" in browser.post(at, files=[("photos", ("a.jpg", b"1" * 11))]).text
    assert browser.post(at, data={"x": "1"}).status_code == 400
    assert not started
    assert not list((tmp_path / ".roadlog").glob("sent-*"))


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
