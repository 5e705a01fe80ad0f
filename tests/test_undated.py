"""Runs whose logs tell no date: their order, days and blocks, and what is asked for instead."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.effect.before_after import changed_once
from roadlog.errors import InputError
from roadlog.ingest import Log
from roadlog.runs.order import by_order, order_warnings, unknown_order
from roadlog.runs.run_list import read_run_list
from roadlog.runs.table import Sources, build_runs, listed_sources, pile_sources
from roadlog.study.settings import Study, parse_study


def logs_of(folder: Path, counters: dict[str, tuple[float, float]], signal: str) -> list[Log]:
    """A log for each name, whose counter goes from the first to the second number."""
    out = []
    for name, (a, b) in counters.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(name)
        frame = pd.DataFrame({"t_s": np.arange(5.0), signal: [a, np.nan, a, b, np.nan]})
        out.append(Log(path, frame, None))
    return out


def built(folder: Path, logs: list[Log], unit: str = "stretch", **more) -> pd.DataFrame:
    arms = ["fitted" if "in/" in log.path.as_posix() else "baseline" for log in logs]
    sources = Sources(tuple(zip([x.path for x in logs], arms, strict=True)), **more)
    return build_runs(Study(name="x"), sources, logs, unit)


COUNTED = {
    "out/c.csv": (9100, 9120), "in/a.csv": (9300, 9320), "out/b.csv": (9000, 9020),
    "in/d.csv": (9140, 9160),
}  # fmt: skip


@pytest.mark.parametrize("signal", ["since_cleared_min", "odometer_km"])
def test_a_counter_of_the_car_puts_runs_without_a_date_in_order(tmp_path, signal):
    runs = built(tmp_path, logs_of(tmp_path, COUNTED, signal))
    assert runs["file"].tolist() == ["b.csv", "c.csv", "d.csv", "a.csv"]
    assert runs["switch_unit"].tolist() == ["stretch 1"] * 2 + ["stretch 2"] * 2
    (told,) = order_warnings(runs)
    assert signal.split("_")[0][:4] in told.message.replace("time since", "sinc")


def test_a_counter_that_was_cleared_between_runs_is_not_believed(tmp_path):
    """Codes cleared after two runs: the later two read less, and would come first."""
    cleared = {"out/b.csv": (9000, 9020), "out/c.csv": (9030, 9050), "in/d.csv": (15, 35),
               "in/a.csv": (40, 60)}  # fmt: skip
    with pytest.raises(InputError, match=r"may have been cleared .* list the logs in order"):
        built(tmp_path, logs_of(tmp_path, cleared, "since_cleared_min"))
    named = {f"{k.split('/')[0]}/{i}.csv": v for i, (k, v) in enumerate(
        sorted(cleared.items(), key=lambda x: x[1]))}  # fmt: skip
    runs = built(tmp_path, logs_of(tmp_path, named, "since_cleared_min"))
    assert runs["file"].tolist() == ["0.csv", "1.csv", "2.csv", "3.csv"]


@pytest.mark.parametrize(
    ("counters", "says"),
    [
        ({"out/a.csv": (900, 930), "in/b.csv": (910, 940)}, "a.csv and b.csv: .*which came first"),
        ({"out/a.csv": (900, 930), "in/b.csv": (930, 20)}, "b.csv: .*falls within the drive"),
        ({"out/a.csv": (65535, 65535), "in/b.csv": (65000, 65020)}, "stands at its end"),
        (
            {"out/a.csv": (900, 930), "in/b.csv": (np.nan, np.nan)},
            "b.csv|a.csv: no date in this log, so its stretch is unknown",
        ),
    ],
)
def test_a_counter_that_contradicts_itself_is_refused(tmp_path, counters, says):
    with pytest.raises(InputError, match=says):
        built(tmp_path, logs_of(tmp_path, counters, "since_cleared_min"))


def test_without_order_runs_that_were_switched_one_by_one_get_no_firm_word(tmp_path):
    """Names that take turns would make a before and after study one of turns."""
    logs = logs_of(tmp_path, {"out/1.csv": (1, 2), "in/1.csv": (3, 4)}, "speed_kmh")
    runs = built(tmp_path, logs, "run")
    (reason,) = unknown_order(runs, None)
    assert "nobody knows in which order" in reason
    assert unknown_order(runs, "pairs")
    assert not unknown_order(runs, "lots")


def test_a_list_tells_order_days_and_blocks(tmp_path):
    logs = logs_of(tmp_path, {f"{p}/{n}.csv": (1, 2) for p in ("out", "in") for n in "12"}, "rpm")
    listed = tmp_path / "runs.csv"
    listed.write_text(
        "file,day,block\nout/1.csv,day 1,A\nin/1.csv,day 2,A\nin/2.csv,day 3,B\nout/2.csv,day 4,B\n"
    )
    runs = built(tmp_path, logs, "day", listed=listed)
    assert runs["switch_unit"].tolist() == ["day 1", "day 2", "day 3", "day 4"]
    assert runs["arm"].tolist() == ["baseline", "fitted", "fitted", "baseline"]
    assert runs["file"].tolist() == ["out/1.csv", "in/1.csv", "in/2.csv", "out/2.csv"]
    assert by_order(runs, "blocks", Sources(()))["block"].tolist() == ["A", "A", "B", "B"]
    assert not changed_once(runs, randomised=False, in_order=True)


def test_before_and_after_without_dates_is_one_change(tmp_path):
    logs = logs_of(tmp_path, {f"{p}/{n}.csv": (1, 2) for p in ("out", "in") for n in "12"}, "rpm")
    listed = tmp_path / "runs.csv"
    listed.write_text("file\nout/1.csv\nout/2.csv\nin/1.csv\nin/2.csv\n")
    assert changed_once(built(tmp_path, logs, "run", listed=listed), False, in_order=True)


def test_a_list_alone_names_the_logs_and_their_arms(tmp_path):
    logs_of(tmp_path, {"x/1.csv": (1, 2), "x/2.csv": (1, 2)}, "rpm")
    listed = tmp_path / "list.csv"
    listed.write_text("file;arm;order\nx/1.csv;fitted;2\nx/2.csv;baseline;1\n")
    sources = listed_sources(listed)
    assert [(p.name, arm) for p, arm in sources.runs] == [
        ("2.csv", "baseline"),
        ("1.csv", "fitted"),
    ]
    listed.write_text("file;arm\nx/1.csv;\n")
    with pytest.raises(InputError, match="line 2: no arm"):
        listed_sources(listed)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("name,arm\na.csv,fitted\n", "has no column 'file'"),
        ("file,arm\na.csv,maybe\n", "line 2, column 'arm': 'maybe' is no arm"),
        ("file,order\na.csv,1\nb.csv,1\n", "line 3, column 'order': '1'"),
        ("file,arm\n,fitted\n", "line 2 names no file"),
        ("file,date\na.csv,2026-02-31\n", "2026-02-31"),
    ],
)
def test_a_wrong_line_of_a_list_is_named(tmp_path, text, says):
    path = tmp_path / "runs.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=says):
        read_run_list(path)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("file\n9.csv\n", "'9.csv' is none of the logs"),
        ("file\n1.csv\n", "fits 2 logs: write the folder too, as out/1.csv or in/1.csv"),
        ("file\nout/1.csv\nout/1.csv\n", "is on line 2 already"),
        ("file\nout/1.csv\n", "in/1.csv: the list of runs doesn't name it"),
        (
            "file,arm\nout/1.csv,fitted\nin/1.csv,fitted\n",
            "listed as baseline but called fitted in the list",
        ),
    ],
)
def test_a_list_that_does_not_fit_the_logs_is_refused(tmp_path, text, says):
    logs = logs_of(tmp_path, {"out/1.csv": (1, 2), "in/1.csv": (3, 4)}, "rpm")
    (tmp_path / "runs.csv").write_text(text)
    with pytest.raises(InputError, match=says):
        built(tmp_path, logs, "run", listed=tmp_path / "runs.csv")


def test_a_schedule_that_names_files_tells_their_order(tmp_path):
    logs = logs_of(tmp_path, {"b.csv": (1, 2), "a.csv": (1, 2)}, "rpm")
    study = parse_study(
        '[schedule]\nswitched_by = "run"\nunit = [{ unit = "b.csv", arm = "baseline" },'
        '{ unit = "a.csv", arm = "fitted" }]\n'
    )
    runs = build_runs(study, Sources(tuple((x.path, None) for x in logs)), logs, "run")
    assert runs["file"].tolist() == ["b.csv", "a.csv"]


def test_a_dated_log_that_the_list_puts_on_another_day_is_refused(tmp_path):
    (log,) = logs_of(tmp_path, {"out/1.csv": (1, 2)}, "rpm")
    dated = Log(log.path, log.frame, pd.Timestamp("2026-03-02 07:00"))
    (tmp_path / "runs.csv").write_text("file,date\n1.csv,2026-03-03\n")
    with pytest.raises(InputError, match="its log is of 2026-03-02, and the list of runs says"):
        built(tmp_path, [dated], "day", listed=tmp_path / "runs.csv")


def test_notes_tell_blocks_where_no_list_does(tmp_path):
    runs = pd.DataFrame(
        {"log": range(4), "run": range(4), "file": list("abcd"), "arm": ["baseline", "fitted"] * 2,
         "day": [f"2026-03-0{i}" for i in range(2, 6)], "switch_unit": list("abcd"), "block": ""}
    )  # fmt: skip
    notes = pd.DataFrame({"date": runs["day"], "block": ["1", "1", "2", "2"]})
    assert by_order(runs, "blocks", Sources(()), notes)["block"].tolist() == ["1", "1", "2", "2"]
    notes.loc[3, "block"] = np.nan
    with pytest.raises(InputError, match=r"d: notes.csv tells the block of other runs"):
        by_order(runs, "blocks", Sources(()), notes)
    runs["switch_unit"] = list("aabb")
    with pytest.raises(InputError, match=r"a: notes.csv puts its runs into two blocks"):
        by_order(runs, "blocks", Sources(()), notes.assign(block=["1", "2", "2", "1"]))


def test_logs_of_one_name_in_two_piles_are_two_runs(tmp_path):
    logs_of(tmp_path, {"out/1.csv": (1, 2), "in/1.csv": (3, 4)}, "rpm")
    sources = pile_sources([tmp_path / "out"], [tmp_path / "in"])
    assert [sources.shown(p) for p, _ in sources.runs] == ["out/1.csv", "in/1.csv"]
