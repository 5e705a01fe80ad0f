"""The control car's logs in a check: what each is worth, and on which days it is missing.

The study, its files and the test car's checked runs go in; the control car's runs, of no arm, and
plain sentences come out. Nothing here computes an effect.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

from roadlog.check.each_run import each_run, with_day_order
from roadlog.check.one_run import RunCheck
from roadlog.ingest import Log
from roadlog.runs.table import Sources
from roadlog.study.settings import Study

LISTED = 6


def check_control(
    study: Study,
    sources: Sources,
    test: Sequence[RunCheck],
    progress: Callable[[str], object],
    tracks: Sequence[Log] = (),
) -> tuple[tuple[RunCheck, ...], list[str]]:
    """Check the control car's runs, in order of start; `tracks` are the study's position tracks."""
    if study.control is None:
        return (), []
    if not sources.control:
        return (), ["no log of the control car is there yet (logs of [control])"]
    told: list[str] = []
    own_sources = replace(sources, runs=tuple((path, "none") for path in sources.control))
    own = with_day_order(study.of_control_car(), own_sources, told)
    runs, _ = each_run(own, own_sources, tracks, told, progress)
    return tuple(runs), [*told, *_days_apart(test, runs)]


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
