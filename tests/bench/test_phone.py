"""The phone: off unless asked for, let in by one code, to notes and recording state alone."""

import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx2
import pytest
from starlette.routing import Mount, Route
from starlette.testclient import TestClient

from roadlog.bench.answers import ANSWERS
from roadlog.bench.door import COOKIE, Door
from roadlog.bench.pages import PAGES
from roadlog.bench.phone import Phone, checked, door_for, local_address, make_phone_app
from roadlog.bench.quick import Quick
from roadlog.bench.serve import first_free
from roadlog.errors import InputError
from roadlog.study.recording import Shown, only_one

AT = "http://192.168.7.20:8700"
OUTSIDE = (
    "/.roadlog/browsers.json", "/static/../door.py", "/static/%2e%2e/door.py", "/study/..%2f..",
    "/study/none", "/docs", "/study/collar/file/study.toml",
)  # fmt: skip
MINE = {"/", "/static/bench.css", "/static/bench.js"}


@pytest.fixture
def study(tmp_path: Path) -> Path:
    folder = tmp_path / "collar"
    folder.mkdir()
    (folder / "study.toml").write_text('name = "Collar"\n[labels]\nfitted = "collar in"\n')
    return folder


@pytest.fixture
def phone_door(tmp_path: Path) -> Door:
    return door_for(tmp_path / ".roadlog" / "phones.json", "192.168.7.20", 8700)


@pytest.fixture
def stranger_on_lan(
    browser: TestClient, phone_door: Door, monkeypatch: pytest.MonkeyPatch
) -> Iterator[TestClient]:
    async def ask(self: Quick, name: str, **given: str) -> dict[str, object]:
        return ANSWERS[name](**given)

    monkeypatch.setattr(Quick, "ask", ask)
    bench = browser.app.state.bench  # type: ignore[attr-defined]
    browser.app.state.phone = Phone(phone_door, AT)  # type: ignore[attr-defined]
    with TestClient(
        make_phone_app(bench, phone_door), base_url=AT, follow_redirects=False
    ) as client:
        client.headers["origin"] = AT
        yield client


@pytest.fixture
def phone(stranger_on_lan: TestClient, phone_door: Door) -> TestClient:
    assert stranger_on_lan.get(f"/enter?key={phone_door.key}").status_code == 303
    return stranger_on_lan


def every_address(routes: list[object]) -> set[str]:
    """An address for each route, with the study and plausible names put in."""
    found = set()
    for route in routes:
        if isinstance(route, Mount):
            found |= {f"{route.path}/bench.css", f"{route.path}/bench.js", f"{route.path}/x"}
        elif isinstance(route, Route):
            path = re.sub(r"\{study[^}]*\}", "collar", route.path)
            path = re.sub(r"\{path:path\}", "results/report.html", path)
            found.add(re.sub(r"\{[^}]*\}", "en", path))
    return found


def test_the_phone_reaches_its_own_routes_and_no_other(
    phone: TestClient, browser: TestClient, study: Path
) -> None:
    (study / "results").mkdir()
    (study / "results" / "report.html").write_text("x")
    theirs = every_address([r for m in PAGES for r in getattr(m, "PHONE", ())]) | MINE
    every = every_address(browser.app.routes)  # type: ignore[attr-defined]
    assert len(every - theirs) > 8
    for path in every - theirs:
        for method in ("GET", "POST", "HEAD", "PUT", "DELETE"):
            answer = phone.request(method, path)
            assert answer.status_code == 404, (method, path)
            assert len(answer.text.splitlines()) <= 1
    for path in OUTSIDE:
        assert phone.get(path).status_code == 404, path
    assert phone.post("/study/collar").status_code in (400, 404)


def test_the_phone_sees_the_state_and_nothing_to_operate(phone: TestClient, study: Path) -> None:
    first = phone.get("/").text
    assert re.findall('href="(/study[^"]*)"', first) == ["/study/collar/today", "/study/collar"]
    assert "<h1>Not recording</h1>" in phone.get("/study/collar").text
    with only_one(study) as tell:
        tell(Shown("recording", 17, True))
        page = phone.get("/study/collar").text
        assert "<h1>Recording</h1>" in page
        assert "<span>17</span> min" in page
        assert not re.search(r"<(form|button|a|input|select)\b", page)
        assert phone.get("/study/collar/record/state").json()["state"] == "recording"


def test_the_notes_form_is_there_and_leads_nowhere_else(phone: TestClient, study: Path) -> None:
    page = phone.get("/study/collar/today").text
    assert 'action="/study/collar/today"' in page
    led = set(re.findall('(?:href|src|action)="(/[^"]*)"', page))
    assert all(phone.get(path).status_code in (200, 303) for path in led), led
    told = dict(re.findall('<input type="hidden" name="([^"]*)" value="([^"]*)">', page))
    told |= {"fill:litres": "31.5", "fill:odometer_km": "40210", "fill:full": "yes"}
    answer = phone.post("/study/collar/today", data=told)
    assert answer.status_code == 303
    assert "31.5" in (study / "fills.csv").read_text()


def test_the_code_lets_one_phone_in_once_and_opens_nothing_of_the_bench(
    phone: TestClient, browser: TestClient, phone_door: Door
) -> None:
    mine = phone.cookies[COOKIE]
    phone.cookies.clear()
    assert phone.get("/").status_code == 401
    assert phone.get(f"/enter?key={phone_door.key}").status_code == 401
    phone.cookies.set(COOKIE, browser.cookies[COOKIE])
    assert phone.get("/").status_code == 401
    browser.cookies.clear()
    browser.cookies.set(COOKIE, mine)
    assert browser.get("/phone").status_code == 401


def test_who_was_let_in_is_shut_out_by_the_bench_and_by_the_next_start(
    phone: TestClient, browser: TestClient, phone_door: Door
) -> None:
    assert phone.get("/").status_code != 401
    browser.post("/phone/nobody")
    assert phone.get("/").status_code == 401
    assert phone.get(f"/enter?key={phone_door.key}").status_code == 401
    page = browser.post("/phone/another").text
    assert phone_door.key in page
    assert phone.get(f"/enter?key={phone_door.key}").status_code == 303
    assert phone.get("/").status_code != 401
    again = door_for(phone_door.kept, "192.168.7.20", 8700)
    assert not again.knows(phone.cookies[COOKIE])


@pytest.mark.parametrize(
    "host", ["127.0.0.1:8700", "localhost:8700", "192.168.7.20", "evil.example:8700", ""]
)
def test_no_other_name_leads_to_the_phone_pages(phone: TestClient, host: str) -> None:
    assert phone.get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:8640", ""])
def test_no_other_page_sends_anything_to_the_phone_pages(phone: TestClient, origin: str) -> None:
    assert phone.post("/study/collar", headers={"origin": origin}).status_code == 403


def test_without_lan_the_page_says_how_and_shows_no_code(browser: TestClient) -> None:
    page = browser.get("/phone").text
    assert "roadlog open --lan" in page
    assert "<img" not in page


def test_the_page_shows_code_and_caution(
    stranger_on_lan: TestClient, browser: TestClient, phone_door: Door
) -> None:
    page = browser.get("/phone").text
    assert 'src="data:image/svg+xml' in page
    assert "Not encrypted." in page
    assert page.index("Not encrypted.") < page.index("data:image")
    stranger_on_lan.get(f"/enter?key={phone_door.key}")
    assert "data:image" not in browser.get("/phone").text


@pytest.mark.parametrize("address", ["8.8.8.8", "0.0.0.0", "127.0.0.1", "100.64.0.1"])
def test_only_an_address_of_a_local_network_is_listened_to(address: str) -> None:
    with pytest.raises(InputError, match="--lan"):
        checked(address)


def test_a_port_that_another_took_between_binding_and_listening_is_passed_over(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plain, rivals = socket.socket, list[socket.socket]()

    class Beaten(plain):  # type: ignore[misc, valid-type]
        def bind(self, at: tuple[str, int]) -> None:
            super().bind(at)
            if not rivals:
                rival = plain(socket.AF_INET, socket.SOCK_STREAM)
                rival.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                rival.bind(self.getsockname())
                rival.listen()
                rivals.append(rival)

    monkeypatch.setattr(socket, "socket", Beaten)
    one = first_free("127.0.0.1", (0, 0))
    assert one is not None
    with one, rivals[0]:
        assert one.getsockname()[1] != rivals[0].getsockname()[1]


def test_listening_in_the_network_begins_only_when_asked_and_ends_with_the_app(
    tmp_path: Path, study: Path
) -> None:
    try:
        mine = local_address()
    except InputError as e:
        pytest.skip(str(e))
    app = subprocess.Popen(
        [sys.executable, "-m", "roadlog", "open", str(tmp_path), "--lan", "--no-browser"],
        stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    assert app.stdout is not None
    try:
        entry = app.stdout.readline().split()[-1]
        assert "Nothing is encrypted" in app.stdout.readline() + app.stdout.readline()
        with httpx2.Client(follow_redirects=True) as bench, httpx2.Client() as phone:
            bench.get(entry, timeout=60)
            base = entry.partition("/enter")[0]
            with pytest.raises(httpx2.ConnectError):
                phone.get(base.replace("127.0.0.1", mine))
            page = bench.get(f"{base}/phone", timeout=60).text
            found = re.search(r"http://[\d.]+:\d+/enter\?key=[\w-]+", page)
            assert found is not None
            assert f"//{mine}:" in found[0]
            theirs = found[0].partition("/enter")[0]
            assert phone.get(found[0]).status_code == 303
            assert phone.get(f"{theirs}/study/collar/record/state").json()["state"] == "none"
            assert phone.get(f"{theirs}/study/collar/record").status_code == 404
            app.send_signal(signal.SIGINT)
            app.wait(30)
            with pytest.raises(httpx2.ConnectError):
                phone.get(theirs)
    finally:
        app.kill()
        app.wait()
