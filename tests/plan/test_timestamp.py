"""RFC 3161 time-stamps: what is believed of an answer, and what isn't.

The answers beside this file are made by `openssl ts` for an invented authority (make.py there);
that program's `ts -verify` accepts the good ones (docs/planning.md says how to run it).
"""

import datetime as dt
import hashlib
import json
import shutil
import subprocess
from pathlib import Path

import pytest

from roadlog.cli import main
from roadlog.errors import InputError
from roadlog.plan.mark import code_lines, code_png, code_svg, coded, in_fours
from roadlog.plan.register import Entry, canonical, fingerprint, read_register
from roadlog.plan.result import Look, Oversight
from roadlog.plan.stamp import read_token, request_for, roots_of, verified
from roadlog.plan.stamp_file import STAMPS, attach, stamp_of
from roadlog.report.registration import Came, plan_kept

HERE = Path(__file__).parent / "timestamps"
SHA256 = hashlib.sha256(b"roadlog test").hexdigest()
ENTRY = Entry(dt.datetime(2026, 11, 1, tzinfo=dt.UTC), SHA256, {})


def roots(name: str = "root.pem"):
    return roots_of((HERE / name).read_bytes(), name)


def proves(name: str, trusted=None, sha256: str = SHA256):
    token = read_token((HERE / name).read_bytes(), name)
    return verified(token, sha256, roots() if trusted is None else trusted, name)


@pytest.mark.parametrize("name", ["good.tsr", "with_root.tsr", "token_only.tst"])
def test_a_sound_answer_tells_time_and_authority(name):
    stamp = proves(name)
    assert stamp.at.startswith("2026-11-26T02:48:1")
    assert stamp.at.endswith("+00:00")
    assert stamp.authority == "Test time-stamps, Invented for a test, XX"
    assert stamp.root.startswith("Test root")
    assert stamp.root_from == "given"


def test_a_root_that_came_with_the_token_is_said_to_have():
    assert proves("with_root.tsr", []).root_from == "embedded"
    with pytest.raises(InputError, match="brings no root certificate"):
        proves("good.tsr", [])


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("expired.tsr", "a certificate wasn't valid at the time"),
        ("sha512.tsr", "another hash algorithm than SHA-256"),
        ("other_message.tsr", "the time-stamp of something else"),
    ],
)
def test_an_answer_that_proves_nothing_says_why(name, why):
    with pytest.raises(InputError, match=why):
        proves(name)


def test_another_authority_s_root_vouches_for_nothing():
    with pytest.raises(InputError, match="doesn't end in a root that was given"):
        proves("good.tsr", roots("other_root.pem"))
    with pytest.raises(InputError, match="doesn't end in a root that was given"):
        proves("with_root.tsr", roots("other_root.pem"))


def test_no_changed_byte_moves_the_time_or_the_name():
    data = (HERE / "good.tsr").read_bytes()
    sound = proves("good.tsr")
    refused: list[str] = []
    for i in range(0, len(data), 7):
        spoilt = bytearray(data)
        spoilt[i] ^= 0x01
        try:
            assert verified(read_token(bytes(spoilt), "x"), SHA256, roots(), "x") == sound
        except InputError as e:
            refused.append(str(e))
    assert len(refused) > 200
    assert not any("\n" in why for why in refused)


@pytest.mark.parametrize(
    "data", [b"", b"\x30", b"<html>502</html>", b"\x30\x80" * 50, b"\x30\x82\xff\xff"]
)
def test_what_is_no_answer_says_so(data):
    with pytest.raises(InputError, match="can't be read as a time-stamp"):
        read_token(data, "x.tsr")


def test_a_refusal_says_that_nothing_was_granted():
    refused = bytes.fromhex("30053003020102")  # status 2, rejection (RFC 3161, 2.4.2)
    with pytest.raises(InputError, match="granted no time-stamp"):
        read_token(refused, "x.tsr")


def test_a_request_is_over_the_fingerprint_and_tells_nothing_else():
    choices = {"claim": {"fuel_pct": 10.0}}
    request, nonce = request_for(choices)
    assert bytes.fromhex(fingerprint(choices)) in request
    assert canonical(choices) not in request
    assert nonce != request_for(choices)[1]
    assert len(request) < 100


def test_an_answer_is_kept_and_verified_anew(tmp_path):
    attach(tmp_path, [ENTRY], (HERE / "good.tsr").read_bytes(), roots(), "good.tsr")
    attach(tmp_path, [ENTRY], (HERE / "with_root.tsr").read_bytes(), [], "with_root.tsr")
    stamp = stamp_of(tmp_path, SHA256)
    assert stamp is not None
    assert stamp.at == min(proves(n).at for n in ("good.tsr", "with_root.tsr"))
    assert stamp_of(tmp_path, "0" * 64) is None
    kept = json.loads((tmp_path / STAMPS).read_text())
    kept["stamps"][0]["roots"] = [(HERE / "other_root.pem").read_text()]
    (tmp_path / STAMPS).write_text(json.dumps(kept))
    with pytest.raises(InputError, match="doesn't end in a root"):
        stamp_of(tmp_path, SHA256)
    (tmp_path / STAMPS).write_text("{}")
    with pytest.raises(InputError, match="can't be read"):
        stamp_of(tmp_path, SHA256)


def test_an_answer_to_another_request_is_refused(tmp_path):
    (tmp_path / "computed").mkdir()
    kept = {"requests": [{"sha256": SHA256, "nonce": "1"}], "stamps": []}
    (tmp_path / STAMPS).write_text(json.dumps(kept))
    with pytest.raises(InputError, match="its nonce isn't that of a request"):
        attach(tmp_path, [ENTRY], (HERE / "good.tsr").read_bytes(), roots(), "good.tsr")


@pytest.mark.skipif(shutil.which("openssl") is None, reason="needs openssl")
def test_request_goes_to_an_authority_and_its_answer_comes_back(tmp_path, capsys):
    """The request is one that openssl answers; its ts -verify accepts what roadlog accepts."""
    folder = tmp_path / "s"
    assert main(["new", str(folder), "--days", "8"]) == 0
    assert main(["timestamp", str(folder), "--request", str(tmp_path / "r.tsq")]) == 2
    assert "registered nothing yet" in capsys.readouterr().err
    assert main(["plan", str(folder), "--register"]) == 0
    assert main(["timestamp", str(folder), "--request", str(tmp_path / "r.tsq")]) == 0
    shown = subprocess.run(
        ["openssl", "ts", "-query", "-in", tmp_path / "r.tsq", "-text"],
        check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    assert "sha256" in shown
    sha256 = read_register(folder)[-1].sha256
    assert sha256[:4] in shown.replace(" ", "")
    argv = ["timestamp", str(folder), "--attach", str(HERE / "good.tsr")]
    assert main([*argv, "--roots", str(HERE / "root.pem")]) == 2
    assert "time-stamp of something else" in capsys.readouterr().err
    subprocess.run(
        ["openssl", "ts", "-verify", "-digest", SHA256, "-in", HERE / "with_root.tsr",
         "-CAfile", HERE / "root.pem"],
        check=True, capture_output=True,
    )  # fmt: skip


def oversight(**more: object) -> Oversight:
    look = Look("2026-12-24T12:00:00+00:00", 12, 12, False, 0.95, None, "a" * 64, "b" * 64)
    return Oversight(
        registered_at="2026-11-01T00:00+00:00",
        registered_sha256=SHA256,
        registered_late=False,
        registrations=1,
        changes=(),
        stop_date="2026-12-20",
        look=look,
        earlier=(),
        spends_alpha=False,
        **more,
    )


def test_report_tells_the_authority_s_time_or_that_it_is_this_computer_s_own():
    came = Came(12, 1.0, 1.0, -2.0, None, "2026-12-20", None)
    own = plan_kept(oversight(), came).lines[0]
    assert "by the clock of the computer that planned it" in own
    told = plan_kept(oversight(stamped=proves("good.tsr")), came).lines[0]
    assert "existed at 2026-11-26 02:48" in told
    assert "according to Test time-stamps" in told
    assert "which the study's author gave" in told
    assert "clock of the computer" not in told
    assert "revoked isn't checked" in told
    embedded = plan_kept(oversight(stamped=proves("with_root.tsr", [])), came).lines[0]
    assert "nothing here vouches for it" in embedded
    late = plan_kept(oversight(stamped=proves("good.tsr"), stamp_late=True), came).lines
    assert "by the clock of the computer" in late[0]
    assert "after the first fitted run" in late[1]


def test_fingerprint_reads_in_fours_and_as_a_code():
    assert "".join(in_fours(SHA256)).replace(" ", "") == SHA256
    assert [len(line) for line in in_fours(SHA256)] == [39, 39]
    assert coded(SHA256).endswith(SHA256)
    assert "://" not in coded(SHA256)
    svg = code_svg(SHA256).decode()
    assert in_fours(SHA256)[0] in svg
    assert "href" not in svg
    assert code_png(SHA256).startswith(b"\x89PNG")
    assert len({len(line) for line in code_lines(SHA256)}) == 1
