"""An archive computed anew: the same numbers elsewhere, and what was changed is named."""

import datetime as dt
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from roadlog.analysis.analyse import analyse
from roadlog.cli import main
from roadlog.errors import InputError
from roadlog.plan.looks import log_look
from roadlog.plan.register import register
from roadlog.publish.archive import write_archive
from roadlog.publish.recheck import recheck, require_own_files
from roadlog.publish.told import screen, table
from roadlog.publish.unpack import open_archive
from roadlog.report.write import result_files
from roadlog.runs.table import open_study
from roadlog.study.folder import load_study
from roadlog.study.settings import parse_study
from tests.publish.archives import about, archived, can_folder, repacked, results_of

REGISTERED = dt.datetime(2026, 2, 20, 20, 0, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def study(tmp_path_factory) -> Path:
    folder = can_folder(tmp_path_factory.mktemp("recheck") / "study")
    register(folder, load_study(folder), REGISTERED)
    return folder


@pytest.fixture(scope="module")
def archive(study) -> Path:
    return archived(study, study.parent / "a.zip", carried={"change over whole drives, %": -9.87})


def checked(path: Path, folder: Path, **given: str):
    return recheck(open_archive(path, folder), **given)


def signed_anew(files: dict[str, bytes]) -> None:
    """What a forger does too: the manifest fits the changed files."""
    lines = [f"{hashlib.sha256(files[n]).hexdigest()}  {n}\n" for n in sorted(files)
             if n != "MANIFEST.sha256"]  # fmt: skip
    files["MANIFEST.sha256"] = "".join(lines).encode()


def test_the_same_is_said_in_few_lines(archive, capsys):
    assert main(["recheck", str(archive)]) == 0
    said = capsys.readouterr().out
    assert "THE SAME: all" in said
    assert "to the last digit" in said
    assert "change over whole drives, %: -9.87" in said
    assert "3 pages and pictures, byte for byte the same" in " ".join(said.split())
    assert "could have changed data, numbers and manifest" in " ".join(said.split())
    assert len(said.splitlines()) < 40
    assert max(map(len, said.splitlines())) <= 88


def test_every_value_is_printed_on_demand(archive, capsys):
    assert main(["recheck", str(archive), "--all"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert re.search(r"fuel_use_change_pct / low: -\d+\.\d+, the same", said)


def test_what_was_computed_can_be_kept(archive, tmp_path):
    assert main(["recheck", str(archive), "--out", str(tmp_path / "again")]) == 0
    written = {p.name for p in (tmp_path / "again").iterdir()}
    assert {"results.json", "passes.csv", "report.html", "recheck.csv"} <= written
    assert "fuel_use_change_pct" in (tmp_path / "again" / "recheck.csv").read_text()


def forged_result(files):
    numbers = json.loads(files["results/results.json"])
    numbers["fuel_use_change_pct"]["low"] += 0.05
    files["results/results.json"] = json.dumps(numbers).encode()


def forged_finding(files):
    files["results/results.json"] = files["results/results.json"].replace(b"supported", b"refuted")


def forged_data(files):
    toml = files["study/study.toml"]
    files["study/study.toml"] = toml.replace(b"before_kg = 9.0", b"before_kg = 9.1", 1)


def forged_passes(files):
    files["results/passes.csv"] = files["results/passes.csv"].replace(b"fitted", b"baseline", 1)


def forged_plan(files):
    files["study/computed/registered.json"] = b'{"entries": []}'


FORGED = {
    "a number": (forged_result, "fuel_use_change_pct / low: published"),
    "the word": (forged_finding, "finding: published refuted, here supported"),
    "the data": (forged_data, "fuel_use_change_pct / estimate: published"),
    "a pass": (forged_passes, "passes.csv / arm, row 1: published baseline, here fitted"),
    "the register": (forged_plan, "oversight / registered_sha256: published"),
}


@pytest.mark.parametrize("kind", FORGED)
def test_forged_archive_with_a_fitting_manifest_is_named(kind, archive, tmp_path, capsys):
    change, named = FORGED[kind]

    def forge(files):
        change(files)
        signed_anew(files)

    path = repacked(archive, tmp_path / "forged.zip", forge)
    assert main(["recheck", str(path), "--all"]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert named in said
    assert "each as the manifest says" in said
    assert "NOT THE SAME" in said


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("study/notes.csv", lambda b: b + b"2026-03-05,no\n"),
        ("study/study.toml", lambda b: b.replace(b"km = 34", b"km = 35", 1)),
        ("results/results.json", lambda b: b + b" "),
        ("results/index.html", lambda b: b"<p>Other</p>"),
    ],
)
def test_changed_file_is_named(name, change, archive, tmp_path, capsys):
    path = repacked(archive, tmp_path / "b.zip", lambda f: f.update({name: change(f[name])}))
    assert main(["recheck", str(path)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert f"{name} isn't what the manifest says" in said


def test_a_page_that_says_something_else_is_named_though_all_else_fits(archive, tmp_path):
    def forge(files):
        page = files["results/index.html"]
        files["results/index.html"] = page.replace(b"supported", b"refuted")
        assert files["results/index.html"] != page
        signed_anew(files)

    done = checked(repacked(archive, tmp_path / "b.zip", forge), tmp_path / "in")
    assert done.faults == ("results/index.html isn't the page that these numbers make",)
    assert all(v.same for v in done.values)


def test_a_picture_of_unknown_make_is_named_as_not_checked(archive, tmp_path, monkeypatch):
    monkeypatch.setattr(
        "roadlog.publish.recheck.published_files",
        lambda a, _when, beside: result_files(a, published=True, beside=beside),
    )

    def add(files):
        files["results/pictures/own.png"] = b"1"
        signed_anew(files)

    done = checked(repacked(archive, tmp_path / "b.zip", add), tmp_path / "in")
    assert done.unchecked == ("results/pictures/own.png",)
    assert "look at them yourself" in " ".join(screen(done)).replace("  ", "")


def test_a_study_that_cannot_be_analysed_any_more_is_told_without_our_folder(archive, tmp_path):
    def spoil(files):
        files["study/study.toml"] = b"name = "

    done = checked(repacked(archive, tmp_path / "b.zip", spoil), tmp_path / "in")
    assert done.analysed is None
    assert str(tmp_path) not in " ".join(done.faults)
    assert "nothing could be computed anew" in " ".join(screen(done)).replace("\n", " ")


@pytest.mark.parametrize(
    ("text", "told"),
    [(b"[]", "no table"), (b"{", "can't be read"), (b"[" * 100_000, "can't be read"),
     (b'{"finding": "supported", "finding": "refuted"}', "'finding' is there twice"),
     (b'{"a": 1e999, "b": NaN}', None), (b'{"runs": ' + b"9" * 4000 + b"}", None)],
)  # fmt: skip
def test_odd_results_are_refused_or_compared(text, told, archive, tmp_path):
    path = repacked(archive, tmp_path / "b.zip", lambda f: f.update({"results/results.json": text}))
    if told is None:
        done = checked(path, tmp_path / "in")
        assert not done.same
        assert screen(done, everything=True)
        assert table(done)
    else:
        with pytest.raises(InputError, match=told):
            checked(path, tmp_path / "in")


def test_fingerprint_and_hash_that_were_shown_are_held_against_it(archive, tmp_path):
    sha = hashlib.sha256(archive.read_bytes()).hexdigest()
    first = checked(archive, tmp_path / "1", sha256=sha.upper())
    registered = first.analysed.oversight.registered_sha256
    assert first.confirmed == ("the archive has the SHA-256 that you gave",)
    spaced = " ".join(registered[i : i + 8] for i in range(0, 64, 8))
    second = checked(archive, tmp_path / "2", fingerprint=spaced)
    assert second.same
    assert "fingerprint" in second.confirmed[0]
    third = checked(archive, tmp_path / "3", fingerprint="0" * 64, sha256="1" * 64)
    assert [f.split(" is ")[0] for f in third.faults] == [
        "the archive's SHA-256", "the registered plan's fingerprint",
    ]  # fmt: skip
    assert not third.same


def test_a_hash_that_is_none_is_wrong_use(archive, capsys):
    assert main(["recheck", str(archive), "--sha256", "abc"]) == 2
    assert "64 digits" in capsys.readouterr().err


def test_no_archive_is_one_sentence_and_exit_code_two(tmp_path, capsys):
    (tmp_path / "a.zip").write_text("no")
    for path in (tmp_path / "a.zip", tmp_path / "none.zip", tmp_path):
        assert main(["recheck", str(path)]) == 2
        assert len(capsys.readouterr().err.splitlines()) == 1


@pytest.mark.parametrize(
    "toml",
    [
        'logs.any = ["../../*.csv"]', 'logs.baseline = ["/etc/*"]', 'road.elevation = "C:/x.tif"',
        'weather.metar = "~/x"', 'runout.file = "a/../../b.csv"', 'road.gates = "\\\\\\\\h\\\\x"',
        'control.logs = ["../../*"]', 'control.notes = "/etc/passwd"',
        'vehicle.coastdown = "../c.csv"', 'control.vehicle.coastdown = "/c.csv"',
        'logs.positions = ["..\\\\x.gpx"]', 'standing_start.starts_file = "../s.csv"',
    ],
)  # fmt: skip
def test_study_of_an_archive_reads_no_file_of_this_computer(toml):
    with pytest.raises(InputError, match="isn't in the archive"):
        require_own_files(parse_study(toml))


def test_an_interim_look_stays_one(tmp_path):
    """Published after half the days and a look; rechecked long after the last day."""
    folder = can_folder(tmp_path / "s", days=6)
    cans = (folder / "study.toml").read_text().split("[[cans]]")
    (folder / "study.toml").write_text("[[cans]]".join(cans[:9]))
    now = dt.datetime(2026, 3, 9, 20, tzinfo=dt.UTC)
    analysed = analyse(*open_study(folder), now=now - dt.timedelta(days=2))
    log_look(folder, analysed.oversight, analysed.finding)
    numbers = results_of(folder, now)
    write_archive(folder, numbers, tmp_path / "a.zip", about=about(folder, published=now))
    done = checked(tmp_path / "a.zip", tmp_path / "in")
    assert done.same, done
    assert done.analysed.oversight.look.interim
    assert len(done.analysed.oversight.earlier) == 1


def test_a_planted_network_is_not_used_and_named(archive, tmp_path):
    name = "study/computed/network-1a2b3c4d.json"

    def plant(files):
        files[name] = b"{}"
        signed_anew(files)

    done = checked(repacked(archive, tmp_path / "b.zip", plant), tmp_path / "in")
    assert len(done.faults) == 1
    assert done.faults[0].startswith(f"{name} is a network kept")
    assert not (tmp_path / "in" / name).exists()


def test_texts_of_a_stranger_reach_neither_terminal_nor_spreadsheet_as_orders(archive, tmp_path):
    def plant(files):
        numbers = json.loads(files["results/results.json"])
        numbers["=HYPERLINK(1)"] = "\x1b[2J\u202e" + "x" * 500
        files["results/results.json"] = json.dumps(numbers).encode()
        about = json.loads(files["archive.json"])
        about["study"], about["versions"] = "\x1b]0;mine\x07", {f"p{i}": "\n" for i in range(999)}
        files["archive.json"] = json.dumps(about).encode()

    done = checked(repacked(archive, tmp_path / "b.zip", plant), tmp_path / "in")
    lines = screen(done, everything=True)
    assert all(line.isprintable() for line in lines)
    assert len(lines) < 1500
    assert "\n=HYPERLINK" not in table(done)


def test_versions_are_named_where_nothing_could_be_analysed(archive, tmp_path):
    def age(files):
        about = json.loads(files["archive.json"])
        about["versions"]["roadlog"] = "9.1"
        files["archive.json"] = json.dumps(about).encode()
        files["study/study.toml"] += b"\n[from_the_future]\nx = 1\n"

    done = checked(repacked(archive, tmp_path / "b.zip", age), tmp_path / "in")
    assert done.analysed is None
    assert "roadlog 9.1, here" in " ".join(screen(done))


def test_other_versions_are_named_beside_a_difference(study, tmp_path, capsys):
    path = archived(study, tmp_path / "a.zip", versions={"roadlog": "0.0.9", "numpy": "1.0"})
    assert main(["recheck", str(path)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "no number moved by it: roadlog 0.0.9, here" in said


def elsewhere(path: Path, folder: Path, **more: str) -> subprocess.CompletedProcess[str]:
    """Recheck in a program of its own: other home, zone, language, hash seed, folder, threads."""
    folder.mkdir()
    environment = {
        "PATH": os.defpath, "HOME": str(folder), "TZ": "Pacific/Auckland", "LC_ALL": "C",
        "PYTHONHASHSEED": "77", "PYTHONUTF8": "0", "OMP_NUM_THREADS": "2", "TMPDIR": str(folder),
        "OPENBLAS_NUM_THREADS": "2", "MPLCONFIGDIR": str(folder), **more,
    }  # fmt: skip
    return subprocess.run(
        [sys.executable, "-m", "roadlog", "recheck", str(path)],
        cwd=folder, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip


def test_a_published_study_gives_the_same_numbers_and_pages_elsewhere(published, tmp_path):
    path = tmp_path / "a.zip"
    shutil.copyfile(published.folder / "archive.zip", path)
    done = elsewhere(path, tmp_path / "else where")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "THE SAME" in done.stdout
    assert "to the last digit" in done.stdout
    assert "Not checked" not in done.stdout
    assert not list((tmp_path / "else where").glob("roadlog-recheck-*"))


@pytest.mark.slow
@pytest.mark.parametrize(
    "processor",
    [{"OPENBLAS_CORETYPE": "Prescott"}, {"OPENBLAS_CORETYPE": "Haswell"},
     {"OPENBLAS_CORETYPE": "Prescott", "NPY_DISABLE_CPU_FEATURES": "X86_V3 X86_V4 AVX512_ICL"}],
)  # fmt: skip
def test_another_processor_gives_the_same_numbers(processor, published, tmp_path):
    done = elsewhere(published.folder / "archive.zip", tmp_path / "in", **processor)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "THE SAME" in done.stdout
