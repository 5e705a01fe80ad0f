"""The result's page: the answer in words, the interval, a seal, and pages without rights."""

import base64
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from roadlog.bench.last_answers import interval_picture
from roadlog.bench.sent import read_form
from roadlog.errors import InputError

RESULTS: dict[str, Any] = {
    "fuel_use_change_pct": {"estimate": 0.4, "low": -1.0, "high": 1.9},
    "claim": {"fuel_use_change_pct": -10.7},
    "answer": {
        "title": "<b>12 %</b> better mileage: ruled out",
        "sentences": ["Between 1.0 % less and 1.9 % more fuel.", "It rules out 12 %."],
    },
    "oversight": {"look": {"interim": True, "units": 6, "planned": 10}},
    "warnings": [{"code": "x", "message": "a caution"}],
}


@pytest.fixture
def study(tmp_path: Path, small_study: Path) -> Path:
    folder = tmp_path / "collar"
    folder.mkdir()
    shutil.copy(small_study / "study.toml", folder)
    (folder / "results").mkdir()
    return folder


def put(study: Path, **changed: Any) -> None:
    (study / "results" / "results.json").write_text(json.dumps({**RESULTS, **changed}))
    for name in ("report", "objections", "map"):
        (study / "results" / f"{name}.html").write_text("<script>parent.x = 1</script>")


def test_the_answer_stands_first_and_its_words_are_no_html(
    study: Path, browser: TestClient
) -> None:
    put(study)
    text = browser.get("/study/collar/result").text
    assert "&lt;b&gt;12" in text
    assert text.index("ruled out") < text.index("<svg") < text.index("report.html")
    assert "6 of 10 planned switch units" in text
    assert text.count('sandbox="allow-scripts"') == 3
    assert "allow-same-origin" not in text


def test_a_study_without_interval_or_claim_has_its_page(study: Path, browser: TestClient) -> None:
    put(study, fuel_use_change_pct={"estimate": 0.4, "low": None, "high": None}, claim=None)
    text = browser.get("/study/collar/result").text
    assert "without an interval" in text
    assert "Claimed" not in text


def test_an_interim_look_that_hides_its_numbers_draws_none(
    study: Path, browser: TestClient
) -> None:
    put(study, fuel_use_change_pct={"estimate": None, "low": None, "high": None})
    text = browser.get("/study/collar/result").text
    assert "<svg" not in text
    assert "6 of 10" in text


@pytest.mark.parametrize("damaged", ["", "{", "[]", "null", '{"answer": {}}'])
def test_damaged_results_are_as_none(damaged: str, study: Path, browser: TestClient) -> None:
    (study / "results" / "results.json").write_text(damaged)
    answer = browser.get("/study/collar/result")
    assert answer.status_code == 200
    assert "Nothing has been analysed yet." in answer.text


def test_the_page_speaks_german_to_a_german_browser(study: Path, browser: TestClient) -> None:
    put(study)
    text = browser.get("/study/collar/result", headers={"accept-language": "de-DE,de"}).text
    assert '<html lang="de">' in text
    assert "Zwischenstand: 6 von 10" in text
    assert 'lang="en">Between' in text


def test_a_sealed_study_asks_for_the_switchers_file_and_keeps_no_passphrase(
    study: Path, browser: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    handed: dict[str, Any] = {}

    def started(request: object, task: str, here: object, secret: Any, **given: Any) -> None:
        handed.update(task=task, secret=secret, given=given)

    monkeypatch.setattr("roadlog.bench.pages.result.start_job", started)
    sent = {"sealed": ("../../collar.json", b"\r\n--x {}\r\n", "application/json")}
    browser.follow_redirects = False
    answer = browser.post(
        "/study/collar/unseal", data={"passphrase": "Öl & Ruß", "early": "yes"}, files=sent
    )
    assert answer.status_code == 303
    assert handed["task"] == "unseal"
    assert base64.b64decode(handed["secret"]["sealed"]) == b"\r\n--x {}\r\n"
    assert handed["secret"]["passphrase"] == "Öl & Ruß"
    assert "Ruß" not in str(handed["given"])
    assert handed["given"]["early"] is True


def test_the_worker_gets_what_is_never_written_down(tmp_path: Path) -> None:
    from roadlog.bench.jobs import Jobs
    from tests.bench.test_jobs import waited

    secret = "never on disk"
    job = Jobs(tmp_path / "jobs").start(
        "unseal", handed={"passphrase": secret}, study=str(tmp_path), early=False, name="x"
    )
    end = waited(job)
    assert end["code"] == 2
    assert "study.toml" in end["text"]
    for path in (tmp_path / "jobs").rglob("*"):
        assert not path.is_file() or secret not in path.read_text()


def test_a_form_that_is_cut_off_or_too_large_is_told(study: Path, browser: TestClient) -> None:
    kind = {"content-type": "multipart/form-data; boundary=x"}
    head = b'--x\r\ncontent-disposition: form-data; name="sealed"; filename="a"\r\n\r\n'
    for body in (b"", head + b"cut", b"--x\r\n", head):
        answer = browser.post("/study/collar/unseal", content=body, headers=kind)
        assert answer.status_code in (200, 400)
        assert "Traceback" not in answer.text
    large = head + b"0" * (2 << 20) + b"\r\n--x--\r\n"
    answer = browser.post("/study/collar/unseal", content=large, headers=kind)
    assert answer.status_code == 400
    assert "larger than 1 MB" in answer.text


def test_a_form_ends_at_its_last_boundary(tmp_path: Path) -> None:
    body = b'--x\r\ncontent-disposition: form-data; name="f"; filename="a"\r\n\r\n'
    path = tmp_path / "body"
    path.write_bytes(body + b"one\r\n--x--two\r\n--x--\r\n")
    with path.open("rb") as file:
        form = read_form(file, path.stat().st_size, b"x")
        assert b"".join(form.pieces()) == b"one\r\n--x--two"
    cut = tmp_path / "cut"
    cut.write_bytes(body + b"one")
    with cut.open("rb") as file, pytest.raises(InputError, match="broken"):
        read_form(file, len(body) + 3, b"x")


@pytest.mark.parametrize(
    ("estimate", "low", "high", "claim"),
    [(0.4, -1.0, 1.9, -10.7), (-80.0, -95.0, 400.0, None), (0.0, None, None, 0.0),
     (1e-9, -1e-9, 1e-9, None), (5.0, 4.0, 6.0, -50.0)],
)  # fmt: skip
def test_everything_lies_on_the_line(
    estimate: float, low: float | None, high: float | None, claim: float | None
) -> None:
    picture = interval_picture(estimate, low, high, claim)
    assert picture is not None
    at = [picture["none"], picture["estimate"]["at"], *(t["at"] for t in picture["ticks"])]
    at += [picture[k]["at"] for k in ("low", "high", "claim") if picture[k]]
    assert all(0 <= x <= 1000 for x in at)
    assert 2 <= len(picture["ticks"]) <= 12
