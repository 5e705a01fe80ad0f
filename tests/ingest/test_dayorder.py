"""One log's dates settle what another's leave open."""

from pathlib import Path

import pytest

from roadlog.errors import InputError
from roadlog.ingest import read_log, settle_day_first
from roadlog.study.settings import TimeRule


def _log(folder: Path, name: str, date: str) -> Path:
    path = folder / name
    path.write_text(f"Time,rpm\n{date} 08:00:00,800\n{date} 08:00:01,810\n")
    return path


def test_a_late_day_of_the_month_settles_the_order_for_all(tmp_path: Path) -> None:
    unclear, clear = _log(tmp_path, "a.csv", "05/03/2024"), _log(tmp_path, "b.csv", "17/03/2024")
    rule = settle_day_first([unclear, clear], TimeRule(), columns={})
    assert rule.day_first is True
    start = read_log(unclear, time=rule).start
    assert start is not None
    assert (start.month, start.day) == (3, 5)


def test_nothing_is_settled_by_logs_that_are_all_unclear(tmp_path: Path) -> None:
    paths = [_log(tmp_path, "a.csv", "05/03/2024"), tmp_path / "none.csv"]
    assert settle_day_first(paths, TimeRule(), columns={}).day_first is None


def test_logs_that_contradict_each_other_are_refused(tmp_path: Path) -> None:
    paths = [_log(tmp_path, "a.csv", "17/03/2024"), _log(tmp_path, "b.csv", "03/17/2024")]
    with pytest.raises(InputError, match="day before month and"):
        settle_day_first(paths, TimeRule(), columns={})


def test_the_study_has_the_last_word(tmp_path: Path) -> None:
    paths = [_log(tmp_path, "a.csv", "17/03/2024")]
    assert settle_day_first(paths, TimeRule(day_first=False), columns={}).day_first is False


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("quote", ["", '"', '" '])
def test_a_date_in_any_dress_is_found(tmp_path: Path, encoding: str, quote: str) -> None:
    """A text without such a date isn't looked at further; a quote, a page or a space hides none."""
    end = quote.strip()
    rows = "".join(f"{quote}25.3.26 8:00:{i:02d}{end};{50 + i}\n" for i in range(20))
    (tmp_path / "drive.csv").write_text(f"Zeit;Speed (km/h)\n{rows}", encoding=encoding)
    assert settle_day_first([tmp_path / "drive.csv"], TimeRule(), columns={}).day_first is True


def test_a_date_in_other_digits_is_found(tmp_path: Path) -> None:
    other = str.maketrans("0123456789", "٠١٢٣٤٥٦٧٨٩")
    rows = "".join(f"{'25/03/2026 08:00'.translate(other)},{50 + i}\n" for i in range(20))
    (tmp_path / "drive.csv").write_text(f"time,Speed (km/h)\n{rows}", encoding="utf-8")
    assert settle_day_first([tmp_path / "drive.csv"], TimeRule(), columns={}).day_first is True


def test_speed_beside_a_number_is_no_date(tmp_path: Path) -> None:
    rows = "".join(f"2026-03-25 08:00:{i:02d},{50 + i}\n" for i in range(20))
    (tmp_path / "drive.csv").write_text(f"time,Speed (km/h)\n{rows}")
    assert settle_day_first([tmp_path / "drive.csv"], TimeRule(), columns={}).day_first is None
