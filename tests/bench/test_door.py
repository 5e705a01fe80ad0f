"""The door: one browser by one key, this machine's names, no other page's requests."""

import json
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from roadlog.bench.door import COOKIE, Door, host_names
from tests.bench.conftest import HOST


def test_the_key_lets_one_browser_in_once(stranger: TestClient, door: Door) -> None:
    answer = stranger.get(f"/enter?key={door.key}")
    assert answer.status_code == 303
    said = answer.headers["set-cookie"].lower()
    assert "httponly" in said
    assert "samesite=strict" in said
    assert stranger.get("/").status_code == 200
    stranger.cookies.clear()
    assert stranger.get(f"/enter?key={door.key}").status_code == 401


def test_who_is_in_may_follow_the_old_address_again(browser: TestClient, door: Door) -> None:
    assert browser.get(f"/enter?key={door.key}").status_code == 200


@pytest.mark.parametrize("key", ["", "x", "é", "0" * 5000])
def test_no_other_key_opens(stranger: TestClient, key: str) -> None:
    assert stranger.get("/enter", params={"key": key}).status_code == 401
    assert stranger.get("/").status_code == 401


@pytest.mark.parametrize("path", ["/", "/study/-", "/static/bench.css", "/jobs/a", "/nothing"])
def test_without_the_cookie_nothing_is_shown(stranger: TestClient, path: str) -> None:
    answer = stranger.get(path)
    assert answer.status_code == 401
    assert len(answer.text.strip().splitlines()) == 1


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "127.0.0.1:80", "localhost.evil.example:8640", ""]
)
def test_a_name_that_was_made_to_point_here_leads_nowhere(browser: TestClient, host: str) -> None:
    assert browser.get("/", headers={"host": host}).status_code == 421


def test_localhost_is_this_machine_too(browser: TestClient) -> None:
    assert browser.get("/", headers={"host": "localhost:8640"}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": HOST, "sec-fetch-site": "cross-site"},
        {"origin": HOST, "sec-fetch-site": "same-site"},
    ],
)
def test_another_page_can_send_nothing(browser: TestClient, headers: dict[str, str]) -> None:
    assert browser.post("/study/-/result", headers=headers).status_code == 403


def test_a_form_without_an_origin_is_turned_away(browser: TestClient) -> None:
    del browser.headers["origin"]
    assert browser.post("/study/-/result").status_code == 403


def test_another_page_can_read_nothing(browser: TestClient) -> None:
    told = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert browser.get("/static/bench.js", headers=told).status_code == 403


def test_every_answer_has_the_safe_headers(browser: TestClient) -> None:
    for path in ("/", "/static/bench.css", "/nothing", "/study/none"):
        headers = browser.get(path).headers
        assert "default-src 'none'" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"


def test_a_form_of_this_app_may_say_where_it_comes_from(browser: TestClient) -> None:
    """Under "no-referrer" a browser sends `Origin: null` with each form (Fetch standard, 3.2)."""
    assert browser.get("/").headers["referrer-policy"] == "same-origin"


def test_open_tabs_go_on_after_a_restart(tmp_path: Path) -> None:
    kept = tmp_path / "browsers.json"
    first = Door(kept, host_names(8640))
    cookie = first.enter(first.key)
    assert Door(kept, host_names(8640)).knows(cookie)
    assert cookie is not None
    assert cookie not in kept.read_text()
    assert kept.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("text", ["", "[]", "{", '{"browsers": 3}', '{"browsers": [1, null]}'])
def test_a_damaged_list_of_browsers_lets_nobody_in(tmp_path: Path, text: str) -> None:
    kept = tmp_path / "browsers.json"
    kept.write_text(text)
    door = Door(kept, host_names(8640))
    assert not door.knows("anything")
    assert door.enter(door.key) is not None


def test_a_cookie_of_nobody_opens_nothing(stranger: TestClient, door: Door) -> None:
    door.enter(door.key)
    for value in ("", "x", json.loads(door.kept.read_text())["browsers"][0]):
        stranger.cookies.set(COOKIE, value)
        assert stranger.get("/").status_code == 401
        stranger.cookies.clear()
