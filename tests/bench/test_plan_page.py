"""The plan's page: what the days can show, the command's schedule, the kept seal."""

import datetime as dt
import io
import json
import re
import zipfile
from itertools import pairwise
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from roadlog.bench.app import make_app
from roadlog.bench.door import Door
from roadlog.cli import main
from roadlog.plan import two_cars
from roadlog.study.folder import load_study
from roadlog.study.lock import one_writer
from tests.bench.conftest import HOST

pytestmark = pytest.mark.usefixtures("asked_here")
START = dt.date.today() + dt.timedelta(days=7)
STUDY = f"""# a remark that stays
name = "<i>collar</i>"
[device]
name = "collar"
acts_on = "other"
[claim]
economy_pct = 12
[plan]
start = {START}
days = 12
switched_by_other = OTHER
[analysis]
driver_knew_arm = KNEW
"""
DRAW = {"draw": "1", "days": "12", "start": f"{START}"}


def write(folder: Path, other: str = "false") -> Path:
    folder.mkdir()
    knew = "false" if other == "true" else "true"
    (folder / "study.toml").write_text(STUDY.replace("OTHER", other).replace("KNEW", knew))
    return folder


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return write(tmp_path / "s")


def files(folder: Path) -> dict[str, bytes]:
    """Every file but the lock, times of day taken out."""
    return {
        str(p.relative_to(folder)): re.sub(
            rb"DTSTAMP:\w+|\"(?:made_)?at\": \"[^\"]+\"", b"", p.read_bytes()
        )
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.name != ".roadlog.lock"
    }


def test_the_page_draws_and_writes_what_the_command_does(
    browser: TestClient, study: Path, tmp_path: Path
) -> None:
    drawn = browser.post("/study/s/plan", data=DRAW)
    assert drawn.status_code == 200
    assert main(["plan", str(write(tmp_path / "cli"))]) == 0
    assert files(study) == files(tmp_path / "cli")
    assert "fingerprint.svg" in drawn.text
    assert "sheet.html" in drawn.text
    assert "<i>" not in drawn.text
    for name in ("sheet.html", "sheet.ics", "fingerprint.svg"):
        paper = browser.get(f"/study/s/plan/paper/{name}")
        assert paper.content == (study / "plan" / name).read_bytes()
        assert "sandbox" in paper.headers["content-security-policy"]


def test_a_second_draw_is_refused_and_changes_nothing(browser: TestClient, study: Path) -> None:
    browser.post("/study/s/plan", data=DRAW)
    before = files(study)
    again = browser.post("/study/s/plan", data=DRAW)
    assert again.status_code == 400
    assert "has a schedule already" in again.text
    assert files(study) == before


def test_the_days_are_shown_with_table_and_curve_before_anything_is_written(
    browser: TestClient, study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = browser.get("/study/s/plan").text
    assert main(["plan", str(study), "--dry-run"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    interval = re.search(r"about \+/-([\d.]+) %", said)
    assert interval is not None
    assert re.search(rf"about .{{1,3}}{interval[1]}\s%", shown)
    assert "<polyline" in shown
    assert list(files(study)) == ["study.toml"]
    few = browser.get("/study/s/plan/shown", params={"days": "8"})
    many = browser.get("/study/s/plan/shown", params={"days": "30"})
    assert "8 driving days" in few.json()["html"].replace("\u00a0", " ")
    assert few.json()["html"] != many.json()["html"]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("days", "-3"),
        ("days", "NaN"),
        ("days", "12.5"),
        ("days", "1" * 10_000),
        ("km_per_run", "-1"),
        ("km_per_run", "inf"),
        ("start", "<script>alert(1)</script>"),
        ("start", "2026-13-01\n"),
        ("road", "river"),
        ("switched_by_other", "maybe"),
    ],
)
def test_a_fault_stands_beside_its_field_and_nothing_is_drawn(
    browser: TestClient, study: Path, name: str, value: str
) -> None:
    told = browser.post("/study/s/plan", data={**DRAW, "runs_per_day": "3", name: value})
    assert told.status_code == 400
    assert f'id="e-{name}"' in told.text
    assert 'value="3"' in told.text
    assert "<script>alert" not in told.text
    assert list(files(study)) == ["study.toml"]


def test_other_answers_are_kept_in_study_toml_with_its_remarks(
    browser: TestClient, study: Path
) -> None:
    assert browser.post("/study/s/plan", data={**DRAW, "days": "16", "road": "town"}).history
    text = (study / "study.toml").read_text()
    assert text.startswith("# a remark that stays\n")
    plan = load_study(study).plan
    assert (plan.days, plan.road) == (16, "town")


def test_a_sealed_order_waits_encrypted_until_it_is_said_to_be_saved(
    browser: TestClient, tmp_path: Path
) -> None:
    folder = write(tmp_path / "s")
    page = browser.post("/study/s/plan", data={**DRAW, "switched_by_other": "yes"})
    assert 'action="/study/s/plan/switcher"' in page.text
    schedule = load_study(folder).schedule
    assert schedule is not None
    assert schedule.shut
    assert load_study(folder).analysis.driver_knew_arm is False
    handed = [browser.post("/study/s/plan/switcher").content for _ in range(2)]
    for n, content in enumerate(handed):  # a download that broke off can be had again
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            assert sorted(archive.namelist()) == ["sealed.html", "sealed.ics", "sealed.json"]
            archive.extractall(tmp_path / f"stick{n}")
    sealed = json.loads((tmp_path / "stick0" / "sealed.json").read_text())
    kept = list((tmp_path / ".roadlog" / "switcher").iterdir())
    assert [p.stat().st_mode & 0o777 for p in kept] == [0o600]
    for content in (*files(folder).values(), *(p.read_bytes() for p in kept)):
        assert sealed["nonce"].encode() not in content
        assert b"fitted" not in content or content in files(folder).values()
    for name in ("sheet.html", "switcher.html", "sealed.json", "..%2Fstudy.toml"):
        assert browser.get(f"/study/s/plan/paper/{name}").status_code >= 400
    assert browser.get("/study/s/plan/paper/driver.html").status_code == 200
    browser.post("/study/s/plan/saved")
    assert not list((tmp_path / ".roadlog" / "switcher").iterdir())
    assert "plan/switcher" not in browser.get("/study/s/plan").text
    assert browser.post("/study/s/plan/switcher").status_code == 400
    assert main(["unseal", str(folder), str(tmp_path / "stick0" / "sealed.json"), "--early"]) == 0
    opened = load_study(folder).schedule
    assert opened is not None
    assert [u.arm for u in opened.unit] == [u["arm"] for u in sealed["units"]]


def test_no_crash_between_draw_and_download_loses_a_sealed_file(
    browser: TestClient, tmp_path: Path, door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The bench dies once the schedule is in study.toml, before the browser hears of it."""
    folder = write(tmp_path / "s", "true")
    browser.get("/study/s/plan")  # the form: the browser has its key from here on

    def dies(*_: object) -> None:
        raise RuntimeError("killed")

    monkeypatch.setattr("roadlog.bench.drawing.keep_promise", dies)
    with pytest.raises(RuntimeError, match="killed"):
        browser.post("/study/s/plan", data=DRAW)
    schedule = load_study(folder).schedule
    assert schedule is not None
    assert schedule.shut
    with TestClient(make_app(tmp_path, door), base_url=HOST, cookies=browser.cookies) as again:
        again.headers["origin"] = HOST
        assert 'action="/study/s/plan/switcher"' in again.get("/study/s/plan").text
        assert again.post("/study/s/plan/switcher").content.startswith(b"PK")
        with TestClient(make_app(tmp_path, door), base_url=HOST) as other:
            other.cookies.set("roadlog_bench", browser.cookies["roadlog_bench"])
            other.headers["origin"] = HOST
            assert "plan/switcher" not in other.get("/study/s/plan").text
            assert other.post("/study/s/plan/switcher").status_code == 400


def test_a_schedule_isnt_sealed_where_its_file_cant_be_kept(
    browser: TestClient, tmp_path: Path
) -> None:
    folder = write(tmp_path / "s", "true")
    (tmp_path / ".roadlog" / "switcher").write_text("in the way")
    told = browser.post("/study/s/plan", data=DRAW)
    assert told.status_code == 400
    assert load_study(folder).schedule is None


def test_a_passphrase_encrypts_the_sealed_file(browser: TestClient, tmp_path: Path) -> None:
    folder = write(tmp_path / "s", "true")
    phrases = {"passphrase": "bolt heron attic plum", "passphrase_again": "bolt heron attic plum"}
    for wrong in ({**phrases, "passphrase_again": "other"}, dict.fromkeys(phrases, "short")):
        told = browser.post("/study/s/plan", data={**DRAW, **wrong})
        assert told.status_code == 400
        assert 'id="e-passphrase"' in told.text
        assert "bolt heron" not in told.text
        assert list(files(folder)) == ["study.toml"]
    page = browser.post("/study/s/plan", data={**DRAW, **phrases})
    assert "bolt heron" not in page.text
    copy = (folder / "plan" / "sealed.json").read_text()
    assert "locked_schedule" in copy
    assert "baseline" not in copy


def test_a_schedule_isnt_sealed_among_logs(browser: TestClient, tmp_path: Path) -> None:
    folder = write(tmp_path / "s", "true")
    (folder / "logs" / "baseline").mkdir(parents=True)
    (folder / "logs" / "fitted").mkdir()
    for arm in ("baseline", "fitted"):
        (folder / "logs" / arm / "a.csv").write_text("time,speed\n0,1\n")
    told = browser.post("/study/s/plan", data=DRAW)
    assert told.status_code == 400
    assert "sealed before the first drive" in told.text
    assert load_study(folder).schedule is None


def test_who_else_writes_is_named(browser: TestClient, study: Path) -> None:
    with one_writer(study, "an analysis"):
        told = browser.post("/study/s/plan", data=DRAW)
    assert told.status_code == 400
    assert "an analysis is writing here" in told.text
    assert list(files(study)) == ["study.toml"]


BACK = f"""name = "there and back"
[device]
acts_on = "other"
carry_over = "washes out"
washout_km = 45
[claim]
fuel_pct = 5
[plan]
start = {START}
days = 18
order = "there-and-back"
[control]
name = "the other hatchback"
"""
STAYS = BACK.replace('order = "there-and-back"\n', "").replace(
    '"washes out"\nwashout_km = 45', '"permanent"'
)
CELL = re.compile(
    r'<td(?: class="(\w+)( aside)?")?><time datetime="([\d-]+)">.*?</time>(?:<b>(\w+)</b>)?</td>'
)


@pytest.fixture
def few_studies(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(two_cars, "STUDIES", 20)
    monkeypatch.setattr(two_cars, "CURVE_DAYS", (4, 6))


def of_both(folder: Path, text: str = BACK) -> Path:
    folder.mkdir()
    (folder / "study.toml").write_text(text)
    return folder


def cells(page: str) -> dict[str, tuple[str, bool, str]]:
    """By day of the calendar: arm, whether it is set aside, and the word in it."""
    return {day: (arm, bool(aside), word) for arm, aside, day, word in CELL.findall(page) if arm}


@pytest.mark.usefixtures("few_studies")
@pytest.mark.parametrize("text", [BACK, STAYS], ids=["there and back", "stays"])
def test_days_of_two_cars_are_drawn_before_and_after_the_command_s_schedule_is_set(
    browser: TestClient, tmp_path: Path, text: str
) -> None:
    folder = of_both(tmp_path / "s", text)
    before = browser.get("/study/s/plan").text
    assert "Set the days of both cars and register" in before
    assert "Passphrase" not in before
    assert list(files(folder)) == ["study.toml"]
    drawn = browser.post("/study/s/plan", data={"draw": "1"})
    assert drawn.status_code == 200, drawn.text
    assert main(["plan", str(of_both(tmp_path / "cli", text))]) == 0
    assert files(folder) == files(tmp_path / "cli")
    schedule = load_study(folder).schedule
    assert schedule is not None
    want = {str(u.unit): u.arm for u in schedule.unit}
    for page in (before, drawn.text):
        there = cells(page)
        assert {day: arm for day, (arm, _, _) in there.items()} == want
        assert all((word == "with") == (arm == "fitted") for arm, _, word in there.values())
        assert "<polyline" in page
        assert page.count('<li class="fitted">') == 1
    aside = [day for day, (_, aside, _) in cells(drawn.text).items() if aside]
    days = sorted(want)
    first = [d for a, d in pairwise(days) if want[a] != want[d]]
    assert set(aside) == (
        {d for f in first for d in days[days.index(f) : days.index(f) + 2]}
        if text is BACK
        else set()
    )


@pytest.mark.usefixtures("few_studies")
def test_the_calendar_of_two_cars_speaks_german(browser: TestClient, tmp_path: Path) -> None:
    of_both(tmp_path / "s")
    page = browser.get("/study/s/plan", headers={"accept-language": "de"}).text
    assert {word for *_, word in cells(page).values()} == {"mit", "ohne"}
    assert "Der Vergleichswagen fährt an jedem davon mit, immer ohne." in page
    assert "Tage beider Wagen festlegen" in page


@pytest.mark.usefixtures("few_studies")
@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda t: t.split("[control]")[0], "name the second car in study.toml"),
        (lambda t: t.replace("days = 18", "days = 11"), "are too few for 3 periods"),
    ],
)
def test_days_that_give_no_word_aren_t_set(
    browser: TestClient, tmp_path: Path, change, said
) -> None:
    folder = of_both(tmp_path / "s", change(BACK))
    assert not cells(browser.get("/study/s/plan").text)
    drawn = browser.post("/study/s/plan", data={"draw": "1"})
    assert drawn.status_code == 400
    assert said in drawn.text.replace("\u00a0", " ")
    assert list(files(folder)) == ["study.toml"]


def test_a_drawn_order_is_shown_as_a_calendar_but_not_to_a_driver_who_isn_t_to_know(
    browser: TestClient, study: Path, tmp_path: Path
) -> None:
    assert not cells(browser.get("/study/s/plan").text)
    drawn = browser.post("/study/s/plan", data=DRAW).text
    schedule = load_study(study).schedule
    assert schedule is not None
    assert {d: arm for d, (arm, _, _) in cells(drawn).items()} == {
        str(u.unit): u.arm for u in schedule.unit
    }
    assert "control car" not in drawn
    text = (study / "study.toml").read_text()
    (study / "study.toml").write_text(
        text.replace("driver_knew_arm = true", "driver_knew_arm = false")
    )
    assert not cells(browser.get("/study/s/plan").text)


@pytest.mark.usefixtures("few_studies")
def test_a_control_car_s_pilot_without_such_a_car_is_told(
    browser: TestClient, tmp_path: Path
) -> None:
    folder = of_both(tmp_path / "s", BACK.split("[control]")[0])
    (folder / "logs" / "control_pilot").mkdir(parents=True)
    (folder / "logs" / "control_pilot" / "a.csv").write_text("time,speed\n")
    assert "study.toml has no [control]" in browser.get("/study/s/plan").text
