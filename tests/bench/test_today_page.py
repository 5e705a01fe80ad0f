"""The day's page: what to do, and the notes as `roadlog note` writes them, faults beside fields."""

import datetime as dt
import re
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from roadlog.cli import main
from roadlog.study.lock import one_writer

pytestmark = pytest.mark.usefixtures("asked_here")
DAY = dt.date.today()
STUDY = f"""
name = "<i>collar</i>"
[device]
name = "collar"
[analysis]
driver_knew_arm = KNEW
exclude_if = ["trailer"]
[schedule]
randomised = true
unit = [{{ unit = {DAY - dt.timedelta(days=1)}, arm = "baseline", block = 1 }},
        {{ unit = {DAY}, arm = "fitted", block = 1 }}]
"""
NOTES = {"n:windows": "shut", "n:cold tyre pressure [kPa]": "33 psi", "n:remarks": "<b>hot</b>"}


def write(folder: Path, knew: str = "true") -> Path:
    folder.mkdir()
    (folder / "study.toml").write_text(STUDY.replace("KNEW", knew))
    return folder


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return write(tmp_path / "s")


def test_the_form_writes_the_row_and_fill_of_the_command(
    browser: TestClient, study: Path, tmp_path: Path
) -> None:
    fill = {"fill:litres": "31.4", "fill:odometer_km": "41230", "fill:full": "yes",
            "fill:time": "18:30"}  # fmt: skip
    shown = browser.post("/study/s/today", data={"date": f"{DAY}", **NOTES, **fill})
    assert "Written." in shown.text
    other = write(tmp_path / "cli")
    sets = ["windows=shut", "tyre pressure=33 psi", "remarks=<b>hot</b>", "fill=31.4",
            "odometer=41230", "full=yes", "time=18:30"]  # fmt: skip
    assert main(["note", str(other), *(f"--set={s}" for s in sets)]) == 0
    for name in ("notes.csv", "fills.csv"):
        assert (study / name).read_bytes() == (other / name).read_bytes()
    assert "<b>hot" not in shown.text
    assert "<i>" not in shown.text


def test_a_form_sent_twice_writes_one_row_and_one_fill(browser: TestClient, study: Path) -> None:
    sent = {"date": f"{DAY}", **NOTES, "fill:litres": "31.4", "fill:full": "yes",
            "fill:time": "18:30"}  # fmt: skip
    browser.post("/study/s/today", data=sent)
    before = {n: (study / n).read_bytes() for n in ("notes.csv", "fills.csv")}
    assert browser.post("/study/s/today", data=sent).status_code == 200
    assert before == {n: (study / n).read_bytes() for n in before}


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("n:windows", "ajar", "none of"),
        ("n:cold tyre pressure [kPa]", "-3", "be"),
        ("n:cold tyre pressure [kPa]", "1e9", "be"),
        ("n:remarks", "x" * 10_000, "at most 300"),
        ("fill:litres", "<b>much</b>", "litres"),
        ("fill:odometer_km", "12", "amount"),
    ],
)
def test_a_fault_stands_beside_its_field_and_what_was_typed_stays(
    browser: TestClient, study: Path, field: str, value: str, said: str
) -> None:
    told = browser.post("/study/s/today", data={"date": f"{DAY}", **NOTES, field: value})
    assert told.status_code == 400
    assert said in told.text
    assert re.search(r'aria-invalid="true"', told.text)
    assert "33 psi" in told.text or "cold tyre" in field
    assert "<b>much" not in told.text
    assert not (study / "notes.csv").exists()
    assert not (study / "fills.csv").exists()


def test_line_breaks_stay_within_their_cell(browser: TestClient, study: Path) -> None:
    browser.post("/study/s/today", data={"date": f"{DAY}", "n:remarks": "a\n2026-01-01,on\rb"})
    rows = (study / "notes.csv").read_text().splitlines()
    assert len(rows) == 3


@pytest.mark.parametrize("date", ["2999-01-01", "2001-01-01", "<b>", "../x", "9" * 5000])
def test_a_day_that_cant_be_noted_is_said(browser: TestClient, study: Path, date: str) -> None:
    assert "problem" in browser.get("/study/s/today", params={"date": date}).text
    told = browser.post("/study/s/today", data={"date": date, **NOTES})
    assert told.status_code in (400, 409)
    assert not (study / "notes.csv").exists()


def test_the_guess_is_asked_where_the_driver_is_blind_and_stays(
    browser: TestClient, study: Path, tmp_path: Path
) -> None:
    assert "n:guess" not in browser.get("/study/s/today").text
    blind = write(tmp_path / "blind", "false")
    page = browser.get("/study/blind/today").text
    assert "n:guess" in page
    assert "fitted" not in page
    browser.post("/study/blind/today", data={"date": f"{DAY}", "n:guess": "in"})
    assert "n:guess" not in browser.get("/study/blind/today").text
    before = (blind / "notes.csv").read_bytes()
    browser.post("/study/blind/today", data={"date": f"{DAY}", "n:guess": "out"})
    assert (blind / "notes.csv").read_bytes() == before


def test_a_stale_tab_takes_nothing_back(browser: TestClient, study: Path) -> None:
    assert main(["note", str(study), "--set=windows=open"]) == 0
    stale = {"date": f"{DAY}", "n:windows": "shut", "w:windows": ""}
    told = browser.post("/study/s/today", data=stale)
    assert "noted meanwhile as" in told.text
    assert ",open," in (study / "notes.csv").read_text()
    again = {**stale, "w:windows": "open"}
    assert browser.post("/study/s/today", data=again).status_code == 200
    assert ",shut," in (study / "notes.csv").read_text()


def test_who_else_writes_is_named(browser: TestClient, study: Path) -> None:
    with one_writer(study, "an analysis"):
        told = browser.post("/study/s/today", data={"date": f"{DAY}", **NOTES})
    assert told.status_code == 400
    assert "an analysis is writing here" in told.text
    assert not (study / "notes.csv").exists()
    assert "33 psi" in told.text


def shown(page: str, name: str) -> str:
    """The value that a field of the page has."""
    found = re.search(rf'name="{re.escape(name)}" type="\w+" value="([^"]*)"', page)
    chosen = re.search(rf'<select[^>]*name="{re.escape(name)}".*?</select>', page, re.S)
    if chosen:
        found = re.search(r'value="([^"]*)" selected', chosen[0])
    assert found is not None, name
    return found[1]


@pytest.mark.parametrize("date", ["2999-01-01", "2001-01-01", "<b>"])
def test_notes_of_a_day_that_cant_be_noted_stay_in_the_form(
    browser: TestClient, study: Path, date: str
) -> None:
    fill = {"fill:litres": "31.4", "fill:odometer_km": "41230"}
    told = browser.post("/study/s/today", data={"date": date, **NOTES, **fill})
    assert told.status_code == 400
    for name, value in {**NOTES, **fill}.items():
        assert shown(told.text, name) == value.replace("<", "&lt;").replace(">", "&gt;")
    assert not (study / "notes.csv").exists()
    again = browser.post("/study/s/today", data={"for": "", "date": f"{DAY}", **NOTES, **fill})
    assert "Written." in again.text
    assert "227.527" in (study / "notes.csv").read_text()
    assert "31.4" in (study / "fills.csv").read_text()


def test_another_day_and_anyway_as_the_command_has_them(
    browser: TestClient, study: Path, tmp_path: Path
) -> None:
    other = f"{DAY - dt.timedelta(days=9)}"
    sent = {"for": "", "date": other, **NOTES}
    refused = browser.post("/study/s/today", data=sent)
    assert refused.status_code == 400
    assert "isn't in the schedule" in refused.text.replace("&#39;", "'")
    assert "--" not in re.sub(r"<[^>]*>", "", refused.text)
    assert "Written." in browser.post("/study/s/today", data={**sent, "anyway": "1"}).text
    same = write(tmp_path / "cli")
    sets = ["windows=shut", "tyre pressure=33 psi", "remarks=<b>hot</b>"]
    told = ["note", str(same), "--date", other, "--anyway", *(f"--set={s}" for s in sets)]
    assert main(told) == 0
    assert (study / "notes.csv").read_bytes() == (same / "notes.csv").read_bytes()


def test_what_the_form_filled_in_for_one_day_goes_into_no_other_unseen(
    browser: TestClient, study: Path
) -> None:
    day, before = f"{DAY}", f"{DAY - dt.timedelta(days=1)}"
    assert main(["note", str(study), "--set=windows=open"]) == 0
    form = browser.get("/study/s/today").text
    hidden = dict(re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)">', form))
    assert hidden["for"] == day
    moved = {**hidden, "date": before, "n:windows": "open", "n:remarks": "new tyres"}
    told = browser.post("/study/s/today", data=moved)
    assert told.status_code == 200
    assert "nothing was written yet" in told.text
    assert shown(told.text, "n:remarks") == "new tyres"
    assert shown(told.text, "n:windows") != "open"
    assert before not in (study / "notes.csv").read_text().replace(f"{before},,,", "")


def test_no_refusal_loses_what_was_typed(browser: TestClient, study: Path, tmp_path: Path) -> None:
    """Also where the form itself can't be shown: the study's file was broken meanwhile."""
    (study / "study.toml").write_text("no [toml")
    for at in ("today", "plan", "record", "trials/payback", "publish"):
        told = browser.post(f"/study/s/{at}", data={"n:remarks": "<i>long</i> words", "w:x": "hid"})
        assert told.status_code == 400
        assert "&lt;i&gt;long&lt;/i&gt; words" in told.text, at
        assert "hid</dd>" not in told.text
    secret = {"passphrase": "bolt heron attic plum", "days": "12"}
    told = browser.post("/study/s/plan", data=secret)
    assert "bolt heron" not in told.text
