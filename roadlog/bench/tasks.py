"""Long work by name: what a job's process does, with the same functions as the commands.

Each takes a study's folder and `tell`, and returns what its page shows at the end: `text`, one
sentence, `code`, the exit code of the command, and facts of its own.
"""

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roadlog.bench import looking
from roadlog.bench.last_tasks import LAST_TASKS
from roadlog.bench.pages_shown import keep_for
from roadlog.bench.recording import reading, record
from roadlog.errors import InputError
from roadlog.study.lock import one_writer
from roadlog.wording.units import units_of

if TYPE_CHECKING:
    from roadlog.analysis.result import Analysed

Tell = Callable[..., None]
Result = dict[str, Any]


def analyze(*, study: str, tell: Tell, reader: str = "", pages: str = "") -> Result:
    """The whole analysis, its pages written to `results/`; for a reader of other units once more.

    Parameters
    ----------
    reader, pages : the word of the reader's units, and where pages in those are kept
    """
    from roadlog.analysis.analyse import analyse
    from roadlog.analysis.answered import answer_of
    from roadlog.analysis.earlier import Earlier
    from roadlog.plan.looks import log_look
    from roadlog.report import write_results
    from roadlog.runs.table import open_study
    from roadlog.trials.result import load_all

    folder = Path(study)
    with one_writer(folder, "an analysis"):
        tell("step", name="reading the logs")
        study_and_files = open_study(folder)
        earlier = Earlier.of(study_and_files[1])
        found = analyse(*study_and_files, now=dt.datetime.now(dt.UTC), earlier=earlier)
        earlier.done()
        found = replace(found, trials=load_all(folder))
        if found.oversight is not None:
            log_look(folder, found.oversight, found.finding)
        tell("step", name="writing the pages")
        write_results(found, folder / "results")
        _show_in(found, folder, reader, pages)
    return {
        "code": 0 if found.effect.primary.low is not None else 1,
        "text": answer_of(found).title,
    }


def show_again(*, study: str, tell: Tell, reader: str, pages: str) -> Result:
    """The pages of the last analysis in a reader's units; nothing is written into the study."""
    import hashlib
    import json

    from roadlog.analysis.analyse import analyse
    from roadlog.report.write import passes_csv
    from roadlog.runs.table import open_study
    from roadlog.trials.result import load_all

    folder = Path(study)
    with one_writer(folder, "an analysis"):
        told = json.loads((folder / "results" / "results.json").read_text(encoding="utf-8"))
        tell("step", name="reading the logs")
        found = analyse(*open_study(folder), now=dt.datetime.now(dt.UTC))
        found = replace(found, trials=load_all(folder))
        if hashlib.sha256(passes_csv(found).encode()).hexdigest() != told["passes_csv_sha256"]:
            raise InputError("the study has changed since it was analysed: analyse it again")
        tell("step", name="writing the pages")
        _show_in(found, folder, reader, pages)
    return {"code": 0, "text": ""}


def _show_in(found: "Analysed", folder: Path, reader: str, pages: str) -> None:
    from roadlog.report.write import result_files

    own = units_of(found.study.units)
    keep_for(reader, pages, folder / "results", own, lambda: result_files(found))


TASKS: dict[str, Callable[..., Result]] = {
    "analyze": analyze,
    "show_again": show_again,
    "look": looking.look,
    "take": looking.take,
    "check": looking.check,
    "reading": reading,
    "record": record,
    **LAST_TASKS,
}
