"""Long work by name: what a job's process does, with the same functions as the commands.

Each takes a study's folder and `tell`, and returns what its page shows at the end: `text`, one
sentence, `code`, the exit code of the command, and facts of its own.
"""

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from roadlog.bench import looking
from roadlog.bench.last_tasks import LAST_TASKS
from roadlog.bench.recording import reading, record
from roadlog.study.lock import one_writer

Tell = Callable[..., None]
Result = dict[str, Any]


def analyze(*, study: str, tell: Tell) -> Result:
    """The whole analysis, its pages written to `results/`."""
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
    return {
        "code": 0 if found.effect.primary.low is not None else 1,
        "text": answer_of(found).title,
    }


TASKS: dict[str, Callable[..., Result]] = {
    "analyze": analyze,
    "look": looking.look,
    "take": looking.take,
    "check": looking.check,
    "reading": reading,
    "record": record,
    **LAST_TASKS,
}
