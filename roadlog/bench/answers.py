"""Short questions by name, for the warm process: facts of a study as plain JSON values.

Each function takes a study's folder as text, reads, and writes at most one small file, by the same
functions as the commands.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from roadlog.bench import looking
from roadlog.bench.drawing import DRAWING
from roadlog.bench.handing import HANDING
from roadlog.bench.last_answers import LAST_ANSWERS
from roadlog.bench.noting import NOTING
from roadlog.bench.planning import PLANNING
from roadlog.bench.reader import units_in
from roadlog.bench.recording import choices
from roadlog.ingest.text.handanswer import typed_with
from roadlog.study.folder import load_study
from roadlog.wording.units import reader_in

Answer = dict[str, Any]


def nothing() -> Answer:
    """Load what the others need."""
    import roadlog.analysis.standing

    return {"loaded": roadlog.analysis.standing.__name__}


def study(*, folder: str) -> Answer:
    """What every page says of a study."""
    known = load_study(Path(folder))
    return {"name": known.name, "synthetic": known.synthetic, "device": known.device.name,
            "units": known.units}  # fmt: skip


def blind(*, folder: str) -> Answer:
    """Whether the driver isn't to know the arms."""
    from roadlog.plan.today import driver_is_blind

    known = load_study(Path(folder))
    return {"blind": driver_is_blind(known)}


def _for_reader(answer: Callable[..., Answer], writes: bool) -> Callable[..., Answer]:
    """The function, asked by a reader of certain units and decimal mark.

    What is written into a study is printed in the study's own units, whoever reads.
    """

    def asked(*, reader: str = "", comma: bool = False, **given: Any) -> Answer:
        units = None if writes else units_in(reader)
        with reader_in(units), typed_with("," if comma else "."):
            return answer(**given)

    return asked


WRITES = ("new_study", "draw", "write_notes", "say_column", "say_day_first")
_BY_NAME: dict[str, Callable[..., Answer]] = {
    "blind": blind,
    **DRAWING,
    **HANDING,
    **NOTING,
    **PLANNING,
    "nothing": nothing,
    "study": study,
    **LAST_ANSWERS,
    "one_file": looking.one_file,
    "say_column": looking.say_column,
    "say_day_first": looking.say_day_first,
    "recording_choices": choices,
}
ANSWERS = {name: _for_reader(answer, name in WRITES) for name, answer in _BY_NAME.items()}
