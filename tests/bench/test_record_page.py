"""Recording from the bench: parked first, one big state on the move, an end only when parked."""

import os
import re
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from roadlog.bench import recorder
from roadlog.bench.answers import ANSWERS
from roadlog.bench.app import make_app
from roadlog.bench.door import COOKIE, Door
from roadlog.bench.quick import Quick
from roadlog.bench.recording import adapter_place
from roadlog.bench.show import figures
from roadlog.errors import InputError
from roadlog.study.recording import RECORDING, Shown, left, only_one
from roadlog.wording.units import shown_in, symbol
from tests.bench.conftest import HOST
from tests.ingest.recorder.peers import Line
from tests.ingest.recorder.receiver import TcpReceiver

pytest.importorskip("obd")

AT = "/study/collar/record"
STUDY = 'name = "Collar"\n[labels]\nfitted = "collar in"\n'
UNITS = "unit = [{ unit = 2026-03-02 }, { unit = 2026-03-03 }]"
SEALED = f'{STUDY}[schedule]\nsealed = "{"0" * 64}"\n{UNITS}\n'
HANGS_AFTER_S = 60.0


@pytest.fixture
def study(tmp_path: Path) -> Path:
    folder = tmp_path / "collar"
    folder.mkdir()
    (folder / "study.toml").write_text(STUDY)
    return folder


@pytest.fixture
def line() -> Iterator[Line]:
    peer = Line()
    yield peer
    peer.close()


@pytest.fixture(autouse=True)
def asked_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Questions are answered in this process, by the same functions."""

    async def ask(self: Quick, name: str, **given: str) -> dict[str, object]:
        return ANSWERS[name](**given)

    monkeypatch.setattr(Quick, "ask", ask)


def waited(until: Callable[[], object], what: str) -> None:
    end = time.monotonic() + HANGS_AFTER_S
    while not until():
        assert time.monotonic() < end, what
        time.sleep(0.1)


def parked(line: Line, **more: str) -> dict[str, str]:
    return {"adapter": line.place, "parked": "yes", **more}


def state(browser: TestClient) -> str:
    return str(browser.get(f"{AT}/state").json()["state"])


def test_the_page_says_parked_first_and_takes_nothing_otherwise(
    browser: TestClient, study: Path, line: Line
) -> None:
    page = browser.get(AT).text
    assert page.index("Only while parked.") < page.index('<form method="post">')
    assert 'name="parked" value="yes" required' in page
    for path in ("", "/reading", "/stop"):
        answer = browser.post(AT + path, data={"adapter": line.place})
        assert answer.status_code == 400
        assert "the car is parked" in answer.text
    assert not line.requests
    assert sorted(p.name for p in study.iterdir()) == ["study.toml"]


def test_a_test_reading_shows_each_signal_once_with_unit_and_age(
    browser: TestClient, study: Path, line: Line
) -> None:
    receiver = TcpReceiver()
    try:
        browser.post(f"{AT}/reading", data=parked(line, receiver=receiver.place))
        waited(lambda: "Signal" in browser.get(AT).text, "no reading")
    finally:
        receiver.close()
    rows = re.findall(r'<tr><th scope="row">(.*?)</th>(.*?)</tr>', browser.get(AT).text)
    names = [name for name, _ in rows]
    assert names.count("MAF") == 1
    assert "latitude" in names
    maf = dict(rows)["MAF"]
    assert "13.11" in maf
    assert "g/s" in maf
    assert re.search(r"\d+ s</td>", maf)
    assert (
        sorted(p.name for p in study.glob("*")) == ["study.toml"] or not (study / "logs").exists()
    )


def test_a_drive_from_start_to_ignition_off_through_a_lost_adapter_and_a_restart_of_the_app(
    browser: TestClient, study: Path, line: Line, door: Door, tmp_path: Path
) -> None:
    browser.post(AT, data=parked(line, arm="fitted"))
    waited(lambda: state(browser) == "recording", "it doesn't record")
    page = browser.get(AT).text
    assert "<h1>Recording</h1>" in page
    assert not re.search(r"<(form|button|a|input|select)\b", page)
    assert browser.get(AT).text == page
    second = browser.post(AT, data=parked(line))
    assert second.status_code == 400
    assert "records already" in second.text
    answer = browser.post(f"{AT}/stop", data={"parked": "yes"})
    assert "a drive is being recorded" in answer.text
    with TestClient(make_app(tmp_path, door), base_url=HOST) as after:
        after.cookies.set(COOKIE, browser.cookies[COOKIE])
        assert state(after) == "recording"
        line.refuse = True
        line.cut()
        waited(lambda: state(after) == "no adapter", "the loss isn't shown")
        assert "No adapter" in after.get(AT).text
        assert "<form" not in after.get(AT).text
        line.refuse = False
        waited(lambda: state(after) == "recording", "it doesn't go on")

    def standing(request: str) -> str | None:
        stood = {"ATRV": "14.2V"}
        return "NO DATA" if line.vehicle.asleep and request.startswith("01") else stood.get(request)

    line.vehicle.still = True
    time.sleep(3)
    line.canned, line.vehicle.asleep = standing, True
    waited(lambda: browser.get(f"{AT}/state").json()["stops"], "the run doesn't end")
    (journal,) = study.glob("logs/fitted/*.log")
    assert " end the engine stood still" in journal.read_text()
    assert "End recording" in browser.get(AT).text

    def ended() -> bool:  # asked again where the adapter was just being looked for
        browser.post(f"{AT}/stop", data={"parked": "yes"})
        return state(browser) == "none"

    waited(ended, "the recorder goes on after its end")
    assert "Recording was stopped." in browser.get(AT).text


@pytest.mark.parametrize("now", [Shown("no adapter", 1, True), Shown("waiting", 4, True)])
def test_a_car_that_may_be_moving_unheard_gets_no_button(
    browser: TestClient, study: Path, now: Shown
) -> None:
    with only_one(study) as tell:
        tell(now)
        assert "<button" not in browser.get(AT).text
        assert browser.post(f"{AT}/stop", data={"parked": "yes"}).status_code == 400


def test_a_recorder_of_the_command_is_shown_and_ended_there(
    browser: TestClient, study: Path, line: Line
) -> None:
    with only_one(study) as tell:
        tell(Shown("waiting", 3, False))
        assert "Waiting for the engine" in browser.get(AT).text
        assert "end it there" in browser.post(f"{AT}/stop", data={"parked": "yes"}).text
        assert "records already" in browser.post(AT, data=parked(line)).text


def test_no_work_page_ends_a_recording(browser: TestClient, study: Path) -> None:
    (study / "study.toml").write_text("name = 3")
    jobs = browser.app.state.bench.jobs  # type: ignore[attr-defined]
    job = jobs.start("record", study=str(study), adapter="COM9", receiver="", arm="")
    assert "ends on its own page" in browser.post(f"/jobs/{job.name}/stop").text


def test_no_arm_is_asked_for_or_taken_under_a_seal(
    browser: TestClient, study: Path, line: Line
) -> None:
    assert 'name="arm"' in browser.get(AT).text
    (study / "study.toml").write_text(SEALED)
    assert 'name="arm"' not in browser.get(AT).text
    browser.post(AT, data=parked(line, arm="fitted"))
    waited(lambda: "to be said" in browser.get(AT).text, "the arm was taken")
    assert not list(study.glob("logs/**/*.log"))


@pytest.mark.parametrize(
    "text",
    ["", "spy:///dev/null?file=/tmp/x", "file:///etc/passwd", "loop://", "/dev/../etc/passwd", "é",
     "socket://h", "/etc/passwd", "/dev/tty0\n", "hwgrep://x"],
)  # fmt: skip
def test_no_other_place_is_opened_as_an_adapter(text: str) -> None:
    with pytest.raises(InputError, match="no place of an adapter"):
        adapter_place(text)


def test_without_the_extra_the_page_says_how_to_install_it(
    browser: TestClient, study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sentence = "recording needs the adapter extra, which isn't installed: run  pip install"

    async def asked(request: object, name: str, **given: object) -> dict[str, object]:
        return {"missing": sentence, "places": [], "arms": []}

    monkeypatch.setattr("roadlog.bench.pages.record.ask", asked)
    page = browser.get(AT).text
    assert sentence.replace("'", "&#39;") in page
    assert '<form method="post">' not in page


def test_a_reading_is_told_in_the_readers_units() -> None:
    with shown_in("us"):
        assert (figures(83.0, "°C"), symbol("°C")) == ("181.4", "°F")
        assert figures(13.11, "g/s") == "13.11"
        assert (figures(60.0, "km/h"), symbol("km/h")) == ("37.28", "mph")
    assert figures(101.0, "kPa") == "101"
    assert figures(123456.0, "km") == "123456"


def child_of(study: Path) -> int:
    """The process that holds the study's recording."""
    place = (study / RECORDING).resolve()
    for fd in Path("/proc").glob("[0-9]*/fd/*"):
        try:
            if fd.resolve() == place:
                return int(fd.parts[2])
        except OSError:
            continue
    raise AssertionError("nobody records")


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="the child is found in /proc")
def test_a_killed_recorder_is_started_again_on_the_same_run_and_the_page_says_so(
    browser: TestClient, study: Path, line: Line
) -> None:
    browser.post(AT, data=parked(line, arm="fitted"))
    waited(lambda: state(browser) == "recording", "it doesn't record")
    first = child_of(study)
    os.kill(first, signal.SIGKILL)
    waited(lambda: state(browser) == "none", "it isn't dead")
    assert "The recorder died" in browser.get(AT).text
    waited(lambda: state(browser) == "recording", "it isn't started again")
    assert child_of(study) != first
    page = browser.get(AT).text
    assert "It died once and was started again" in page
    assert not re.search(r"<(form|button|a|input|select)\b", page)
    assert len(list(study.glob("logs/**/*.log"))) == 1
    assert browser.post(AT, data=parked(line)).status_code == 400
    (job,) = (j for j in browser.app.state.bench.jobs.all() if j.task == "record")  # type: ignore[attr-defined]
    keeper = int((job.folder / "alive").read_text())
    os.kill(keeper, signal.SIGKILL)  # and none goes on that the page can't end
    waited(lambda: state(browser) == "none", "it goes on alone")


def test_a_recorder_that_dies_again_and_again_is_given_up(
    study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def dies(*_: object) -> None:
        line = '{"state": "recording", "minutes": 3, "run_open": true}\n'
        (study / RECORDING).write_text(line)

    told: list[str] = []
    monkeypatch.setattr(recorder, "_one_life", dies)
    monkeypatch.setattr(recorder.signal, "signal", lambda *_: None)
    end = recorder.kept_alive(study, {}, lambda kind, text: told.append(kind), 0.0)
    assert end["code"] == 3
    assert "isn't started again" in end["text"]
    assert told == ["died"] * recorder.MOST_STARTS
    assert left(study) == Shown("recording", 3, True)


def test_a_dead_recorder_is_told_and_one_that_ended_isnt(browser: TestClient, study: Path) -> None:
    with only_one(study) as tell:
        tell(Shown("recording", 3, True))
    assert left(study) is None
    assert "died" not in browser.get(AT).text
    (study / RECORDING).write_text('{"state": "recording", "minutes": 3, "run_open": true}')
    assert "The recorder died in a drive" in browser.get(AT).text
    (study / RECORDING).write_text('{"state": "on fire"}')
    assert "died" not in browser.get(AT).text
