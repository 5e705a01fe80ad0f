"""A small study of weighed cans, its results and its archive: made in a second, without logs."""

import datetime as dt
import json
import zipfile
from collections.abc import Callable
from pathlib import Path

from roadlog.analysis.analyse import analyse
from roadlog.publish.about import About
from roadlog.publish.archive import write_archive
from roadlog.report.json_out import to_json
from roadlog.report.write import passes_csv, result_files
from roadlog.runs.table import open_study
from tests.closure.test_ledger_only import can_study, schedule

NOW = dt.datetime(2026, 4, 1, 18, 30, tzinfo=dt.UTC)


def can_folder(folder: Path, name: str = "cans", days: int = 6) -> Path:
    """A study folder with nothing but weighed cans and notes."""
    folder.mkdir(parents=True)
    text = f"name = {json.dumps(name, ensure_ascii=False)}\nsynthetic = true\n" + can_study(
        schedule(days)
    )
    (folder / "study.toml").write_text(text, encoding="utf-8")
    (folder / "notes.csv").write_text("date,wet road\n2026-03-04,yes\n", encoding="utf-8")
    return folder


def results_of(folder: Path, now: dt.datetime = NOW) -> dict[str, bytes]:
    """results.json and passes.csv as of `now`."""
    analysed = analyse(*open_study(folder), now=now)
    numbers = json.dumps(to_json(analysed), indent=2, ensure_ascii=False) + "\n"
    return {"results.json": numbers.encode(), "passes.csv": passes_csv(analysed).encode()}


def about(folder: Path, **more: object) -> About:
    """What is said of the study in an archive."""
    study, _ = open_study(folder)
    plain = {"study": study.name, "published": NOW, "licence": "CC-BY-4.0", "synthetic": True}
    return About(**{**plain, **more})  # type: ignore[arg-type]


def archived(folder: Path, path: Path, **more: object) -> Path:
    """The study's archive."""
    said = about(folder, **more)
    analysed = analyse(*open_study(folder), now=said.published)
    write_archive(folder, result_files(analysed, published=True), path, about=said)
    return path


def repacked(path: Path, to: Path, change: Callable[[dict[str, bytes]], None]) -> Path:
    """The archive packed again after `change` of its files; the manifest stays as it was."""
    with zipfile.ZipFile(path) as archive:
        files = {n: archive.read(n) for n in archive.namelist()}
    change(files)
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(files):
            info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            info.external_attr, info.compress_type = 0o100644 << 16, zipfile.ZIP_DEFLATED
            archive.writestr(info, files[name])
    return to
