"""A study with a control car as it may be shown: no second home, no name, the same answer."""

import datetime as dt
import json
import shutil
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest

from roadlog.analysis.analyse import analyse
from roadlog.analysis.control_car import control_sources
from roadlog.analysis.result import Analysed
from roadlog.cli import main
from roadlog.closure.two_cars_fuel import MeasuredRatio
from roadlog.demo import make_study
from roadlog.errors import InputError
from roadlog.publish.archive import write_archive
from roadlog.publish.clock import Happened, PublicClock, among, beside
from roadlog.publish.leaks import doubtful_words, leaks
from roadlog.publish.pool.apart import counted_once
from roadlog.publish.private import Place
from roadlog.publish.public_logs import told_vehicles
from roadlog.publish.recheck import recheck, require_own_files
from roadlog.publish.settings import public_study, study_toml
from roadlog.publish.trim import Trimmed, trimmed_study
from roadlog.publish.unpack import open_archive
from roadlog.publish.write import publish
from roadlog.quantities.arms import ARMS
from roadlog.report.json_out import to_json
from roadlog.report.write import passes_csv
from roadlog.runs.table import open_study, read_logs
from roadlog.study.settings import parse_study
from tests.publish.archives import NOW, about
from tests.publish.test_pool import entry

FILLED = {
    "fills.csv": (("2026-03-02T06:41", 30.11, 51230.4, "A"),
                  ("2026-03-03T17:27", 4.52, 51298.8, "A"),
                  ("2026-03-05T17:12", 4.41, 51367.1, "A")),
    "control_fills.csv": (("2026-03-02T06:52", 21.2, 88410.2, "A"),
                          ("2026-03-03T17:38", 4.33, 88478.4, "A"),
                          ("2026-03-05T17:29", 4.21, 88546.7, "A")),
}  # fmt: skip


@dataclass(frozen=True)
class Neighbours:
    """A study whose control car is a neighbour's, its analysis, and what is shown of it."""

    folder: Path
    whole: Analysed
    home: Place
    trimmed: Trimmed
    again: Analysed


@pytest.fixture(scope="module")
def neighbours(tmp_path_factory: pytest.TempPathFactory) -> Neighbours:
    """The neighbour lives on the way; files and notes name her, a log's head her car."""
    folder = tmp_path_factory.mktemp("control") / "study"
    make_study(folder, days=4, control=True, order="once")
    (folder / "logs" / "control").rename(folder / "logs" / "anna")
    for log in sorted((folder / "logs" / "anna").glob("*.csv")):
        _from_home(log)
        log.rename(log.with_name(log.name.replace("synthetic", "anna_lindenweg")))
    settings = (folder / "study.toml").read_text(encoding="utf-8")
    named = '[control]\nlogs = ["logs/anna/*"]\nnotes = "anna_notes.csv"'
    (folder / "study.toml").write_text(settings.replace("[control]", named), encoding="utf-8")
    notes = "date,deviation,comment,load kg\n2026-03-02,,parked at Lindenweg 4,120\n"
    (folder / "anna_notes.csv").write_text(notes, encoding="utf-8")
    for name, fills in FILLED.items():
        rows = "".join(f"{when},{litres},{km},{batch}\n" for when, litres, km, batch in fills)
        (folder / name).write_text(f"time,litres,odometer [km],batch\n{rows}", encoding="utf-8")
    study, sources = open_study(folder)
    whole = analyse(study, sources)
    trimmed = trimmed_study(whole, sources, folder.parent / "public")
    logs = read_logs(study.of_control_car(), control_sources(study, sources))
    first = logs[0].frame[["lat_deg", "lon_deg"]].dropna().iloc[0]
    home = Place(float(first.iloc[0]), float(first.iloc[1]), 0.0, 0.0, 0.0)
    return Neighbours(folder, whole, home, trimmed, analyse(*open_study(trimmed.folder), now=NOW))


def _from_home(log: Path) -> None:
    """Leave the part between the neighbour's home and the other car's away."""
    head, *rows = log.read_text(encoding="utf-8").splitlines(keepends=True)
    n = len(rows) // 5
    kept = rows[n:] if "out" in log.name else rows[:-n]
    log.write_text("".join([head, *kept]), encoding="utf-8")


def test_the_answer_stays_the_difference_of_both_cars(neighbours: Neighbours) -> None:
    whole, again = neighbours.whole.control, neighbours.again.control
    assert whole is not None
    assert again is not None
    assert whole.used
    assert again.used
    assert len(again.runs) == len(whole.runs) == 8
    assert set(again.runs["file"]) == {f"logs/control/run-{n:03d}.csv" for n in range(1, 9)}
    assert again.difference is not None
    assert again.difference.design == "one change"


def test_both_cars_stay_together_in_public(neighbours: Neighbours) -> None:
    """Else whole hours would put the one behind the other by an hour, or by none."""
    control = neighbours.again.control
    assert control is not None
    assert control.pairs["apart_min"].abs().max() < 30
    assert (control.runs["start"].dt.second == 0).all()


def test_nothing_of_the_neighbour_is_told(neighbours: Neighbours) -> None:
    trimmed = neighbours.trimmed
    assert leaks(trimmed.folder, trimmed.private) == []
    for path in (p for p in trimmed.folder.rglob("*") if p.is_file()):
        for word in ("anna", "linden"):
            assert word not in path.read_text(encoding="utf-8").casefold(), path
            assert word not in path.name
    told = pd.read_csv(trimmed.folder / "control_notes.csv")
    assert "comment" not in told
    assert told["load kg"].tolist() == [120]


def test_her_home_is_hidden_from_both_cars(neighbours: Neighbours) -> None:
    """From the test car that only passes it, too."""
    for run in neighbours.trimmed.runs:
        assert run.file is not None
        shown = pd.read_csv(neighbours.trimmed.folder / run.file)[["lat_deg", "lon_deg"]].dropna()
        away = neighbours.home.away_m(*shown.to_numpy(float).T)
        assert away.min() > 500, run.file


def test_her_fuel_is_told_as_the_other_car_s_is(neighbours: Neighbours) -> None:
    """By the hour, on the published road, from an odometer of 0 on; filled over computed stays."""
    folder = neighbours.trimmed.folder
    for name, true in FILLED.items():
        told = pd.read_csv(folder / name)
        assert told["time"].str.endswith(":00").all(), name
        assert told["time"].str[:10].tolist() == [when[:10] for when, *_ in true]
        assert told["odometer [km]"].iloc[0] == 0
        assert (told["litres"].iloc[1:] < [litres for _, litres, *_ in true[1:]]).all()
    whole, again = neighbours.whole.control, neighbours.again.control
    assert whole is not None
    assert again is not None
    assert isinstance(whole.measured, MeasuredRatio)
    assert isinstance(again.measured, MeasuredRatio)
    for car in ("test", "control"):
        filled = [_filled_over_computed(n, car) for n in (neighbours.whole, neighbours.again)]
        assert filled[1] == pytest.approx(filled[0], rel=0.01)
    assert {k: v.pieces for k, v in again.measured.control.items()} == {"baseline": 1, "fitted": 1}


def _filled_over_computed(a: Analysed, car: str) -> list[float]:
    """By arm, of what was filled in it; two drives a day."""
    assert a.control is not None
    measured = a.control.measured
    assert isinstance(measured, MeasuredRatio)
    runs = a.runs if car == "test" else a.control.runs
    computed = runs.sort_values("start")["fuel_l"].to_numpy(float).reshape(2, -1).sum(axis=1)
    arms = getattr(measured, car)
    return [arms[arm].fuel / of for arm, of in zip(ARMS, computed, strict=True)]


@pytest.mark.parametrize("name", FILLED)
def test_true_fills_that_slip_through_are_found(
    neighbours: Neighbours, tmp_path: Path, name: str
) -> None:
    shutil.copy(neighbours.folder / name, tmp_path / name)
    found = " ".join(map(str, leaks(tmp_path, neighbours.trimmed.private)))
    for when, _, km, _ in FILLED[name]:
        assert when in found
        assert f"{km:.1f}" in found


def test_a_log_of_hers_that_slips_through_is_found(neighbours: Neighbours, tmp_path: Path) -> None:
    raw = sorted((neighbours.folder / "logs" / "anna").glob("*.csv"))[0]
    shutil.copy(raw, tmp_path / "run-001.csv")
    found = " ".join(map(str, leaks(tmp_path, neighbours.trimmed.private)))
    assert "a hidden place" in found
    (tmp_path / "run-001.csv").write_text(f"made from {raw.name}")
    assert leaks(tmp_path, neighbours.trimmed.private)


@pytest.mark.slow
def test_a_control_log_that_was_altered_is_told(neighbours: Neighbours, tmp_path: Path) -> None:
    """Altered together with the manifest: only computing anew can tell."""
    study = tmp_path / "study"
    shutil.copytree(neighbours.trimmed.folder, study)
    log = study / "logs" / "control" / "run-003.csv"
    table = pd.read_csv(log, dtype=str)
    table["maf_g_s"] = [
        f"{1.05 * float(x):.3f}" if isinstance(x, str) else "" for x in table.maf_g_s
    ]
    log.write_text(table.to_csv(index=False), encoding="utf-8")
    numbers = json.dumps(to_json(neighbours.again), ensure_ascii=False).encode()
    results = {"results.json": numbers, "passes.csv": passes_csv(neighbours.again).encode()}
    write_archive(study, results, tmp_path / "a.zip", about=about(study))
    done = recheck(open_archive(tmp_path / "a.zip", tmp_path / "opened"), pages=False)
    assert not done.same
    odd = {f"{v.group} / {v.place}" for v in done.values if not v.same}
    assert "control / runs / logs/control/run-003.csv / fuel_l" in odd
    assert "fuel_use_change_pct / estimate" in odd
    assert not any(o.startswith("passes.csv") for o in odd), "the test car's passes stay"


@pytest.mark.parametrize(
    "text",
    ['logs = ["../*"]', 'notes = "/etc/passwd"', '[control.vehicle]\ncoastdown = "../x.csv"'],
)
def test_an_archive_s_control_car_names_no_file_outside(text: str) -> None:
    with pytest.raises(InputError, match="isn't in the archive"):
        require_own_files(parse_study(f"[control]\n{text}\n"))


def test_a_stray_vehicle_is_told_in_public_without_its_number() -> None:
    """Else the trimmed logs, which name no vehicle, would have a word that the whole hadn't."""
    files = pd.DataFrame({"file": [f"{i}.csv" for i in range(4)]})
    one, stray = (files.assign(vehicle_numbers=list(n)) for n in ("aaaa", "aaab"))
    other = files.assign(file=["x", "y", "z", "w"], vehicle_numbers=list("cccc"))
    assert told_vehicles(one, other) == {}
    assert told_vehicles(one, pd.DataFrame()) == {}
    told = told_vehicles(stray, other)
    assert [told[f] for f in ("0.csv", "3.csv", "w")] == ["vehicle 1", "vehicle 2", "vehicle 3"]
    assert len(told_vehicles(one, other.assign(vehicle_numbers="a"))) == 8


def test_her_name_in_the_settings_is_doubted() -> None:
    plate = parse_study('[control]\nname = "the Polo WOB-AB 123"\n')
    assert "number plate" in " ".join(doubtful_words(plate))


def test_a_coast_down_is_published_as_the_road_load_that_it_gave() -> None:
    """The log itself was driven from somebody's door, and isn't published."""
    given = parse_study('[vehicle]\ncoastdown = "down.csv"\n[control.vehicle]\nmass_kg = 1200\n')
    load = {"road_load": (120.0, 0.5, 0.4)}
    study = given.model_copy(update={"vehicle": given.vehicle.model_copy(update=load)})
    public = public_study(study, {}, PublicClock("hours"), routes={}, gates=False, station_m=None)
    again = parse_study(study_toml(public))
    assert again.vehicle.road_load == (120.0, 0.5, 0.4)
    assert again.vehicle.coastdown is None
    assert again.control is not None
    assert again.control.vehicle is not None
    assert again.control.vehicle.mass_kg == 1200


def at(text: str) -> Happened:
    when = pd.Timestamp(text)
    return Happened(when, 1500.0, when.normalize())


def test_the_second_car_keeps_its_distance_in_time() -> None:
    """Within its day, after its own drive before, and of no drive's true minute."""
    clock = PublicClock("hours")
    first = [at("2026-03-02T07:58:11"), at("2026-03-02T16:40:00"), at("2026-03-04T00:02:00")]
    public = clock.in_order(first)
    second = [
        at("2026-03-02T08:02:40"), at("2026-03-02T16:35:20"), at("2026-03-03T09:17:31"),
        at("2026-03-04T00:00:10"),
    ]  # fmt: skip
    found = [f"{t:%d %H:%M:%S}" for t in beside(clock, second, first, public)]
    assert found == ["02 07:04:00", "02 15:55:00", "03 09:00:00", "04 00:00:00"]


def test_her_fills_stay_on_their_side_of_both_cars_drives() -> None:
    """By whole hours where one lies between, else by the minutes that the drives tell."""
    clock = PublicClock("hours")
    first = [at("2026-03-02T07:58:11"), at("2026-03-02T08:40:00"), at("2026-03-03T07:10:00")]
    public = clock.in_order(first)
    second = [at("2026-03-02T08:02:40"), at("2026-03-02T08:44:10")]
    drives = [*first, *second], [*public, *beside(clock, second, first, public)]
    times = ("2026-03-02T06:52", "2026-03-02T07:40", "2026-03-02T08:35", "2026-03-02T19:31",
             "2026-03-02T19:40")  # fmt: skip
    fills = [Happened(pd.Timestamp(t)) for t in times]
    found = among(clock, fills, *drives)
    assert sorted(found) == found
    assert len(set(found)) == len(found)
    for fill, told in zip(fills, found, strict=True):
        assert told.date() == fill.at.date()
        for drive, shown in zip(*drives, strict=True):
            assert (told < shown) == (fill.at < drive.at), (fill, drive, told, shown)
    assert [t.minute for t in (found[0], found[3], found[4])] == [0, 0, 0]


def test_studies_that_share_a_control_car_s_days_count_once() -> None:
    """Two cars held against one control car err together: what it did is in both."""
    days = frozenset({"of the control car 1", "of the control car 2"})
    one = entry(-0.01, logs=days | {"a"}, control_drives=2)
    other = entry(0.02, logs=days | {"b"}, control_drives=2)
    kept, out = counted_once([one, other])
    assert len(kept) == 1
    assert "shares 2 of its 26 drives, the control car's counted too," in out[0].why


@pytest.mark.slow
def test_published_whole_it_rechecks(neighbours: Neighbours, tmp_path: Path) -> None:
    """Pages, paper, archive, leak test and recheck; the trimmed numbers beside the whole ones."""
    study = tmp_path / "study"
    shutil.copytree(neighbours.folder, study)
    done = publish(study, tmp_path / "out", today=dt.date(2026, 4, 1), clock="shifted")
    assert done.analysed.control is not None
    assert done.analysed.control.used
    assert main(["recheck", str(tmp_path / "out" / "archive.zip")]) == 0
