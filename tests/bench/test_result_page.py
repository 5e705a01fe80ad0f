"""The result's page: the answer in words, the interval, a seal, and pages without rights."""

import base64
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

pytestmark = pytest.mark.usefixtures("asked_here")
X = {"content-type": "multipart/form-data; boundary=x"}
FILE = b'--x\r\ncontent-disposition: form-data; name="sealed"; filename="a"\r\n\r\n'
FIELD = b'--x\r\ncontent-disposition: form-data; name="passphrase"\r\n\r\n'
RESULTS: dict[str, Any] = {
    "fuel_use_change_pct": {"estimate": 0.4, "low": -1.0, "high": 1.9},
    "claim": {"fuel_use_change_pct": -10.7},
    "answer": {
        "title": "<b>12 %</b> better mileage: ruled out",
        "sentences": ["Between 1.0 % less and 1.9 % more fuel.", "It rules out 12 %."],
        "claim": "ruled out",
        "shows": "no change",
        "range_pct": [-1.0, 1.9],
        "range_sides": ["<i>1.0</i> % less", "1.9 % more"],
        "claim_pct": -10.7,
        "claim_side": "10.7 % less",
        "claim_words": "12 % better mileage",
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
    assert "<i>" not in text
    assert text.index("ruled out") < text.index("<svg") < text.index("report.html")
    assert "6 of 10 planned switch units" in text
    assert text.count('sandbox="allow-scripts"') == 3
    assert "allow-same-origin" not in text


@pytest.mark.parametrize("damaged", ["no", [1], [None, None], [float("nan"), 1.0]])
def test_a_range_that_is_none_is_not_drawn(
    damaged: object, study: Path, browser: TestClient
) -> None:
    put(study, answer={**RESULTS["answer"], "range_pct": damaged})
    answer = browser.get("/study/collar/result")
    assert answer.status_code == 200
    assert "<svg" not in answer.text


@pytest.mark.parametrize(
    "damaged",
    ["", "{", "[]", "null", '{"answer": {}}', '{"fuel_use_change_pct": 1, "answer": [0]}'],
)
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


def test_a_file_may_hold_what_looks_like_a_boundary(
    study: Path, browser: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    handed: dict[str, Any] = {}
    monkeypatch.setattr(
        "roadlog.bench.pages.result.start_job",
        lambda request, task, here, secret, **given: handed.update(secret),
    )
    body = FILE + b"1\r\n--y--2\r\n" + FIELD + b"said\r\n--x--\r\n"
    browser.follow_redirects = False
    assert browser.post("/study/collar/unseal", content=body, headers=X).status_code == 303
    assert base64.b64decode(handed["sealed"]) == b"1\r\n--y--2"
    assert handed["passphrase"] == "said"


@pytest.mark.parametrize(
    "body",
    [
        FIELD + b"0" * 70_000 + b"\r\n--x--",
        (FIELD + b"1\r\n") * 1001 + b"--x--",
        b"--x\r\n" + b"a: " + b"b" * 100_000 + b"\r\n\r\n\r\n--x--",
        (FILE + b"1\r\n") * 2 + b"--x--",
        FILE + b"cut",
        FILE + b"1\r\n" + FIELD + b"no end",
    ],
    ids=["a long field", "many fields", "a long heading", "two files", "cut off", "no end"],
)
def test_a_form_that_isnt_as_asked_is_refused(
    body: bytes, study: Path, browser: TestClient
) -> None:
    answer = browser.post("/study/collar/unseal", content=body, headers=X)
    assert answer.status_code == 400
    assert 'class="problem"' in answer.text


def test_results_of_an_earlier_roadlog_have_words_without_a_picture(
    study: Path, browser: TestClient
) -> None:
    old = {k: RESULTS["answer"][k] for k in ("title", "sentences")}
    put(study, answer=old)
    text = browser.get("/study/collar/result").text
    assert "ruled out" in text
    assert "<svg" not in text
