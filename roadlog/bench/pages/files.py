"""Files of a study as the browser shows them: pages that roadlog wrote, without the app's rights.

A page that is shown here runs in a sandbox: it can't send anything or reach the bench. All else
is handed out as plain text, picture or download.
"""

from pathlib import Path

from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from roadlog.bench.show import study_of
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
    answer = FileResponse(path, media_type=kind or "application/octet-stream")
    answer.headers["content-security-policy"] = SANDBOX
    if kind is None or path.suffix == ".zip":
        answer.headers["content-disposition"] = "attachment"
    return answer


def inside(folder: Path, name: str) -> Path:
    """A file below the folders that may be shown.

    Raises
    ------
    InputError
        If the name leads elsewhere, or to no file.
    """
    path = (folder / name).resolve()
    allowed = any(path.is_relative_to((folder / f).resolve()) for f in FOLDERS)
    if not allowed or not path.is_file() or any(p.startswith(".") for p in Path(name).parts):
        raise InputError(f"there is no file '{name[:120]}' to show in {folder}")
    return path


ROUTES = [Route("/study/{study}/file/{path:path}", file)]
