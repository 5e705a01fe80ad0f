"""Files are whole or not there, whenever the program is killed."""

import errno
import json
import os
import shutil
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import pytest

from roadlog.cli import main
from roadlog.errors import InputError
from roadlog.runs.intake import propose, take_in
from roadlog.runs.table import study_sources
from roadlog.runs.taken import read_taken, sha256_of
from roadlog.study.durable import atomic_write, clean_parts, is_part, write_files
from roadlog.study.folder import LOG_SUFFIXES, load_study, log_files
from tests.kills import killed_at_step
from tests.test_take import SCHEDULE, _drive, _joined, _study

MOST_STEPS = 400
STUDY = SCHEDULE.replace('positions = ["tracks/*.gpx"]', "")


def test_a_result_is_the_old_or_the_new_one_whatever_step_a_kill_falls_on(tmp_path: Path) -> None:
    path = tmp_path / "results" / "results.json"
    new = json.dumps({"finding": "undecided"}) * 50
    seen = set()

    def fill(temporary: Path) -> None:
        temporary.write_text(new)

    for step in range(MOST_STEPS):
        shutil.rmtree(path.parent, ignore_errors=True)
        path.parent.mkdir()
        path.write_text("old")
        killed = killed_at_step(step, partial(atomic_write, path, fill))
        assert path.read_text() in ("old", new)
        seen.add(path.read_text())
        assert all(is_part(p) for p in path.parent.iterdir() if p != path)
        if not killed:
            break
        atomic_write(path.parent / "other.txt", lambda p: p.write_text("x"))
        assert {p.name for p in path.parent.iterdir()} == {"results.json", "other.txt"}
    assert not killed
    assert step >= 6
    assert seen == {"old", new}


def test_a_failure_leaves_the_old_file_and_nothing_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("old")

    def fails(p: Path) -> None:
        p.write_text("half")
        raise OSError(28, "no space left on device")

    with pytest.raises(OSError, match="no space"):
        atomic_write(path, fails)
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]
    assert path.read_text() == "old"


THREE = ("page.html", "figures.json", "table.csv")


@pytest.mark.parametrize("there", [THREE, THREE[1:], ()], ids=["all", "two", "none"])
@pytest.mark.parametrize("linked", [True, False], ids=["links", "no links"])
def test_files_of_one_result_are_all_new_or_all_old_wherever_it_fails(
    tmp_path: Path, there: Sequence[str], linked: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in there:
        (tmp_path / name).write_text(f"old {name}")
    old = {p.name: p.read_text() for p in tmp_path.iterdir()}
    new = {name: f"new {name}".encode() for name in THREE}
    left = [0]

    def step() -> None:
        left[0] -= 1
        if left[0] < 0:
            raise OSError(errno.ENOSPC, "No space left on device")

    def half(path: Path, data: bytes) -> None:
        path.open("wb").write(data[:3])
        step()
        path.open("wb").write(data)

    def rename(path: Path, target: Path) -> None:
        if "roadlog" not in target.name and path.read_bytes().startswith(b"new"):
            step()
        os.replace(path, target)

    def no_link(path: Path, target: Path) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(Path, "write_bytes", half)
    monkeypatch.setattr(Path, "replace", rename)
    if not linked:
        monkeypatch.setattr(Path, "hardlink_to", no_link)
    for left[0] in range(2 * len(THREE)):
        with pytest.raises(OSError, match="No space"):
            write_files(tmp_path, new)
        assert {p.name: p.read_text() for p in tmp_path.iterdir()} == old
    left[0] = 99
    write_files(tmp_path, new)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == new


def test_a_folder_that_has_one_of_the_names_costs_no_other_file(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("old")
    (tmp_path / "b").mkdir()
    with pytest.raises(OSError, match="directory"):
        write_files(tmp_path, {"a": b"new", "b": b"new", "c": b"new"})
    assert (tmp_path / "a").read_text() == "old"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "b"]


def test_a_part_of_a_program_that_still_runs_is_left_alone(tmp_path: Path) -> None:
    def look(p: Path) -> None:
        p.write_text("half")
        clean_parts(tmp_path)
        assert p.is_file()

    atomic_write(tmp_path / "a.csv", look)


def _runs(study: Path) -> dict[str, str]:
    """What a reader of the study finds: every log that counts as a run, by its contents."""
    try:
        found = [p for p, _ in study_sources(study, load_study(study)).runs]
    except InputError:
        found = []
    return {p.relative_to(study).as_posix(): sha256_of(p) for p in found}


def _listed(study: Path) -> dict[str, tuple[str, str | None, str | None]]:
    return {e.file: (e.sha256, e.arm, e.part_of) for e in read_taken(study)}


def _everything(study: Path) -> dict[str, str]:
    return {
        p.relative_to(study).as_posix(): sha256_of(p)
        for p in sorted(study.rglob("*"))
        if p.is_file() and p.suffix in LOG_SUFFIXES
    }


def _killed_everywhere(tmp_path: Path, logs: Sequence[Path], *, split: bool, every: int = 1) -> int:
    """Kill a taking at each of its steps; what is there is whole, and a second one finishes it."""

    def take(study: Path) -> None:
        take_in(study, propose(study, load_study(study), logs, split=split))

    model = _study(tmp_path / "whole", STUDY)
    take(model)
    whole, listed, everything = _runs(model), _listed(model), _everything(model)
    assert whole
    proposals = propose(_study(tmp_path / "none", STUDY), load_study(model), logs, split=split)
    for step in range(0, MOST_STEPS, every):
        study = _study(tmp_path / f"killed{step}", STUDY)
        killed = killed_at_step(step, lambda s=study, p=proposals: take_in(s, p))
        there = _runs(study)
        assert there.items() <= whole.items()
        assert _listed(study).items() <= listed.items()
        assert set(_listed(study)) <= {p for p in everything if (study / p).is_file()}
        if not killed:
            assert there == whole
            return step
        again = propose(study, load_study(study), logs, split=split)
        assert not [p.refused for p in again if p.refused]
        take_in(study, again)
        assert (_runs(study), _listed(study)) == (whole, listed)
        assert _everything(study) == everything
        assert not [p for p in study.rglob("*") if is_part(p)]
        shutil.rmtree(study)
    raise AssertionError("never came to its end")


def _two_days(tmp_path: Path) -> list[Path]:
    return [
        _drive(tmp_path / f"{d}.csv", f"2026-03-0{d} 07:10", minutes=2, speed=50 + d)
        for d in (2, 3)
    ]


def _day_of_two_drives(tmp_path: Path) -> Path:
    parts = [_drive(tmp_path / f"p{h}.csv", f"2026-03-02 {h}:10", minutes=2) for h in ("07", "16")]
    return _joined(tmp_path / "day.csv", *parts)


def test_two_logs_taken_with_kills(tmp_path: Path) -> None:
    assert _killed_everywhere(tmp_path, _two_days(tmp_path), split=False, every=4) > 20


def test_a_days_log_cut_into_drives_with_kills(tmp_path: Path) -> None:
    assert _killed_everywhere(tmp_path, [_day_of_two_drives(tmp_path)], split=True, every=5) > 30


@pytest.mark.slow
@pytest.mark.parametrize("split", [False, True])
def test_a_kill_at_every_step_of_taking(tmp_path: Path, split: bool) -> None:
    logs = [_day_of_two_drives(tmp_path)] if split else _two_days(tmp_path)
    assert _killed_everywhere(tmp_path, logs, split=split) > 20


def test_a_cut_taking_is_finished_without_saying_split_again(tmp_path: Path) -> None:
    day = _day_of_two_drives(tmp_path)
    study = _study(tmp_path / "study")
    take_in(study, propose(study, load_study(study), [day], split=True))
    gone = study / "logs" / "day-drive2.csv"
    gone.unlink()
    kept = [e for e in json.loads((study / "logs/taken.json").read_text())["logs"]
            if e["file"] != "logs/day-drive2.csv"]  # fmt: skip
    (study / "logs/taken.json").write_text(json.dumps({"schema": 1, "logs": kept}))
    renamed = tmp_path / "other.csv"
    shutil.copy(day, renamed)
    (said,) = propose(study, load_study(study), [renamed])
    assert "its taking as whole/day.csv was cut short" in said.refused
    assert main(["take", str(study), str(day)]) == 0
    assert gone.is_file()
    assert main(["take", str(study), str(day)]) == 2
    (said,) = propose(study, load_study(study), [renamed])
    assert said.already == "whole/day.csv"


def test_no_pattern_finds_what_is_being_written(tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "a.csv").write_text("x")

    def look(p: Path) -> None:
        p.write_text("half")
        assert [f.name for f in log_files(tmp_path, ["logs/*", "logs/*.csv", "**/*.csv"])] == [
            "a.csv"
        ]

    atomic_write(tmp_path / "logs" / "b.csv", look)
