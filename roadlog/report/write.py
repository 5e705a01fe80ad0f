"""Writes what an analysis found: an `Analysed` in, five files in one folder out.

All contents are made before the first file is touched, and the files replace their forerunners
together, so a failure leaves the folder as it was.
"""

import hashlib
from pathlib import Path

from roadlog.analysis.result import Analysed
from roadlog.analysis.second import meanwhile
from roadlog.report.json_out import to_json
from roadlog.report.map import map_page, map_parts, why_no_map
from roadlog.report.objections.page import objections_page
from roadlog.report.page import page_plots, report_page
from roadlog.study.durable import json_text, write_files


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
    write_files(Path(out), result_files(analysed, tiles=tiles))


def result_files(
    analysed: Analysed, *, tiles: bool = False, published: bool = False, beside: str = ""
) -> dict[str, bytes]:
    """The files by their names; the report is `index.html` where it is to be published.

    Parameters
    ----------
    beside : str
        For the report: how the numbers of the whole logs lie beside these.
    """
    plots = meanwhile(lambda: page_plots(analysed))
    passes = passes_csv(analysed)
    digest = hashlib.sha256(passes.encode("utf-8")).hexdigest()
    results = {**to_json(analysed), "passes_csv_sha256": digest}
    parts = None if why_no_map(analysed) else map_parts(analysed)
    contents = {
        "passes.csv": passes,
        "map.html": map_page(analysed, tiles=tiles, parts=parts, published=published),
        "index.html" if published else "report.html": report_page(
            analysed,
            passes_sha256=digest,
            parts=parts,
            published=published,
            beside=beside,
            plots=plots,
        ),
        "objections.html": objections_page(analysed, published=published),
        "results.json": json_text(results, indent=2),
    }
    return {name: text.encode("utf-8") for name, text in contents.items()}


def passes_csv(analysed: Analysed) -> str:
    """The pass table as comma-separated text; generated data carry a `synthetic` column."""
    passes = analysed.passes
    if analysed.study.synthetic:
        passes = passes.assign(synthetic=True)
    return passes.to_csv(index=False, lineterminator="\n")
