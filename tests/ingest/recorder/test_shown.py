"""What a recorder shows, and that a study has only one."""

from pathlib import Path

import pytest

from roadlog.errors import InputError
from roadlog.recorder.events import Lost, Silent
from roadlog.study.recording import RECORDING, Shown, only_one, shown

from .scripted import Recorded, connected, drive


def test_a_study_has_one_recorder_and_a_dead_one_shows_nothing(tmp_path: Path) -> None:
    assert shown(tmp_path) is None
    with only_one(tmp_path) as tell:
        assert shown(tmp_path) == Shown("no adapter", 0, False)
        tell(Shown("recording", 12, True))
        assert shown(tmp_path) == Shown("recording", 12, True)
        tell(Shown("waiting", 0, False))
        assert shown(tmp_path) == Shown("waiting", 0, False)
        with pytest.raises(InputError, match="recorded already"), only_one(tmp_path):
            pass
    assert shown(tmp_path) is None
    assert (tmp_path / RECORDING).is_file()
    with only_one(tmp_path):
        assert shown(tmp_path) == Shown()


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"state": "flying", "minutes": 1, "run_open": 0}']
)
def test_a_damaged_line_never_says_recording(tmp_path: Path, text: str) -> None:
    with only_one(tmp_path):
        (tmp_path / RECORDING).write_text(text)
        assert shown(tmp_path) == Shown()


def test_what_is_shown_follows_the_drive_and_a_gap_is_not_called_recording(tmp_path: Path) -> None:
    car = Recorded(tmp_path)
    assert car.session.shows(0.0) == Shown("no adapter", 0, False)
    car.play([connected(1.0)])
    assert car.session.shows(1.0).state == "waiting"
    car.wait(130.0)
    assert car.session.shows(130.0) == Shown("waiting", 2, False)
    car.play(list(drive(131.0, 200.0)))
    assert car.session.shows(200.0) == Shown("recording", 1, True)
    car.play([Lost(203.0, "unplugged")]).wait(205.0)
    assert car.session.shows(205.0) == Shown("no adapter", 0, True)
    car.play([connected(206.0), Silent(207.0, "no data")])
    assert car.session.shows(207.0) == Shown("waiting", 0, True)
    car.play(list(drive(208.0, 260.0)))
    assert car.session.shows(260.0) == Shown("recording", 2, True)
    car.play(list(drive(260.5, 265.0, rpm=0.0, speed=0.0)))
    car.play([Silent(268.0, "no data")]).wait(300.0)
    assert car.session.shows(300.0) == Shown("waiting", 0, False)
