"""Logs from a browser into a study: whole or not at all, safely named, taken only when seen."""

import errno
import http.client
import io
import json
import os
import shutil
import socket
import subprocess
import sys
import time
import unicodedata
import zipfile
from collections.abc import Iterator
from itertools import chain, repeat
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import urlsplit

import pytest
from starlette.testclient import TestClient

from roadlog.bench import inbox as inbox_module
from roadlog.bench import looking
from roadlog.bench.answers import ANSWERS
from roadlog.bench.as_data import as_data
from roadlog.bench.inbox import LONGEST_NAME, Inbox, safe_name
from roadlog.bench.jobs import Job, Jobs
from roadlog.bench.quick import Quick
from roadlog.bench.saying import speaker
from roadlog.bench.words import catalogue
from roadlog.errors import InputError
from roadlog.ingest import read_log
from roadlog.ingest.facts import Unclear
from roadlog.runs.intake import Proposal, propose
from roadlog.runs.proposed import proposal_facts
from roadlog.study.folder import load_study, log_files
from roadlog.study.lock import one_writer

STUDY = "collar"
AT = f"/study/{STUDY}/logs"
JSON = {"accept": "application/json"}


def no_tell(*_: object, **__: object) -> None:
    pass


@pytest.fixture(autouse=True)
def _answered_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Questions are answered in this process: a warm one takes seconds to start."""

    async def ask(_: Quick, name: str, **given: Any) -> dict[str, Any]:
        return ANSWERS[name](**given)

    monkeypatch.setattr(Quick, "ask", ask)


@pytest.fixture
def fresh(tmp_path: Path, small_study: Path) -> Path:
    """The 8-day study without its logs, in the bench's folder."""
    folder = tmp_path / STUDY
    shutil.copytree(small_study, folder)
    for log in (folder / "logs").iterdir():
        log.unlink()
    return folder


@pytest.fixture
def log(small_study: Path) -> bytes:
    return sorted((small_study / "logs").iterdir())[0].read_bytes()


def put(browser: TestClient, name: str, body: bytes) -> Any:
    return browser.put(f"{AT}/file", params={"name": name}, content=body, headers=JSON)


def put_in(folder: Path, name: str, body: bytes) -> Path:
    arriving = Inbox(folder).begin(name, len(body))
    arriving.write(body)
    return arriving.keep()


def hidden(folder: Path) -> list[str]:
    return [p.name for p in (folder / ".roadlog" / "inbox").iterdir() if p.name.startswith(".")]


@pytest.mark.parametrize(
    "name",
    [
        "../../../etc/passwd", "..\\..\\boot.ini", "a\0b.csv", "x" * 300 + ".csv", "é" * 300,
        "<script>alert(1)</script>.csv", "\u202egpj.exe.csv", "CON", "nul.csv", "com1.log.csv", "",
        ".", "..", "...", ".bashrc", "a.csv.", " a .csv ", "C:\\drive.csv", "a\nb.csv", "-rf",
        ".roadlog-part-1-x.csv", "/", "\ud800.csv", "log." + "y" * 250,
    ],
)  # fmt: skip
def test_a_name_is_safe_on_any_disk(tmp_path: Path, name: str) -> None:
    safe = safe_name(name)
    assert safe == safe_name(safe)
    assert 0 < len(safe.encode()) <= LONGEST_NAME
    assert not set(safe) & set('/\\<>:"|?*')
    assert not safe.startswith(".")
    assert not safe.endswith((".", " "))
    assert all(unicodedata.category(c)[0] != "C" for c in safe)
    assert safe.partition(".")[0].lower() not in ("con", "nul", "com1")
    path = put_in(tmp_path, name, b"a")
    assert path.parent == tmp_path / ".roadlog" / "inbox"


def test_a_name_that_is_safe_stays() -> None:
    for name in ("drive 1.csv", "Überlandfahrt_2026-03-02.csv", "a.b.c.csv", "道路.csv"):
        assert safe_name(name) == name


def test_twins_of_a_name_get_numbers_whatever_their_case(tmp_path: Path) -> None:
    names = [put_in(tmp_path, n, n.encode()).name for n in ("a.csv", "A.CSV", "a.csv")]
    assert names == ["a.csv", "A-2.CSV", "a-3.csv"]
    assert [p.read_bytes() for p in Inbox(tmp_path).waiting()] == [b"A.CSV", b"a.csv", b"a.csv"]


def test_a_file_comes_whole_over_the_wire(browser: TestClient, fresh: Path, log: bytes) -> None:
    answer = put(browser, "../monday.csv", log)
    assert answer.json() == {"name": "monday.csv", "size": len(log)}
    assert (fresh / ".roadlog" / "inbox" / "monday.csv").read_bytes() == log
    assert hidden(fresh) == []
    assert "monday.csv" in browser.get(AT).text


def test_two_uploads_at_once_keep_apart(fresh: Path) -> None:
    inbox = Inbox(fresh)
    one, two = inbox.begin("a.csv", None), inbox.begin("a.csv", None)
    one.write(b"1")
    two.write(b"2")
    one.write(b"1")
    assert {one.keep().read_bytes(), two.keep().read_bytes()} == {b"11", b"2"}


def test_a_form_without_script_brings_many_files(
    browser: TestClient, fresh: Path, log: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[str] = []
    monkeypatch.setattr(
        "roadlog.bench.pages.logs.start_job", lambda _r, task, _h, **_: started.append(task)
    )
    files = [("files", ("a.csv", log)), ("files", ("../b.csv", b"x"))]
    assert browser.post(AT, files=files).status_code == 200
    assert [p.name for p in Inbox(fresh).waiting()] == ["a.csv", "b.csv"]
    assert Inbox(fresh).find("a.csv").read_bytes() == log
    assert started == ["look"]
    assert browser.post(AT, files=[("files", ("", b""))]).status_code == 400
    assert browser.post(AT, content=b"x").status_code == 400


def test_a_form_that_is_cut_off_leaves_no_half_file(browser: TestClient, fresh: Path) -> None:
    kind = {"content-type": "multipart/form-data; boundary=xx"}
    head = b'--xx\r\nContent-Disposition: form-data; name="files"; filename="%s"\r\n\r\n'
    body = head % b"a.csv" + b"whole\r\n" + head % b"b.csv" + b"hal"
    answer = browser.post(AT, content=body, headers=kind | JSON)
    assert answer.status_code == 400
    assert [p.name for p in Inbox(fresh).waiting()] == ["a.csv"]
    assert hidden(fresh) == []


def test_an_upload_that_is_cut_off_leaves_nothing(browser: TestClient, fresh: Path) -> None:
    told = JSON | {"content-length": "100"}
    answer = browser.put(f"{AT}/file?name=a.csv", content=b"half", headers=told)
    assert answer.status_code == 400
    assert "cut off" in answer.json()["problem"]
    assert Inbox(fresh).waiting() == []
    assert hidden(fresh) == []


def test_a_full_disk_is_said_and_nothing_half_kept(
    browser: TestClient, fresh: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_handle: int, _piece: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    put(browser, "before.csv", b"kept")
    with monkeypatch.context() as m:
        m.setattr(inbox_module, "os", SimpleNamespace(**{**vars(os), "write": full}))
        answer = put(browser, "a.csv", b"x")
    assert answer.json()["problem"].startswith("'a.csv' wasn't kept: the disk is full")
    assert [p.name for p in Inbox(fresh).waiting()] == ["before.csv"]
    assert hidden(fresh) == []


def test_ten_thousand_files_meet_a_limit_and_lose_nothing(
    browser: TestClient, fresh: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inbox_module, "MOST_FILES", 20)
    answers = [put(browser, f"{i}.csv", b"%d" % i) for i in range(30)]
    assert [a.status_code for a in answers] == [200] * 20 + [400] * 10
    assert "20 files wait here" in answers[-1].json()["problem"]
    assert len(Inbox(fresh).waiting()) == 20


def test_too_large_a_file_is_refused_before_and_while_it_comes(
    browser: TestClient, fresh: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inbox_module, "MOST_BYTES", 10)
    assert put(browser, "a.csv", b"x" * 11).status_code == 400
    arriving = Inbox(fresh).begin("b.csv", None)
    with pytest.raises(InputError, match="no drive log"):
        arriving.write(b"x" * 11)
    assert hidden(fresh) == []


def test_an_inbox_that_leads_elsewhere_is_refused(
    browser: TestClient, fresh: Path, tmp_path: Path
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (fresh / ".roadlog").symlink_to(elsewhere)
    assert put(browser, "a.csv", b"x").status_code == 400
    assert list(elsewhere.iterdir()) == []


def test_what_waits_is_no_log_of_the_study_yet(fresh: Path, log: bytes) -> None:
    put_in(fresh, "a.csv", log)
    with pytest.raises(InputError, match="no file matches"):
        log_files(fresh, ["**/synthetic*.csv"])
    with pytest.raises(InputError, match="no file matches"):
        log_files(fresh, ["**/a.csv"])


def test_looking_says_what_take_would_and_writes_nothing(fresh: Path, log: bytes) -> None:
    put_in(fresh, "a.csv", log)
    found = looking.look(study=str(fresh), tell=no_tell)
    json.dumps(found, allow_nan=False)
    (row,) = found["files"]
    assert row["can"]
    assert row["arm"] == "baseline"
    assert row["said"][0]["with"]["start"].startswith("2026-03-02")
    (layout,) = found["layouts"]
    speed = next(c for c in layout["columns"] if c["taken_for"] == "speed_kmh")
    assert len(speed["first"]) == looking.FIRST_VALUES
    assert len(speed["picture"]["points"].split()) <= 2 * looking.STEPS
    assert list((fresh / "logs").iterdir()) == []


def test_what_was_seen_is_taken_and_only_then_leaves(fresh: Path, log: bytes) -> None:
    put_in(fresh, "a.csv", log)
    put_in(fresh, "again.csv", log)
    put_in(fresh, "bad.csv", b"no log")
    found = looking.look(study=str(fresh), tell=no_tell)
    seen = [(f["name"], f["sha256"]) for f in found["files"]]
    put_in(fresh, "later.csv", log + b"\n")
    told = looking.take(study=str(fresh), tell=no_tell, seen=seen)
    assert told["text"].startswith("1 of 3 taken in. 1 stay")
    assert (fresh / "logs" / "a.csv").read_bytes() == log
    assert [p.name for p in Inbox(fresh).waiting()] == ["bad.csv", "later.csv"]


def test_a_file_that_changed_since_is_not_taken(fresh: Path, log: bytes) -> None:
    path = put_in(fresh, "a.csv", log)
    with pytest.raises(InputError, match="changed since"):
        looking.take(study=str(fresh), tell=no_tell, seen=[("a.csv", "0" * 64)])
    assert path.exists()
    assert list((fresh / "logs").iterdir()) == []


def test_another_writer_is_waited_for(fresh: Path, log: bytes) -> None:
    put_in(fresh, "a.csv", log)
    sha = looking.look(study=str(fresh), tell=no_tell)["files"][0]["sha256"]
    before = (fresh / "study.toml").read_bytes()
    with one_writer(fresh, "an analysis"):
        with pytest.raises(InputError, match="an analysis is writing here"):
            looking.take(study=str(fresh), tell=no_tell, seen=[("a.csv", sha)])
        with pytest.raises(InputError, match="an analysis is writing here"):
            looking.say_column(folder=str(fresh), header="x", signal="ignore", unit="")
        with pytest.raises(InputError, match="an analysis is writing here"):
            looking.check(study=str(fresh), tell=no_tell)
    assert (fresh / "study.toml").read_bytes() == before
    assert [p.name for p in Inbox(fresh).waiting()] == ["a.csv"]


def a_zip(size: int) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr("a.csv", b"0" * size)
    return out.getvalue()


@pytest.mark.parametrize(
    "body", [b"", b"\0" * 5000, a_zip(10), a_zip(50_000_000), b"time\n", b"\x89PNG\r\n\x1a\n" * 50]
)
def test_what_is_no_log_is_refused_in_one_sentence_and_stays(fresh: Path, body: bytes) -> None:
    put_in(fresh, "a.csv", body)
    (row,) = looking.look(study=str(fresh), tell=no_tell)["files"]
    assert not row["can"]
    assert row["refused"]
    assert "\n" not in row["refused"]
    assert ".roadlog" not in row["refused"]
    looking.one_file(folder=str(fresh), file="a.csv")


def test_a_sealed_schedule_shows_no_arm(
    browser: TestClient, fresh: Path, log: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (fresh / "study.toml").read_text()
    text = text.replace('arm = "baseline", ', "").replace('arm = "fitted", ', "")
    text = text.replace("randomised = true", f'randomised = true\nsealed = "{"a" * 64}"')
    (fresh / "study.toml").write_text(text)
    assert load_study(fresh).shut
    put_in(fresh, "a.csv", log)
    found = looking.look(study=str(fresh), tell=no_tell, arm="fitted")
    assert found["files"][0]["can"]
    said = json.dumps({k: found[k] for k in ("files", "arm", "layouts")})
    assert "baseline" not in said
    assert "fitted" not in said
    sha = found["files"][0]["sha256"]
    looking.take(study=str(fresh), tell=no_tell, seen=[("a.csv", sha)])
    checked = looking.check(study=str(fresh), tell=no_tell)
    assert checked["shut"]
    assert [r["arm"] for r in checked["rows"]] == [""]


def test_a_columns_meaning_is_written_and_the_comments_stay(fresh: Path) -> None:
    before = (fresh / "study.toml").read_text()
    looking.say_column(folder=str(fresh), header="V <b>", signal="speed_kmh", unit="mph")
    looking.say_column(folder=str(fresh), header='a "b" \\ é', signal="ignore", unit="")
    looking.say_column(folder=str(fresh), header="V <b>", signal="speed_kmh", unit="km/h")
    after = (fresh / "study.toml").read_text()
    assert after.startswith(before.rstrip())
    rules = load_study(fresh).columns
    assert rules["V <b>"].unit == "km/h"
    assert rules['a "b" \\ é'].signal == "ignore"


def test_a_unit_that_the_values_leave_open_is_settled_by_a_click(fresh: Path) -> None:
    rows = "".join(
        f"2026-03-02 08:{i // 60:02d}:{i % 60:02d},{15 + i // 100},{30 + i % 9},{5 + i % 3}\n"
        for i in range(600)
    )
    put_in(fresh, "a.csv", f"time,intake air temperature,speed,MAF\n{rows}".encode())
    told = looking.one_file(folder=str(fresh), file="a.csv")
    open_ = {c["header"]: c["units"] for c in told["layout"]["columns"] if c["units"]}
    for header, units in open_.items():
        signal = next(c["taken_for"] for c in told["layout"]["columns"] if c["header"] == header)
        looking.say_column(folder=str(fresh), header=header, signal=signal, unit=units[0])
    again = looking.one_file(folder=str(fresh), file="a.csv")
    assert open_
    assert not any(c["units"] for c in again["layout"]["columns"])
    assert again["can"]


def test_day_or_month_first_is_settled_by_a_click(
    browser: TestClient, fresh: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("roadlog.bench.pages.logs.start_job", no_tell)
    before = (fresh / "study.toml").read_text()
    rows = "".join(f"03/02/2026 08:00:{i:02d},{i},5\n" for i in range(60))
    put_in(fresh, "a.csv", f"time,speed,MAF\n{rows}".encode())
    (row,) = looking.look(study=str(fresh), tell=no_tell)["files"]
    assert row["day_open"]
    assert browser.post(f"{AT}/dates", data={"first": "x"}).status_code == 400
    assert browser.post(f"{AT}/dates", data={"first": "month"}).status_code == 200
    assert load_study(fresh).time.day_first is False
    (row,) = looking.look(study=str(fresh), tell=no_tell)["files"]
    assert not row["day_open"]
    assert "2026-03-02" in json.dumps(row["said"])
    assert (fresh / "study.toml").read_text().startswith(before.rstrip())


def test_rival_columns_are_listed_so_that_one_can_be_set_aside(fresh: Path) -> None:
    rows = "".join(f"2026-03-02 08:00:{i:02d},{i},{99 - i},5\n" for i in range(60))
    put_in(fresh, "a.csv", f"time,speed,vehicle speed,MAF\n{rows}".encode())
    told = looking.one_file(folder=str(fresh), file="a.csv")
    assert told["refused"]
    columns = {c["header"]: c for c in told["layout"]["columns"]}
    assert columns["vehicle speed"]["taken_for"] == "speed_kmh"
    assert columns["speed"]["first"] == ["0", "1", "2"]
    looking.say_column(folder=str(fresh), header="speed", signal="ignore", unit="")
    assert looking.one_file(folder=str(fresh), file="a.csv")["can"]


@pytest.mark.parametrize(
    ("header", "signal", "unit"),
    [("V", "nonsense", ""), ("V", "speed_kmh", "kPa"), ("T", "time", "mph"), (" ", "ignore", "")],
)
def test_a_meaning_that_cannot_be_is_not_written(
    fresh: Path, header: str, signal: str, unit: str
) -> None:
    before = (fresh / "study.toml").read_bytes()
    with pytest.raises(InputError):
        looking.say_column(folder=str(fresh), header=header, signal=signal, unit=unit)
    assert (fresh / "study.toml").read_bytes() == before


def a_look(tmp_path: Path, fresh: Path, found: dict[str, Any]) -> Job:
    folder = tmp_path / ".roadlog" / "jobs" / "look-1"
    folder.mkdir(parents=True)
    given = {"study": str(fresh)}
    (folder / "task.json").write_text(json.dumps({"task": "look", "given": given, "started": 0.0}))
    end = {"kind": "end", "code": 0, "text": "", "result": found}
    (folder / "events.jsonl").write_text(json.dumps(end) + "\n")
    return Job(folder, "look-1", "look", given, 0.0)


def test_html_in_headings_and_names_is_text(
    browser: TestClient, tmp_path: Path, fresh: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    evil = "<img src=x onerror=alert(1)>"
    rows = "".join(f"2026-03-02 08:00:{i:02d},{i},<b>{i}</b>\n" for i in range(50))
    put_in(fresh, "<i>a</i>.csv", f"time,speed_kmh,{evil}\n{rows}".encode())
    a_look(tmp_path, fresh, looking.look(study=str(fresh), tell=no_tell))
    shown = browser.get(AT).text
    name = Inbox(fresh).waiting()[0].name
    one = browser.get(f"{AT}/one", params={"name": name, "column": evil}).text
    for text in (shown, one):
        assert "onerror" in text
        assert "<img" not in text
        assert "<b>1" not in text
    assert "Take 1 file in" in shown
    started: list[dict[str, Any]] = []
    monkeypatch.setattr(
        "roadlog.bench.pages.logs.start_job", lambda _r, _t, _h, **given: started.append(given)
    )
    assert browser.post(f"{AT}/take", data={"look": "look-1"}).status_code == 200
    assert started[0]["seen"][0][0] == name
    put_in(fresh, "new.csv", b"x")
    assert browser.post(f"{AT}/take", data={"look": "look-1"}).status_code == 400
    assert "Take 1 file in" not in browser.get(AT).text


def test_a_file_can_be_removed_and_only_one_that_waits(browser: TestClient, fresh: Path) -> None:
    put_in(fresh, "a.csv", b"x")
    assert browser.post(f"{AT}/drop", data={"name": "../../study.toml"}).status_code == 400
    assert (fresh / "study.toml").exists()
    assert browser.post(f"{AT}/drop", data={"name": "a.csv"}).status_code == 200
    assert Inbox(fresh).waiting() == []


def test_the_check_shows_a_line_a_run_and_its_page(
    browser: TestClient, tmp_path: Path, small_study: Path
) -> None:
    folder = tmp_path / STUDY
    shutil.copytree(small_study, folder)
    for extra in sorted((folder / "logs").iterdir())[4:]:
        extra.unlink()
    assert "Check the logs" in browser.get(f"/study/{STUDY}/check").text
    job = browser.post(f"/study/{STUDY}/check")
    assert job.status_code == 200
    until = time.monotonic() + 60
    while "data-ended" not in (text := browser.get(f"/study/{STUDY}/check").text):
        assert time.monotonic() < until
        time.sleep(0.2)
    assert "runs can be used" in text
    assert text.count("<tr>") == 5
    assert 'sandbox="allow-scripts"' in text
    assert (folder / "results" / "check.html").is_file()


def peak_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return next(int(x.split()[1]) for x in status.splitlines() if x.startswith("VmHWM")) / 1000


@pytest.fixture
def served(
    tmp_path: Path, fresh: Path
) -> Iterator[tuple[int, http.client.HTTPConnection, dict[str, str]]]:
    """The app in a process of its own, as `roadlog open` starts it, and a way to ask it."""
    code = (
        "import sys; from pathlib import Path; from roadlog.bench.serve import serve; "
        "serve(Path(sys.argv[1]), ready=lambda a: print(a, flush=True))"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    where = urlsplit(process.stdout.readline().strip())
    talk = http.client.HTTPConnection(where.netloc, timeout=60)
    talk.request("GET", f"{where.path}?{where.query}")
    answer = talk.getresponse()
    answer.read()
    cookie = answer.headers["set-cookie"].split(";")[0]
    yield process.pid, talk, {"cookie": cookie, "origin": f"http://{where.netloc}", **JSON}
    talk.close()
    process.terminate()
    process.wait()


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from /proc")
def test_two_hundred_megabytes_pass_a_server_of_less_than_300(
    served: tuple[int, http.client.HTTPConnection, dict[str, str]], fresh: Path
) -> None:
    """Issue 14, section 5: as a body of its own and as a form, and one is cut off half-way."""
    pid, talk, headers = served
    piece, pieces = b"2026-03-02 08:00:00,50\n" * 45_590, 200  # 1.05 MB each
    size = len(piece) * pieces
    told = headers | {"content-length": str(size)}
    talk.request("PUT", f"{AT}/file?name=a.csv", body=(piece for _ in range(pieces)), headers=told)
    answer = talk.getresponse()
    assert json.loads(answer.read()) == {"name": "a.csv", "size": size}
    head = b'--xx\r\nContent-Disposition: form-data; name="files"; filename="b.csv"\r\n\r\n'
    end = b"\r\n--xx--\r\n"
    told = headers | {
        "content-type": "multipart/form-data; boundary=xx",
        "content-length": str(len(head) + size + len(end)),
    }
    body = chain([head], repeat(piece, pieces), [end])
    talk.request("POST", AT, body=body, headers=told)
    assert talk.getresponse().read() is not None
    for job in Jobs(fresh.parent / ".roadlog" / "jobs").all():
        job.stop()
    assert [p.stat().st_size for p in Inbox(fresh).waiting()] == [size, size]
    half = socket.create_connection((talk.host, talk.port))
    lines = "".join(f"{k}: {v}\r\n" for k, v in headers.items())
    start = f"PUT {AT}/file?name=c.csv HTTP/1.1\r\nhost: {talk.host}:{talk.port}\r\n{lines}"
    half.sendall(f"{start}content-length: {size}\r\n\r\n".encode() + piece)
    half.close()
    until = time.monotonic() + 20
    while hidden(fresh):
        assert time.monotonic() < until
        time.sleep(0.05)
    assert [p.name for p in Inbox(fresh).waiting()] == ["a.csv", "b.csv"]
    assert peak_mb(pid) < 300


def test_each_file_has_an_arm_of_its_own_and_no_sentence_names_an_option(
    fresh: Path, log: bytes
) -> None:
    for name, day in (("a.csv", b"2026-04-02"), ("b.csv", b"2026-04-03"), ("c.csv", b"2026-03-02")):
        put_in(fresh, name, log.replace(b"2026-03-02", day))
    found = looking.look(study=str(fresh), tell=no_tell)
    assert [f["can"] for f in found["files"]] == [False, False, True]
    assert [f["choose"] for f in found["files"]] == [True, True, False]
    assert "Choose its arm below" in found["files"][0]["refused"]
    assert "--" not in json.dumps([f["said"] for f in found["files"]])
    each = {"a.csv": ("fitted", False), "b.csv": ("baseline", True)}
    chosen = looking.look(study=str(fresh), tell=no_tell, each=each)
    assert [f["arm"] for f in chosen["files"]] == ["fitted", "baseline", "baseline"]
    seen = [(f["name"], f["sha256"]) for f in chosen["files"]]
    looking.take(study=str(fresh), tell=no_tell, seen=seen, each=chosen["each"])
    assert Inbox(fresh).waiting() == []
    assert (fresh / "logs" / "fitted" / "a.csv").is_file()
    assert (fresh / "logs" / "baseline" / "b.csv").is_file()


def test_the_command_still_names_its_options(fresh: Path, log: bytes, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(log.replace(b"2026-03-02", b"2026-04-02"))
    (refused,) = propose(fresh, load_study(fresh), [tmp_path / "a.csv"])
    assert str(refused.refused).endswith("say --arm baseline or --arm fitted")


def test_a_files_own_choice_goes_before_that_for_all(
    browser: TestClient, fresh: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: dict[str, object] = {}
    monkeypatch.setattr(
        "roadlog.bench.pages.logs.start_job",
        lambda request, task, here, **given: told.update(given),
    )
    browser.follow_redirects = False
    many = {f"arm:{i}.csv": "all" for i in range(400)} | {
        f"split:{i}.csv": "all" for i in range(400)
    }
    own = {"arm:a <b>.csv": "fitted", "split:a <b>.csv": "all", "arm:b.csv": "all",
           "split:b.csv": "no", "arm:c.csv": ""}  # fmt: skip
    answer = browser.post(f"{AT}/look", data={**many, **own, "arm": "baseline", "split": "on"})
    assert answer.status_code == 303
    assert told == {
        "arm": "baseline",
        "split": True,
        "each": {"a <b>.csv": ("fitted", True), "b.csv": ("baseline", False), "c.csv": ("", False)},
    }
    assert browser.post(f"{AT}/look", data={"arm:a.csv": "sideways"}).status_code == 400


@pytest.mark.parametrize(
    ("table", "code"),
    [
        ("time,speed [km/h],fuel rate [gal/h]\n", "GALLON"),
        ("tiem,speed [km/h],maf [g/s]\n", "NO_TIME_BUT_NEAR"),
        ("when it was,speed [km/h],maf [g/s]\n", "NO_TIME"),
        ("date and time,speed [km/h],maf [g/s]\n", "DAY_OR_MONTH"),
    ],
)
def test_what_a_file_leaves_open_is_told_without_an_option_and_in_german(
    table: str, code: str, fresh: Path
) -> None:
    day = "01/02/2026 10:00:" if code == "DAY_OR_MONTH" else ""
    rows = "".join(f"{day}{i:02d},{30 + i % 9},{3 + i % 5}\n" for i in range(60))
    put_in(fresh, "x.csv", (table + rows).encode())
    row = looking.look(study=str(fresh), tell=no_tell)["files"][0]
    assert row["refused"]
    assert "--" not in json.dumps(row)
    assert row["day_open"] == (code == "DAY_OR_MONTH")
    assert row["said"][0]["with"]["why"]["say"] == Unclear[code].many
    german = speaker("de", catalogue("de"), str)(row["said"][0])
    assert german.startswith("Noch nicht übernommen: ")
    assert "lang=" not in german


def test_what_was_repaired_is_told_in_german(fresh: Path) -> None:
    rows = "".join(f"{i},{30 + i % 9},{3 + i % 5},93.0\n" for i in range(60))
    put_in(fresh, "x.csv", f"time,speed [km/h],maf [g/s],altitude\n{rows}".encode())
    row = looking.one_file(folder=str(fresh), file="x.csv")
    assert "no unit in the header" in json.dumps(row["layout"])
    path = Inbox(fresh).find("x.csv")
    said = [as_data(f) for f in proposal_facts(Proposal(path, log=read_log(path)))]
    german = " ".join(speaker("de", catalogue("de"), str)(s) for s in said)
    assert "Hinweis: „time“ hat keine Einheit: als Sekunden genommen" in german
    assert "Hinweis: <span" not in german
