"""Which route each run drove, where the user says that runs without positions share one.

`[road] same_route` of the study, the run table and the notes go in; a route's name for each run
comes out, for `roadlog.road.by_distance` (method section 3).
"""

from fnmatch import fnmatchcase
from pathlib import PurePosixPath

import pandas as pd

from roadlog.errors import InputError
from roadlog.ingest.text.handtable import split_unit
from roadlog.runs.notes import noted
from roadlog.study.settings import RoadRule

ROUTE_WORDS = frozenset({"route", "direction", "way", "strecke", "richtung", "trajet", "ruta",
                         "percorso", "rota", "trasa", "rutt", "traseu"})  # fmt: skip
ONE_ROUTE = "route"


def routes_of(rule: RoadRule, runs: pd.DataFrame, notes: pd.DataFrame | None) -> dict[int, str]:
    """The route of each run; "" where neither file name nor notes tell it.

    Parameters
    ----------
    rule : RoadRule
        `same_route` true: the route that a column `route` of the notes tells, one route for all
        without such a column; else names and the patterns of their logs.
    runs : DataFrame
        Columns `run`, `file`, `day`.
    notes : DataFrame, optional
        As `roadlog.runs.notes.read_notes` reads them.

    Raises
    ------
    InputError
        If a pattern fits no log, or a log fits two routes.

    >>> runs = pd.DataFrame({"run": [0, 1], "file": ["logs/a_out.csv", "logs/a_back.csv"],
    ...                      "day": "2026-03-02"})
    >>> routes_of(RoadRule(same_route={"out": "*_out.csv", "back": "*_back.csv"}), runs, None)
    {0: 'out', 1: 'back'}
    """
    if isinstance(rule.same_route, dict):
        return _by_file(rule.same_route, runs)
    columns = [] if notes is None else [c for c in notes.columns if _is_route(str(c))]
    if notes is None or not columns:
        return {int(r): ONE_ROUTE for r in runs["run"]}
    told = noted(notes, runs, notes[columns[0]])
    names = told.where(told.notna(), "").astype("str").str.strip()
    return {int(r): str(n) for r, n in zip(names.index.to_numpy(dtype=int), names, strict=True)}


def _is_route(header: str) -> bool:
    return split_unit(header)[0] in ROUTE_WORDS


def _by_file(patterns: dict[str, tuple[str, ...]], runs: pd.DataFrame) -> dict[int, str]:
    out = dict.fromkeys((int(r) for r in runs["run"]), "")
    for route, own in patterns.items():
        for pattern in own:
            hits = [
                (int(r), str(f))
                for r, f in zip(runs["run"], runs["file"], strict=True)
                if fnmatchcase(str(f), pattern) or fnmatchcase(PurePosixPath(f).name, pattern)
            ]
            if not hits:
                raise InputError(
                    f"study.toml: no log fits '{pattern}' of route '{route}' in [road] same_route: "
                    "correct it"
                )
            for run, file in hits:
                if out[run] not in ("", route):
                    raise InputError(
                        f"{file} fits the routes '{out[run]}' and '{route}' of [road] same_route: "
                        "make their patterns differ"
                    )
                out[run] = route
    return out
