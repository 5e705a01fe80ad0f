"""The report as the bench shows it: in the reader's units, the study's file untouched."""

from pathlib import Path

import pytest
from starlette.testclient import TestClient

from roadlog.analysis.result import Analysed
from roadlog.bench.tasks import _show_in
from roadlog.report import write_results
from tests.bench.conftest import asked_here, browser, door, stranger

__all__ = ["asked_here", "browser", "door", "stranger"]
pytestmark = pytest.mark.usefixtures("asked_here")


def test_the_pages_follow_the_switch_and_the_studys_files_dont(
    browser: TestClient,
    tmp_path: Path,
    analysed: Analysed,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The bench keeps pages in the reader's units by the hash of the study's own."""
    monkeypatch.setattr("roadlog.report.write.why_no_map", lambda _: "left out: slow to draw")
    study = tmp_path / "collar"
    study.mkdir()
    (study / "study.toml").write_text('name = "collar"\n')
    write_results(analysed, study / "results")
    own = (study / "results" / "report.html").read_bytes()
    at = "/study/collar/file/results/report.html"
    browser.post("/units", data={"system": "us"})
    assert "in the study's units" in browser.get("/study/collar/result").text
    assert browser.get(at).content == own
    _show_in(analysed, study, "us", f"{tmp_path}/.roadlog/pages")
    assert "MPG (US)</th>" in browser.get(at).text.replace("\xa0", " ").replace("&nbsp;", " ")
    assert browser.get(at).content != own
    assert "in the study's units" not in browser.get("/study/collar/result").text
    assert browser.get(f"{at}?as_written").content == own
    assert (study / "results" / "report.html").read_bytes() == own
    (study / "results" / "report.html").write_bytes(b"of a later analysis")
    assert browser.get(at).content == b"of a later analysis"
