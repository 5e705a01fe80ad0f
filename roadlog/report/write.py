"""Writes what an analysis found: an `Analysed` in, five files in one folder out.

All contents are made before the first file is touched, and each file replaces its forerunner in
one step, so a failure leaves the folder as it was.
"""

import hashlib
import json
from functools import partial
from pathlib import Path

from roadlog.analysis.result import Analysed
from roadlog.report.json_out import to_json
from roadlog.report.map import map_page, map_parts, why_no_map
from roadlog.report.objections.page import objections_page
from roadlog.report.page import report_page
from roadlog.study.durable import atomic_write


def write_results(analysed: Analysed, out: Path | str, *, tiles: bool = False) -> None:
    """Write results.json, report.html, objections.html, passes.csv and map.html into `out`.

    Parameters
    ----------
    analysed : Analysed
    out : Path or str
        Folder, made if it is missing.
    tiles : bool
        Let map.html fetch a background map from a tile server when it is opened. The report never
        does.

    >>> import tempfile
    >>> import roadlog
    >>> folder = Path(tempfile.mkdtemp())
    >>> write_results(roadlog.analyse(*roadlog.open_study("sample_logs")), folder)
    >>> sorted(p.name for p in folder.iterdir())
    ['map.html', 'objections.html', 'passes.csv', 'report.html', 'results.json']
    """
    passes = passes_csv(analysed)
    digest = hashlib.sha256(passes.encode("utf-8")).hexdigest()
    results = {**to_json(analysed), "passes_csv_sha256": digest}
    parts = None if why_no_map(analysed) else map_parts(analysed)
    contents = {
        "passes.csv": passes,
        "map.html": map_page(analysed, tiles=tiles, parts=parts),
        "report.html": report_page(analysed, passes_sha256=digest, parts=parts),
        "objections.html": objections_page(analysed),
        "results.json": json.dumps(results, indent=2, ensure_ascii=False, allow_nan=False) + "\n",
    }
    for name, text in contents.items():
        atomic_write(Path(out) / name, partial(_write_bytes, text=text))


def passes_csv(analysed: Analysed) -> str:
    """The pass table as comma-separated text; generated data carry a `synthetic` column."""
    passes = analysed.passes
    if analysed.study.synthetic:
        passes = passes.assign(synthetic=True)
    return passes.to_csv(index=False, lineterminator="\n")


def _write_bytes(path: Path, *, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))
