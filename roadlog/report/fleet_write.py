"""Writes what a fleet's test found: a `FleetStudy` in, a page, JSON and two tables out."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from roadlog.fleet.answer import FleetStudy
from roadlog.fleet.answered import answer_of_fleet
from roadlog.fleet.pipeline import Tables
from roadlog.report.fleet_page import fleet_page
from roadlog.report.json_out import answer_json
from roadlog.study.durable import json_text, write_files
from roadlog.study.settings import Study

SCHEMA = 1
LEFT_OUT = "left_out.csv"
LAST_RUN = "last_run.json"


def fleet_json(found: FleetStudy) -> dict[str, Any]:
    """Everything as plain dictionaries: schema 1 of fleet.json (`fleet.schema.json`)."""
    tables, fills = found.tables, found.tables.fleet.receipts
    return {
        "schema": SCHEMA,
        "study": found.study.name,
        "synthetic": found.study.synthetic,
        "switched": found.design.switched,
        "randomised": found.design.randomised,
        "claim_fuel_use_change_pct": None
        if found.study.claim is None
        else found.study.claim.fuel_use_change_pct,
        "vehicles_found": len({*tables.fleet.sources, *tables.fleet.listed}),
        "vehicles_with_passes": len(tables.compared),
        "runs": sum(r.n_runs for r in tables.records),
        "runs_used": sum(r.n_used for r in tables.compared),
        "km": sum(r.km for r in tables.compared),
        "samples": sum(r.samples for r in tables.records),
        "passes": [f for r in tables.compared for f in r.passes],
        "left_out": {
            str(code): {"n": len(rows), "example": _told(rows.iloc[0])}
            for code, rows in found.left_out.groupby("code", sort=True)
        },
        "result": found.result.to_json(),
        "fills_of_nobody": [
            {"vehicle": v, "what": what, "why": str(why)}
            for v, what, why in (() if fills is None else fills.lost)
        ],
        "answer": answer_json(answer_of_fleet(found)),
    }


def _told(row: "pd.Series[Any]") -> str:
    what = f" ({row['what']})" if row["what"] else ""
    return f"{row['vehicle']}{what}: {row['why']}"


def write_fleet(found: FleetStudy, out: Path, *, with_map: bool = True) -> None:
    """Write fleet.html, fleet.json, vehicles.csv and left_out.csv into a folder.

    All contents are made before the first file is touched.
    """
    contents = {
        "fleet.html": fleet_page(found, with_map=with_map),
        "fleet.json": json_text(fleet_json(found)),
        "vehicles.csv": _csv(found.result.vehicles, found.study),
        LEFT_OUT: _csv(found.left_out, found.study),
    }
    write_files(out, {name: text.encode("utf-8") for name, text in contents.items()})


def write_left_out(tables: Tables, out: Path) -> None:
    """Write left_out.csv alone, where there is no answer."""
    text = _csv(tables.left_out, tables.fleet.study)
    write_files(out, {LEFT_OUT: text.encode("utf-8")})


def write_run(tables: Tables, again: Mapping[str, int], out: Path) -> None:
    """Write last_run.json: what was done anew, and what was begun more than once.

    It stands apart from fleet.json, which is the same whoever did the work.
    """
    told = {
        "schema": SCHEMA,
        "logs_read": tables.anew["logs"],
        "vehicles_computed": tables.anew["vehicles"],
        "begun_again": dict(sorted(again.items())),
    }
    write_files(out, {LAST_RUN: json_text(told).encode("utf-8")})


def _csv(table: pd.DataFrame, study: Study) -> str:
    if study.synthetic:
        table = table.assign(synthetic=True)
    return table.to_csv(index=False, lineterminator="\n")
