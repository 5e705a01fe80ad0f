"""A second analysis reads what changed and nothing else, and comes to the same to the last bit."""

import os
import zoneinfo
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from roadlog.analysis import earlier as module
from roadlog.analysis.analyse import analyse
from roadlog.analysis.earlier import Earlier
from roadlog.cli import main
from roadlog.demo import make_study
from roadlog.errors import InputError
from roadlog.ingest import Log, read_log
from roadlog.ingest.packed import packed, unpacked
from roadlog.report.json_out import to_json
from roadlog.report.write import passes_csv
from roadlog.runs.table import Sources, open_study
from roadlog.study import own_code
from roadlog.study.computed import Computed
from roadlog.study.keys import zone_rules
from roadlog.study.settings import ColumnRule, TimeRule

HEADER = "time,Speed (mph),MAF air flow rate [g/s],intake air temperature,latitude,longitude\n"


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the logs that were really read."""
    read: list[str] = []

    def reading(path: Path, **rules: object) -> Log:
        read.append(path.name)
        return read_log(path, **rules)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "read_log", reading)
    return read


def drive(path: Path, speed: int = 30, rows: int = 60) -> Path:
    """A log with something to repair: a repeated row, a reading out of range, no unit."""
    lines = [
        f"2026-03-02 08:00:{i % 60:02d},{speed + i % 5},{8 + i % 3},{20 + i % 4},51.0{i:03d},7.0"
        for i in range(rows)
    ]
    lines[7] = lines[6]
    lines[20] = lines[20].replace(f",{speed}", ",990", 1)
    path.write_text(HEADER + "\n".join(lines) + "\n")
    return path


def earlier(tmp_path: Path) -> Earlier:
    return Earlier(Computed(tmp_path / "cache", "study"))


def log_of(tmp_path: Path, path: Path, time: TimeRule | None = None, **columns: ColumnRule) -> Log:
    return earlier(tmp_path).log(path, columns=columns, time=time or TimeRule(), alone=False)


def require_same(a: Log, b: Log) -> None:
    pd.testing.assert_frame_equal(a.frame, b.frame, check_exact=True, check_index_type=True)
    assert repr(module._beside(a)) == repr(module._beside(b))
    assert (a.path, a.facts, a.notes) == (b.path, b.facts, b.notes)


def test_a_log_is_read_once_and_loses_no_fact(tmp_path: Path, reads: list[str]) -> None:
    path = drive(tmp_path / "a.csv")
    plain = read_log(path, alone=False)
    assert plain.facts
    assert plain.units
    for _ in range(3):
        require_same(log_of(tmp_path, path), plain)
    assert reads == ["a.csv"]


def test_same_size_and_time_but_other_bytes_is_another_log(
    tmp_path: Path, reads: list[str]
) -> None:
    path = drive(tmp_path / "a.csv")
    log_of(tmp_path, path)
    stat = path.stat()
    drive(path, speed=40)
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert path.stat().st_size == stat.st_size
    require_same(log_of(tmp_path, path), read_log(path, alone=False))
    assert len(reads) == 2


def test_a_link_that_points_elsewhere_is_followed(tmp_path: Path, reads: list[str]) -> None:
    one, two = drive(tmp_path / "one.csv"), drive(tmp_path / "two.csv", speed=45)
    link = tmp_path / "log.csv"
    for target in (one, two, one):
        link.unlink(missing_ok=True)
        link.symlink_to(target)
        require_same(log_of(tmp_path, link), read_log(link, alone=False))
    assert len(reads) == 2


def test_a_log_that_changes_while_it_is_read_is_not_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = drive(tmp_path / "a.csv")
    first = path.read_bytes()

    def torn(path: Path, **_rules: object) -> Log:
        drive(path, speed=50)
        return read_log(path, alone=False)

    monkeypatch.setattr(module, "read_log", torn)
    log_of(tmp_path, path)
    monkeypatch.setattr(module, "read_log", read_log)
    path.write_bytes(first)
    require_same(log_of(tmp_path, path), read_log(path, alone=False))


def test_rules_names_code_and_machine_are_part_of_the_key(
    tmp_path: Path, reads: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = drive(tmp_path / "a.csv")
    log_of(tmp_path, path)
    log_of(tmp_path, path, TimeRule(zone="Europe/Berlin"))
    kelvin = ColumnRule(signal="intake_air_temp_c", unit="degF")
    told = log_of(tmp_path, path, **{"intake air temperature": kelvin})
    assert told.frame["intake_air_temp_c"].max() < 0
    log_of(tmp_path, path.rename(tmp_path / "b.csv"))
    path = (tmp_path / "b.csv").rename(path)
    assert len(reads) == 4
    log_of(tmp_path, path)
    assert len(reads) == 4
    monkeypatch.setenv("TZ", "Asia/Tokyo")
    log_of(tmp_path, path)
    monkeypatch.delenv("TZ")
    monkeypatch.setattr(module, "code_sha256", lambda: "an older state")
    log_of(tmp_path, path)
    monkeypatch.setattr(module, "libraries", lambda: (("numpy", "1.0"),))
    log_of(tmp_path, path)
    assert len(reads) == 7


@pytest.fixture
def own_zones(tmp_path: Path) -> Iterator[Path]:
    """A folder of our own for the rules of Europe/Berlin, as the system's, for this test alone."""
    rules = tmp_path / "zones" / "Europe" / "Berlin"
    rules.parent.mkdir(parents=True)
    rules.write_bytes((Path(zoneinfo.TZPATH[0]) / "Europe/Berlin").read_bytes())
    before = zoneinfo.TZPATH
    zoneinfo.reset_tzpath(to=[str(tmp_path / "zones")])
    zone_rules.cache_clear()
    yield rules
    zoneinfo.reset_tzpath(to=before)
    zone_rules.cache_clear()


@pytest.mark.skipif(not zoneinfo.TZPATH, reason="the system has no rules of zones")
def test_new_rules_of_a_time_zone_are_other_rules(
    tmp_path: Path, reads: list[str], own_zones: Path
) -> None:
    """A start kept at 08:00 came back as 16:00, which no reading of the log gives."""
    path, berlin = drive(tmp_path / "a.csv"), TimeRule(zone="Europe/Berlin")
    for _ in range(2):
        log_of(tmp_path, path, berlin)
        zone_rules.cache_clear()
    assert len(reads) == 1
    stat = own_zones.stat()
    own_zones.write_bytes(own_zones.read_bytes()[::-1])
    os.utime(own_zones, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert zone_rules() != ()
    zoneinfo.ZoneInfo.clear_cache()
    with pytest.raises(InputError, match="zone 'Europe/Berlin' is not known"):
        log_of(tmp_path, path, berlin)
    zoneinfo.ZoneInfo.clear_cache()
    assert len(reads) == 2


def test_code_that_was_replaced_while_the_program_runs_keeps_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its tables would have stood under the new code's name, for the next program to take."""
    sources = Sources(((drive(tmp_path / "a.csv"), "baseline"),))
    assert Earlier.of(sources, tmp_path / "cache").computed is not None
    monkeypatch.setattr(own_code, "_BEGAN", Path(own_code.__file__).stat().st_ctime - 1)
    assert Earlier.of(sources, tmp_path / "cache").computed is None


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names here")
def test_a_pipe_is_refused_and_not_emptied_by_a_look_for_what_was_kept(tmp_path: Path) -> None:
    """Nobody writes into it: whoever opened it would wait for ever."""
    os.mkfifo(tmp_path / "a.csv")
    with pytest.raises(InputError, match="is a pipe or a device"):
        log_of(tmp_path, tmp_path / "a.csv")


def test_a_log_that_tells_where_it_lies_is_not_kept_whatever_the_letters(
    tmp_path: Path, reads: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / 'Öl "neu"'
    folder.mkdir()
    path = drive(folder / "a.csv")

    def telling(path: Path, **rules: object) -> Log:
        log = read_log(path, **rules)  # type: ignore[arg-type]
        return replace(log, altitude_datum=f"as {path} has it")

    monkeypatch.setattr(module, "read_log", telling)
    log_of(tmp_path, path)
    moved = folder.rename(tmp_path / "moved")
    assert str(moved) in (log_of(tmp_path, moved / "a.csv").altitude_datum or "")


def test_a_fact_that_is_no_more_or_a_spoiled_tree_is_read_anew(tmp_path: Path) -> None:
    path = drive(tmp_path / "a.csv")
    frame, tree = packed(read_log(path, alone=False))
    for spoiled in (
        {**tree, "facts": [{"fact": ["roadlog.ingest.facts", "Repair", "NO_MORE", []]}]},
        {**tree, "facts": [{"fact": ["os", "system", "rm", []]}]},
        {**tree, "start": {"time": [None, "ns", None, 1]}},
        {k: v for k, v in tree.items() if k != "units"},
    ):
        with pytest.raises((KeyError, TypeError, ValueError)):
            unpacked(path, frame, spoiled)


@pytest.mark.parametrize(
    "at", ["2026-03-29 02:59:59.123456789", "1969-12-31 23:59", "2026-10-25 03:30"]
)
@pytest.mark.parametrize("zone", [None, "UTC", "Europe/Berlin", "+05:30", "America/New_York"])
def test_every_start_comes_back(tmp_path: Path, at: str, zone: str | None) -> None:
    plain = read_log(drive(tmp_path / "a.csv"), alone=False)
    for unit in ("ns", "us", "s"):
        start = pd.Timestamp(at).as_unit(unit)
        if zone is not None:
            start = start.tz_localize(zone, nonexistent="shift_forward", ambiguous=False)
        log = Log(plain.path, plain.frame, start, plain.columns, plain.facts)
        try:
            frame, tree = packed(log)
        except TypeError:
            continue  # not kept, so read each time
        require_same(unpacked(log.path, frame, tree), log)


def test_a_log_without_a_place_on_the_disk_is_still_told_as_ever(tmp_path: Path) -> None:
    with pytest.raises(Exception, match="does not exist"):
        log_of(tmp_path, tmp_path / "none.csv")
    bad = tmp_path / "bad.csv"
    bad.write_bytes(b"\0\1\2" * 50)
    for _ in range(2):
        with pytest.raises(Exception, match=r"bad\.csv"):
            log_of(tmp_path, bad)


def found(study: Path, cache: Path | None) -> tuple[str, dict[str, object], Sources]:
    """Pass table and results of the study's logs; without its folder no network is kept."""
    settings, sources = open_study(study)
    sources = replace(sources, root=None)
    before = Earlier() if cache is None else Earlier.of(sources, cache)
    result = analyse(settings, sources, switched_by="run", earlier=before)
    assert before.done() is None
    return passes_csv(result), to_json(result), sources


def test_the_second_analysis_reads_one_changed_log_and_all_figures_are_the_same(
    tmp_path: Path, reads: list[str]
) -> None:
    study, cache = tmp_path / "study", tmp_path / "cache"
    make_study(study, days=4)
    *plain, sources = found(study, None)
    reads.clear()
    assert found(study, cache)[:2] == tuple(plain)
    assert reads == [p.name for p, _ in sources.runs]
    reads.clear()
    assert found(study, cache)[:2] == tuple(plain)
    assert reads == []
    log = sources.runs[3][0]
    head, *lines = log.read_text().splitlines(keepends=True)
    log.write_text(head + "".join(lines[:-40]))
    changed = found(study, cache)[:2]
    assert reads == [log.name]
    assert changed != tuple(plain)
    assert changed == found(study, None)[:2]


def test_the_command_keeps_its_tables_unless_told_not_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("ROADLOG_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr("roadlog.analysis.analyse.analyse", _stopped)
    make_study(tmp_path / "study", days=4)
    assert main(["analyze", str(tmp_path / "study"), "--no-cache"]) == 1
    assert not (tmp_path / "cache").exists()
    assert main(["analyze", str(tmp_path / "study")]) == 1
    assert list(tmp_path.glob("cache/tables/*/*.parquet"))
    assert "stopped" in capsys.readouterr().err


def _stopped(_study: object, sources: Sources, *, earlier: Earlier, **_more: object) -> None:
    """An analysis that ends after its first log: what it kept stays for the next one."""
    earlier.log(sources.runs[0][0], columns={}, time=TimeRule())
    raise KeyboardInterrupt("stopped")
