"""Commands and bench take turns on a study: who writes holds it, who reads doesn't ask."""

import shlex
from collections.abc import Callable
from pathlib import Path

import pytest

from roadlog.cli import main
from roadlog.commands import note
from roadlog.study.lock import LOCK, one_writer

STUDY = """
name = "collar"
[device]
name = "collar"
[claim]
economy_pct = 12
[vehicle]
fuel = "E10"
displacement_l = 1.8
[schedule]
unit = [{ unit = 2026-03-02, arm = "baseline" }, { unit = 2026-03-03, arm = "fitted" }]
"""
WRITERS = (
    "analyze S", "check S", "plan S", "plan S --register", "publish S", "unseal S",
    "note S --date 2026-03-02 --set windows=shut", "take S {log}", "timestamp S --request {out}",
    "ceiling S --volts 13 --amps 5 --no-gas --fuel-l-h 2", "payback S --price 100", "runout S",
    "standing-start S", "engine-signals S", "inspect unblind S --scores {log} --study S",
)  # fmt: skip
READERS = ("next S", "take S {log} --dry-run")


@pytest.fixture
def study(tmp_path: Path) -> Path:
    folder = tmp_path / "s"
    folder.mkdir()
    (folder / "study.toml").write_text(STUDY)
    return folder


def words(command: str, study: Path) -> list[str]:
    told = command.format(log=study.parent / "log.csv", out=study.parent / "out.tsq")
    return [f"{study}" if w == "S" else w for w in shlex.split(told)]


def contents(folder: Path) -> dict[str, bytes]:
    return {f"{p}": p.read_bytes() for p in folder.rglob("*") if p.is_file() and p.name != LOCK}


@pytest.mark.parametrize("command", WRITERS)
def test_a_command_that_writes_waits_for_its_turn(
    command: str, study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = contents(study.parent)
    with one_writer(study, "the bench"):
        assert main(words(command, study)) == 2
    said = capsys.readouterr()
    assert f"{study}: the bench is writing here: wait until that is done" in said.err
    assert said.err.count("roadlog:") == 1
    assert contents(study.parent) == before


@pytest.mark.parametrize("command", READERS)
def test_a_command_that_only_reads_asks_nobody(
    command: str, study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (study.parent / "log.csv").write_text("no log")
    with one_writer(study, "the bench"):
        main(words(command, study))
    assert "is writing here" not in capsys.readouterr().err


def test_the_lock_is_given_back_after_a_command_that_failed(study: Path) -> None:
    assert main(["analyze", str(study)]) != 0
    with one_writer(study, "the bench"):
        pass


def test_no_lock_is_left_where_no_study_is(tmp_path: Path) -> None:
    for command in ("analyze", "check", "note", "publish"):
        assert main([command, str(tmp_path)]) == 2
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], None]], None]:
    """Answers typed at a terminal; what happens while they are typed."""

    def at(meanwhile: Callable[[], None]) -> None:
        def typed(question: str) -> str:
            if "Time of day" in question:
                meanwhile()
                return "18:30"
            answers = {"Fuel filled": "31.4", "Odometer": "41230", "windows": "shut"}
            return next((a for q, a in answers.items() if q.lower() in question.lower()), "")

        monkeypatch.setattr("builtins.input", typed)
        monkeypatch.setattr(note.sys.stdin, "isatty", lambda: True)

    return at


def test_what_the_bench_wrote_while_the_command_asked_stays(
    study: Path, asked: Callable[[Callable[[], None]], None], capsys: pytest.CaptureFixture[str]
) -> None:
    from roadlog.bench.noting import write_notes

    def meanwhile() -> None:
        told = write_notes(
            folder=str(study), date="2026-03-03", anyway=False, told={"windows": "open"}, was={},
            fill={"litres": "20", "odometer_km": "41800", "full": "yes", "time": "08:00"},
        )  # fmt: skip
        assert told["fill"]

    asked(meanwhile)
    assert main(["note", str(study), "--date", "2026-03-02"]) == 0
    notes, fills = (study / "notes.csv").read_text(), (study / "fills.csv").read_text()
    assert "shut" in notes
    assert "open" in notes
    assert "41230" in fills
    assert "41800" in fills


def test_the_same_note_written_meanwhile_is_told_and_kept(
    study: Path, asked: Callable[[Callable[[], None]], None], capsys: pytest.CaptureFixture[str]
) -> None:
    from roadlog.bench.noting import write_notes

    def meanwhile() -> None:
        write_notes(
            folder=str(study), date="2026-03-02", anyway=False, told={"windows": "open"}, was={},
            fill={},
        )  # fmt: skip

    asked(meanwhile)
    assert main(["note", str(study), "--date", "2026-03-02"]) == 2
    said = capsys.readouterr().err
    assert "windows of 2026-03-02 was noted meanwhile as 'open'" in said
    assert "--set windows=shut" in said
    assert "--set litres=31.4" in said
    assert "open" in (study / "notes.csv").read_text()
    assert not (study / "fills.csv").exists()


def test_answers_typed_while_the_bench_writes_are_told_back(
    study: Path, asked: Callable[[Callable[[], None]], None], capsys: pytest.CaptureFixture[str]
) -> None:
    asked(lambda: None)
    with one_writer(study, "an analysis"):
        assert main(["note", str(study), "--date", "2026-03-02"]) == 2
    said = capsys.readouterr().err
    assert "an analysis is writing here" in said
    assert "go on with" in said
    assert "windows=shut" in said
    again = shlex.split(said.partition("go on with")[2])
    assert main(again[1:]) == 0
    assert "41230" in (study / "fills.csv").read_text()


def test_a_new_study_that_came_meanwhile_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "s"
    folder.mkdir()
    with one_writer(folder, "a new study"):
        assert main(["new", str(folder), "--device", "intake collar"]) == 2
    said = capsys.readouterr().err
    assert "a new study is writing here" in said
    assert "--device='intake collar'" in said
    assert not (folder / "study.toml").exists()
