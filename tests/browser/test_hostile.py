"""Other pages, other names and other machines: nothing is done, shown or let in for them."""

import http.client
import http.server
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest

from tests.browser.app import Window

ATTACK = """<body><form id=f method=post action="{origin}/new" target=shown>
<input name=name value=stolen><input name=asked_in value=metric></form>
<iframe name=shown></iframe><iframe id=framed src="{origin}/"></iframe>
<script>window.seen = [];
const tried = (what) => fetch("{origin}" + what[0], what[1]).then(
  (a) => seen.push(a.type === "opaque" ? "blind" : "read"), () => seen.push("refused"));
Promise.all([["/", {{}}], ["/new", {{credentials: "include"}}],
  ["/new", {{method: "POST", mode: "no-cors", credentials: "include",
    headers: {{"content-type": "application/x-www-form-urlencoded"}}, body: "name=blind"}}],
].map(tried)).then(() => document.title = "done");
document.getElementById("f").submit();</script>"""


class Silent(http.server.SimpleHTTPRequestHandler):
    """A server of files that says nothing."""

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@pytest.fixture
def elsewhere(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """Another origin on this machine, and its folder."""
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    handler = partial(Silent, directory=str(folder))
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}", folder
    server.shutdown()
    server.server_close()


def test_another_page_in_the_same_browser_does_and_reads_nothing(
    opened: Callable[..., Window], elsewhere: tuple[str, Path], tmp_path: Path
) -> None:
    w = opened(tmp_path / "bench")
    origin, folder = elsewhere
    (folder / "evil.html").write_text(ATTACK.format(origin=w.app.origin))
    other = w.context.new_page()
    other.goto(f"{origin}/evil.html")
    other.wait_for_function("document.title === 'done'")
    assert "read" not in other.evaluate("seen")
    other.wait_for_timeout(300)
    texts = [
        f.locator("body").inner_text() for f in other.frames[1:] if "chrome-error" not in f.url
    ]
    assert all("Studies" not in t and "study" not in t.lower() for t in texts)
    assert [p.name for p in (tmp_path / "bench").iterdir()] == [".roadlog"]


def test_the_cookie_is_shut_to_scripts_and_other_sites(
    opened: Callable[..., Window], tmp_path: Path
) -> None:
    w = opened(tmp_path / "bench")
    (cookie,) = (c for c in w.context.cookies() if c["name"] == "roadlog_bench")
    assert cookie["httpOnly"]
    assert cookie["sameSite"] == "Strict"
    assert w.page.evaluate("document.cookie") == ""
    assert "key=" not in w.page.url
    stranger = w.context.browser.new_context()
    page = stranger.new_page()
    answer = page.goto(w.app.origin + "/new")
    assert answer is not None
    assert answer.status == 401
    assert "hasn't been let in" in page.inner_text("body")
    stranger.close()
    host = w.app.origin.removeprefix("http://")
    for name in ("evil.example", f"evil.example:{host.split(':')[1]}", ""):
        talk = http.client.HTTPConnection(host)
        talk.request(
            "GET", "/", headers={"host": name, "cookie": f"roadlog_bench={cookie['value']}"}
        )
        assert talk.getresponse().status in (400, 421), name
