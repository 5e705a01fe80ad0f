"""What a study kept of its plan and looks, on a public clock."""

import datetime as dt
import json
from pathlib import Path

import pytest

from roadlog.plan.looks import LOOKS
from roadlog.plan.promised import PROMISES
from roadlog.publish.clock import PublicClock
from roadlog.publish.records import _beside_drives, _write_looks, _write_promises

SPAN = (dt.date(2026, 3, 2), dt.date(2026, 3, 17))
SHIFTED, HOURS = PublicClock("shifted", weeks=-7, hours=3), PublicClock("hours")


def at(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("true", "told"),
    [
        ("2026-01-09T08:00", "2026-03-01T12:00"),
        ("2026-03-01T08:00", "2026-03-01T08:00"),
        ("2026-03-10T08:00", "2026-03-10T08:00"),
        ("2026-11-26T12:00", "2026-03-18T12:00"),
    ],
)
def test_on_a_moved_clock_nothing_is_told_far_from_the_drives(true: str, told: str) -> None:
    assert _beside_drives(at(true), SHIFTED, SPAN) == at(told)
    assert _beside_drives(at(true), HOURS, SPAN) == at(true)
    assert _beside_drives(at(true), SHIFTED, None) == at(true)


def test_the_day_of_publication_tells_no_shift(tmp_path: Path) -> None:
    root = tmp_path / "study"
    (root / LOOKS).parent.mkdir(parents=True)
    told = []
    for month in ("05", "11"):
        look = {"time": f"2026-{month}-26T12:00:00+00:00", "finding": "refuted"}
        (root / LOOKS).write_text(json.dumps(look) + "\n")
        (root / PROMISES).write_text(
            json.dumps({"promises": [{"made_at": "2026-01-09T10:30:00+00:00"}]})
        )
        into = tmp_path / month
        _write_looks(root, into, SHIFTED, SPAN)
        _write_promises(root, into, SHIFTED, at("2026-03-03T07:13"), SPAN)
        told.append([(into / name).read_text() for name in (LOOKS, PROMISES)])
    assert told[0] == told[1]
    assert "2026-01-28" in told[0][0]
    assert "2026-01-11" in told[0][1]
