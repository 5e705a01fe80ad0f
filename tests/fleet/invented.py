"""An invented fleet's answer without a log: for pages of any size."""

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from roadlog.fleet.answer import FleetStudy
from roadlog.fleet.design import FleetDesign
from roadlog.fleet.fit import fit_fleet
from roadlog.fleet.one_vehicle import Record
from roadlog.fleet.pipeline import Fleet, Tables
from roadlog.study.fleet import FleetRule
from roadlog.study.settings import parse_study
from tests.fleet.made import units_of

OUT = pd.DataFrame(
    [
        ("van <b>7</b>", "logs/a.csv", "UNREADABLE", "logs/a.csv is empty: give a log with rows"),
        ("van 8", "", "ONE_ARM", "driven in the baseline arm only"),
    ],
    columns=["vehicle", "what", "code", "why"],
)


def invented_answer(vehicles: int = 24, segments: int = 6, seed: int = 1) -> FleetStudy:
    """So many vehicles of known effects, each on some road near one of two depots."""
    rng = np.random.default_rng(seed)
    study = parse_study(
        {"name": "vans <i>of</i> nobody", "synthetic": True, "claim": {"fuel_pct": 8}, "fleet": {}}
    )
    units, records = [], []
    for n in range(vehicles):
        name = f"van {n:04d} & co"
        arm = np.tile([0, 1], 6)
        own = -0.02 + 0.01 * rng.standard_normal()
        units.append(units_of(name, arm, own * arm + 0.01 * rng.standard_normal(12)))
        road = tuple(_segment(rng, n % 2, i) for i in range(segments))
        records.append(
            Record(name, "0" * 32, ("x",), ("x",), 12, 12, 200.0, 12_000, (), segments=road)
        )
    design = FleetDesign()
    result = fit_fleet(units, design, claim=study.claim)
    fleet = Fleet(study, Path(), FleetRule(), {}, {}, {})
    tables = Tables(fleet, Path(), tuple(records), OUT)
    return FleetStudy(study, tables, design, result, OUT)


def _segment(rng: np.random.Generator, depot: int, number: int) -> dict[str, Any]:
    at = np.array([47.6 + depot, 20.9]) + 0.05 * rng.standard_normal(2)
    way = at + np.linspace(0, 1, 8)[:, None] * 0.01 * rng.standard_normal(2)
    return {
        "id": f"A{number:02d}",
        "lat": way[:, 0].round(5).tolist(),
        "lon": way[:, 1].round(5).tolist(),
        "passes": {"baseline": 6, "fitted": 6},
        "fuel_ml": {"baseline": 400.0, "fitted": 390.0},
        "km": {"baseline": 6.0, "fitted": 6.0},
    }
