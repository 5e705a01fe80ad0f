"""An archive: the same bytes for the same study, whole, with nothing of the maker's computer."""

import datetime as dt
import getpass
import hashlib
import json
import socket
import subprocess
import zipfile

import pytest

from roadlog.errors import InputError
from roadlog.publish.about import CODE, read_about, told_of_trimming, versions
from roadlog.publish.archive import study_files, write_archive
from roadlog.publish.unpack import open_archive
from tests.publish.archives import NOW, about, archived, can_folder, results_of


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return can_folder(tmp_path_factory.mktemp("archive") / "study")


@pytest.fixture(scope="module")
def archive(study):
    return archived(study, study.parent / "a.zip")


def test_same_study_gives_same_bytes_wherever_it_lies(study, archive, tmp_path):
    folder = can_folder(tmp_path / "other" / "place")
    (folder / "notes.csv").chmod(0o600)
    again = archived(folder, tmp_path / "b.zip")
    assert again.read_bytes() == archive.read_bytes()


def test_another_date_changes_only_what_tells_the_date(study, archive, tmp_path):
    later = NOW + dt.timedelta(days=3)
    write_archive(study, results_of(study, later), tmp_path / "b.zip",
                  about=about(study, published=later))  # fmt: skip
    with zipfile.ZipFile(archive) as a, zipfile.ZipFile(tmp_path / "b.zip") as b:
        both = set(a.namelist()) & set(b.namelist())
        changed = {n for n in both if a.read(n) != b.read(n)}
    assert changed == {
        "README.txt", "archive.json", "ro-crate-metadata.json", "results/results.json",
        "MANIFEST.sha256",
    }  # fmt: skip


def test_opened_again_it_is_whole(archive, tmp_path):
    opened = open_archive(archive, tmp_path)
    assert opened.whole
    assert opened.packing == ""
    assert opened.about.study == "cans"
    assert opened.sha256 == hashlib.sha256(archive.read_bytes()).hexdigest()
    assert (opened.study / "study.toml").is_file()


def test_manifest_is_one_that_sha256sum_reads(archive, tmp_path):
    open_archive(archive, tmp_path)
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", "MANIFEST.sha256"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "ro-crate-metadata.json: OK" in done.stdout


def test_nothing_of_this_computer_is_in_it(study, archive):
    with zipfile.ZipFile(archive) as z:
        own = [z.read(n) for n in z.namelist() if not n.startswith(("study/", "results/"))]
        stamps = {i.date_time for i in z.infolist()}
    text = b"".join(own).decode() + "".join(z.namelist())
    for secret in (str(study), str(study.parent), socket.gethostname(), f"/{getpass.getuser()}/"):
        assert secret not in text
    assert stamps == {(1980, 1, 1, 0, 0, 0)}


def test_note_for_a_stranger_is_short_and_tells_how_to_recheck(archive):
    with zipfile.ZipFile(archive) as z:
        note = z.read("README.txt").decode()
    assert len(note.splitlines()) <= 14
    assert "roadlog recheck" in note
    assert "SYNTHETIC" in note
    assert "95 % interval" in note


def test_hidden_files_own_results_and_kept_network_stay_out(tmp_path):
    folder = can_folder(tmp_path / "s")
    for name in (".git/config", "results/report.html", "computed/network-1a.json", "Thumbs.db",
                 "results/trials/runout.json", "computed/looks.jsonl"):  # fmt: skip
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x")
    assert study_files(folder) == [
        "computed/looks.jsonl", "notes.csv", "results/trials/runout.json", "study.toml",
    ]  # fmt: skip


def test_a_link_in_the_study_is_refused(tmp_path):
    folder = can_folder(tmp_path / "s")
    (tmp_path / "home.csv").write_text("mine")
    (folder / "more.csv").symlink_to(tmp_path / "home.csv")
    with pytest.raises(InputError, match="is a link"):
        study_files(folder)


def test_a_study_that_was_not_trimmed_is_refused(study, tmp_path):
    folder = can_folder(tmp_path / "s")
    (folder / "computed").mkdir()
    (folder / "computed" / "private.json").write_text("{}")
    with pytest.raises(InputError, match="isn't trimmed"):
        write_archive(folder, results_of(folder), tmp_path / "a.zip", about=about(folder))


@pytest.mark.parametrize("name", ["CON.csv", "a:b.csv", "line\nbreak.csv", "end."])
def test_a_name_that_one_system_cannot_hold_is_refused(name, study, tmp_path):
    results = {**results_of(study), name: b"x"}
    with pytest.raises(InputError, match="rename it"):
        write_archive(study, results, tmp_path / "a.zip", about=about(study))
    assert not (tmp_path / "a.zip").exists()


def test_results_of_another_time_are_a_mistake_of_the_caller(tmp_path):
    folder = can_folder(tmp_path / "s")
    results = results_of(folder, NOW - dt.timedelta(days=9))
    with pytest.raises(ValueError, match=r"now=about\.published"):
        write_archive(folder, results, tmp_path / "a.zip", about=about(folder))


def test_about_comes_back_as_it_went(study):
    said = about(
        study, switched_by="run", order="pairs", cannot_tell=("age",), carried={"x": 1.5},
        untrimmed_sha256={"logs/a.csv": "0" * 64}, authors=("A",), dates_moved=True,
    )  # fmt: skip
    assert read_about(said.as_text(), "archive.json") == said


@pytest.mark.parametrize(
    "change",
    [
        {"format": 9}, {"published": "2026-01-01"}, {"order": "any"}, {"study": 3},
        {"versions": []}, {"more": 1}, {"carried": None},
    ],
)  # fmt: skip
def test_about_that_roadlog_never_wrote_is_refused(change, study):
    text = json.dumps({**json.loads(about(study).as_text()), **change})
    with pytest.raises(InputError, match=r"archive\.json"):
        read_about(text, "archive.json")


def test_moved_dates_are_said_to_be_moved(study, tmp_path):
    path = archived(study, tmp_path / "a.zip", dates_moved=True)
    with zipfile.ZipFile(path) as z:
        assert "moved by an untold time" in z.read("README.txt").decode()
        assert b"moved by an untold time" in z.read("ro-crate-metadata.json")


def test_what_trimming_took_away_is_told():
    told = {"clock": "shifted", "runs": 9, "runs_not_shown": 2, "carried": ["coolant at start"],
            "not_told": ["oil_temp_c"]}  # fmt: skip
    said = " ".join(told_of_trimming(told))
    for part in ("2 of 9 drives", "moved alike", "coolant at start", "oil_temp_c"):
        assert part in said


def test_versions_name_what_roadlog_needs_and_nothing_else():
    found = versions()
    assert {"Python", "roadlog", "numpy", "pydantic-core", CODE} <= set(found)
    assert "pytest" not in found
