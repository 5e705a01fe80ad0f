"""The control car's logs in a check: what each is worth, and on which days it is missing.

The study, its files and the test car's checked runs go in; the control car's runs, of no arm, and
plain sentences come out. Nothing here computes an effect.
"""

from collections.abc import Callable, Sequence

from roadlog.check.one_run import RunCheck, check_run, unread
from roadlog.errors import RoadlogError
from roadlog.ingest import read_log
from roadlog.ingest.datum import settled
from roadlog.runs.table import Sources
from roadlog.study.settings import Study

LISTED = 6


def check_control(
    study: Study, sources: Sources, test: Sequence[RunCheck], progress: Callable[[str], object]
) -> tuple[tuple[RunCheck, ...], list[str]]:
    """Check the control car's runs, in order of start."""
    if study.control is None:
        return (), []
    if not sources.control:
        return (), ["no log of the control car is there yet (logs of [control])"]
    own = study.of_control_car()
    runs = []
    for path in sources.control:
        progress(path.name)
        name = sources.shown(path)
        try:
            log = settled(read_log(path, columns=own.columns, time=own.time), own.road)
        except RoadlogError as e:
            runs.append(unread(name, "none", path, e))
            continue
        runs.append(check_run(log, own, file=name, arm="none"))
    runs.sort(key=lambda r: (r.begun, r.file))
    return tuple(runs), _days_apart(test, runs)


def _days_apart(test: Sequence[RunCheck], control: Sequence[RunCheck]) -> list[str]:
    """Days on which one of the cars drove alone."""
    ours, theirs = ({f"{r.start:%Y-%m-%d}" for r in c if r.usable and r.start is not None}
                    for c in (test, control))  # fmt: skip
    told = []
    for days, who, other in (
        (ours - theirs, "control car", "test car"),
        (theirs - ours, "test car", "control car"),
    ):
        if days:
            named = ", ".join(sorted(days)[:LISTED]) + (" …" if len(days) > LISTED else "")
            told.append(f"the {who} has no usable run on {len(days)} days of the {other}: {named}")
    return told
