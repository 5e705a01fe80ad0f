"""Files of a study as the browser shows them: pages that roadlog wrote, without the app's rights.

A page that is shown here runs in a sandbox: it can't send anything or reach the bench. All else
is handed out as plain text, picture or download.
"""

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from roadlog.bench.pages_shown import other_units, place_of
from roadlog.bench.show import HIDDEN, Here, bench_of, study_of, units_chosen
from roadlog.errors import InputError

SHOWN = {
    ".html": "text/html; charset=utf-8",
    ".json": "text/plain; charset=utf-8",
    ".csv": "text/plain; charset=utf-8",
    ".txt": "text/plain; charset=utf-8",
    ".toml": "text/plain; charset=utf-8",
    ".png": "image/png",
    ".jpg": "image/jpeg",
    ".jpeg": "image/jpeg",
    ".svg": "image/svg+xml",
    ".pdf": "application/pdf",
    ".zip": "application/zip",
}
PAGES = "pages"
FOLDERS = ("results", "published")
SANDBOX = (
    "sandbox allow-scripts; default-src 'none'; style-src 'unsafe-inline'; "
    "script-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
)


async def file(request: Request) -> Response:
    """One file of the study's results or of its published folder."""
    here = await study_of(request)
    path = inside(here.folder, request.path_params["path"])
    kind = SHOWN.get(path.suffix.lower())
    if "as_written" not in request.query_params:
        path = await run_in_threadpool(_in_units, request, here, path)
    answer = FileResponse(path, media_type=kind or "application/octet-stream")
    answer.headers["content-security-policy"] = SANDBOX
    if kind is None or path.suffix == ".zip":
        answer.headers["content-disposition"] = "attachment"
    return answer


def _in_units(request: Request, here: Here, path: Path) -> Path:
    """The same page in the reader's units, if the bench has it; else the study's own."""
    units = other_units(units_chosen(request), here.units)
    if units is None or path.parent != (here.folder / "results").resolve():
        return path
    mine = place_of(bench_of(request).home / HIDDEN / PAGES, path, units)
    return mine if mine.is_file() else path


def shown_own(request: Request, here: Here, names: Iterable[str]) -> bool:
    """Whether one of these pages is shown in the study's units to a reader of others."""
    if other_units(units_chosen(request), here.units) is None:
        return False
    paths = ((here.folder / "results" / n).resolve() for n in names if n.endswith(".html"))
    return any(_in_units(request, here, p) == p for p in paths)


def for_pages(request: Request) -> dict[str, Any]:
    """What a task has to know to make its pages in the reader's units too."""
    pages = bench_of(request).home / HIDDEN / PAGES
    return {"reader": units_chosen(request), "pages": f"{pages}"}


def inside(folder: Path, name: str) -> Path:
    """A file below the folders that may be shown.

    Raises
    ------
    InputError
        If the name leads elsewhere, or to no file.
    """
    try:
        path = (folder / name).resolve()
        there = path.is_file()
    except (OSError, ValueError):  # a NUL, or longer than any name can be
        path, there = folder, False
    allowed = any(path.is_relative_to((folder / f).resolve()) for f in FOLDERS)
    if not allowed or not there or any(p.startswith(".") for p in Path(name).parts):
        raise InputError(f"there is no file '{name[:120]}' to show in {folder}")
    return path


ROUTES = [Route("/study/{study}/file/{path:path}", file)]
