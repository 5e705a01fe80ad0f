"""The whole of `roadlog publish`: what is in the folder, and that nothing leaks or stays."""

import dataclasses
import datetime as dt
import hashlib
import json
from pathlib import Path
from types import SimpleNamespace

import pytest

from roadlog.cli import main
from roadlog.errors import DesignError, InputError
from roadlog.publish import write
from roadlog.publish.leaks import Leak
from roadlog.publish.text import MOST_WORDS, post
from roadlog.publish.write import Published, difference, publish, whole_beside
from tests.publish.conftest import wide_pictures_only

TODAY = dt.date(2026, 4, 1)


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def test_everything_is_there(published: Published) -> None:
    names = set(files_of(published.folder))
    assert names >= {
        "index.html", "objections.html", "map.html", "report.pdf", "post.txt", "archive.zip",
        "results.json", "passes.csv", "pictures/result-wide-light.png",
        "pictures/claim-wide-dark.svg",
    }  # fmt: skip
    assert len(names) == published.files
    assert published.missing == {}


def test_the_numbers_are_those_of_what_is_shown(published: Published) -> None:
    results = json.loads((published.folder / "results.json").read_text())
    change = published.analysed.effect.primary
    assert results["fuel_use_change_pct"]["low"] == pytest.approx(change.low)
    assert change.low != published.whole.effect.primary.low
    said = difference(published.analysed, whole_beside(published.whole))
    assert "As shown" in said
    assert "starts and ends" in said


def test_the_archive_is_the_one_that_the_text_names(published: Published) -> None:
    digest = hashlib.sha256((published.folder / "archive.zip").read_bytes()).hexdigest()
    assert digest == published.archive_sha256
    assert digest in (published.folder / "post.txt").read_text()


def test_the_text_to_paste_is_short_whatever_the_names(published: Published) -> None:
    said = post(published.analysed, published.answer, "0" * 64)
    assert len(said.split()) <= MOST_WORDS
    assert "SYNTHETIC" in said
    endless = published.analysed.study.model_copy(update={"name": "very " * 400})
    long = post(dataclasses.replace(published.analysed, study=endless), published.answer, "0" * 64)
    assert len(long.split()) <= MOST_WORDS
    assert published.answer.title in long


def test_no_file_names_the_logs_or_the_folder(published: Published) -> None:
    study = published.folder.parent / "study"
    logs = [p.name for p in (study / "logs").iterdir()]
    for name, data in files_of(published.folder).items():
        for told in (*logs, str(study), str(Path.home())):
            assert told.encode() not in data, f"{told} in {name}"


def test_nothing_is_left_beside_the_folder(published: Published) -> None:
    assert [p.name for p in published.folder.parent.iterdir() if p.name.startswith(".")] == []


def test_a_second_time_gives_the_same_bytes_in_place_of_the_first(published: Published) -> None:
    """The leak test is the first's: it had the same bytes before it."""
    out = published.folder
    first = files_of(out)
    (out / "index.html").write_text("changed by hand")
    (out / "old.html").write_text("of an older version")
    with wide_pictures_only() as patch:
        patch.setattr(write, "leaks", lambda *_: [])
        publish(out.parent / "study", out, today=TODAY)
    again = files_of(out)
    assert [n for n in first if first[n] != again.get(n)] == []
    assert set(first) == set(again)


def test_a_moved_clock_isnt_given_away_by_the_date_of_publication(published: Published) -> None:
    seen = [
        write._as_of(published.whole, "shifted", dt.datetime(2026, month, 9, 12, tzinfo=dt.UTC))
        for month in (5, 11)
    ]
    assert seen[0] == seen[1]
    last = max(d.date() for d in published.whole.runs["start"])
    assert seen[0].date() == last + dt.timedelta(days=1)
    now = dt.datetime(2026, 11, 9, 12, tzinfo=dt.UTC)
    assert write._as_of(published.whole, "hours", now) == now


def test_the_page_says_that_it_is_made_for_the_public(published: Published) -> None:
    for name in ("index.html", "objections.html", "map.html"):
        page = (published.folder / name).read_text()
        assert "Not for publishing" not in page
    index = (published.folder / "index.html").read_text()
    assert "As shown:" in index
    assert "home and work included" not in index


def test_what_leaks_is_named_and_nothing_is_published(
    tmp_path: Path, published: Published, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = [Leak("index.html", f"the name 'somebody{i}'") for i in range(5)]
    monkeypatch.setattr(write, "leaks", lambda *_: found)
    trimmed = SimpleNamespace(private=None)
    with pytest.raises(DesignError, match=r"nothing was published.*index\.html.*and 2 more"):
        write._require_nothing_private(tmp_path, trimmed)  # type: ignore[arg-type]


def test_the_folder_that_was_there_comes_back_if_the_new_one_cant_have_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ready, out = tmp_path / ".part" / "out", tmp_path / "out"
    ready.mkdir(parents=True)
    out.mkdir()
    (out / "index.html").write_text("old")
    real = Path.rename

    def rename(path: Path, to: Path) -> Path:
        if path == ready:
            raise OSError("full")
        return real(path, to)

    monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises(OSError, match="full"):
        write._put_in_place(ready, out)
    assert (out / "index.html").read_text() == "old"


def test_a_folder_of_somebody_else_isnt_touched(demo_study: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match="isn't of roadlog publish"):
        publish(demo_study, tmp_path)
    assert (tmp_path / "mine.txt").read_text() == "mine"


def test_a_licence_that_nobody_knows_is_refused_at_once(demo_study: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="licence"):
        publish(demo_study, tmp_path / "out", licence="mine")
    assert not (tmp_path / "out").exists()


def test_a_missing_study_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["publish", str(tmp_path / "none")]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
