"""A partitioned Parquet data set is read as the logs that its rows came from."""

from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from roadlog.fleet.pipeline import Tables, find_fleet, fleet_tables
from roadlog.fleet.workers import serial
from roadlog.study.fleet import FleetRule
from roadlog.study.folder import load_study


def rows_of(root: Path) -> pd.DataFrame:
    """All rows of a fleet's logs, with the vehicle and a time without zone."""
    parts = [
        pd.read_csv(path).assign(vehicle=path.parts[-3])
        for path in sorted(root.glob("cars/*/logs/*.csv"))
    ]
    rows = pd.concat(parts, ignore_index=True)
    rows["time"] = pd.to_datetime(rows["time"]).dt.tz_localize(None)
    return rows


def tables_in(root: Path, made_from: Path, out: Path, **how: str) -> Tables:
    study = load_study(made_from)
    rule = FleetRule(
        data="samples", schedule=str(made_from / "schedule.csv"), randomised=True, **how
    )
    fleet = find_fleet(study, root, rule)
    return fleet_tables(fleet, serial, out=out, work=out / "computed")


def test_rows_partitioned_by_vehicle_and_month_give_the_logs_passes(
    small_fleet: Path, made: Tables, tmp_path: Path
) -> None:
    rows = rows_of(small_fleet)
    shuffled = pd.concat([rows, rows.iloc[100:200]]).sample(frac=1, random_state=1)
    for vehicle, own in shuffled.groupby("vehicle"):
        folder = tmp_path / "samples" / f"vehicle={str(vehicle).replace(' ', '%20')}/month=2026-03"
        folder.mkdir(parents=True)
        own.drop(columns="vehicle").to_parquet(folder / "part.parquet", index=False)
    found = tables_in(tmp_path, small_fleet, tmp_path / "out")
    same_passes(made, found)


def test_vehicles_in_a_dictionary_column_are_found_in_each_file(
    small_fleet: Path, made: Tables, tmp_path: Path
) -> None:
    rows = rows_of(small_fleet).astype({"vehicle": "category"})
    rows.loc[5:7, "vehicle"] = None
    (tmp_path / "samples").mkdir()
    for i, (_, own) in enumerate(rows.groupby(rows["time"].dt.day < 5)):
        own.to_parquet(tmp_path / "samples" / f"{i}.parquet", index=False)
    (tmp_path / "samples" / "torn.parquet").write_bytes(b"PAR1 and then nothing")
    odd = pa.table({"vehicle": ["car 0"], "hum": ["x"]})
    pq.write_table(odd, tmp_path / "samples" / "odd.parquet")
    found = tables_in(tmp_path, small_fleet, tmp_path / "out")
    same_passes(made, found, least=0.98)
    why = dict(
        zip(found.left_out["vehicle"] + found.left_out["what"], found.left_out["why"], strict=True)
    )
    assert "no vehicle is named for 3 rows" in why.values()
    assert any("torn.parquet: no whole Parquet file" in w for w in why.values())
    assert any("no time column among hum" in w for w in why.values())


def same_passes(one: Tables, two: Tables, least: float = 1.0) -> None:
    assert [r.vehicle for r in one.compared] == [r.vehicle for r in two.compared]
    for a, b in zip(one.passes(), two.passes(), strict=True):
        keys = ["day", "segment", "distance_km", "fuel_ml", "used"]
        a, b = a[keys].round(6), b[keys].round(6)
        both = a.merge(b, on=keys)
        assert len(both) >= least * len(a)
