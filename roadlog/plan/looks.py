"""Looks at unfinished data: what an analysis before the last day may say, and the log of all looks.

The study, its folder and the runs go in; an `Oversight` comes out that says whether this look is
an interim one and at which confidence it may decide. Without alpha spending an interim look
decides nothing. With it, each look uses up part of the 5 % (`roadlog.plan.spending`), and the last
look pays for the earlier ones. `computed/looks.jsonl` is only ever appended to.
"""

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, replace
from pathlib import Path

import pandas as pd

from roadlog.errors import InputError
from roadlog.plan.promised import promise_that_counts
from roadlog.plan.register import (
    Entry,
    binding,
    changes,
    choices_of,
    fingerprint,
    read_register,
    without_late_notes,
)
from roadlog.plan.result import FULL_LEVEL, Look, Oversight, Stamped
from roadlog.plan.seal import differing
from roadlog.plan.seal_log import opened_text
from roadlog.plan.spending import nominal_levels
from roadlog.plan.stamp_file import stamp_of
from roadlog.quantities.facts import Warned
from roadlog.runs.facts import OfRun
from roadlog.stats.interval import Finding
from roadlog.study.settings import Schedule, Study

LOOKS = "computed/looks.jsonl"


def oversee(study: Study, folder: Path, runs: pd.DataFrame, now: dt.datetime) -> Oversight:
    """What was fixed beforehand and how far this look may go.

    Parameters
    ----------
    runs : DataFrame
        `roadlog.quantities.tables.RUNS`, with `sha256`.
    now : aware datetime

    Raises
    ------
    InputError
        If the register or the log of looks was damaged.
    """
    entries = read_register(folder)
    earlier = read_looks(folder)
    now_choices = choices_of(study)
    bound = _bound(entries, runs)
    late = bound is None and bool(entries)
    shown = entries[0] if late else bound
    first = _first_fitted(runs)
    stamp = None if shown is None else stamp_of(folder, shown.sha256)
    used = set(runs.loc[runs["used"].astype(bool), "switch_unit"].astype(str))
    look = Look(
        time=now.isoformat(timespec="seconds"),
        units=len(used),
        planned=len(study.schedule.unit) if study.schedule else 0,
        interim=is_interim(study.schedule, runs, now),
        level=FULL_LEVEL,
        finding=None,
        data_sha256=_digest(runs),
        choices_sha256=fingerprint(now_choices),
    )
    spends = study.schedule is not None and study.schedule.spending != "none"
    if spends:
        look = replace(look, level=allowed_level(look, earlier))
    return Oversight(
        registered_at=None if shown is None else shown.at.isoformat(timespec="minutes"),
        registered_sha256=None if shown is None else shown.sha256,
        registered_late=late,
        registrations=len(entries),
        changes=()
        if shown is None
        else (*changes(shown.choices, now_choices), *arms_changed(study, folder)),
        stop_date=str(study.schedule.stop_date) if study.schedule else None,
        look=look,
        earlier=tuple(earlier),
        spends_alpha=spends,
        exclude_if=study.analysis.exclude_if
        if bound is None
        else tuple(bound.choices["analysis"].get("exclude_if", ())),
        promised=promise_that_counts(folder, first),
        stamped=stamp,
        stamp_late=stamp is not None and first is not None and _late(stamp, first),
    )


def _late(stamp: Stamped, first_fitted: dt.datetime) -> bool:
    start = first_fitted if first_fitted.tzinfo else first_fitted.astimezone()
    return dt.datetime.fromisoformat(stamp.at) >= start


def arms_changed(study: Study, folder: Path) -> tuple[str, ...]:
    """Units of an opened schedule whose arm in study.toml isn't the sealed one, in words."""
    schedule = study.schedule
    if schedule is None or schedule.sealed is None or schedule.shut:
        return ()
    sealed = opened_text(folder)
    if sealed is None or sealed.sha256 != schedule.sealed:
        return ()
    return tuple(differing(schedule, sealed))


def agreed_notes(
    study: Study, folder: Path | None, runs: pd.DataFrame
) -> tuple[Study, list[Warned]]:
    """The study with the noted covariates that were named before the data, and what to tell.

    Parameters
    ----------
    runs : DataFrame
        Columns `arm`, `start`.

    Raises
    ------
    InputError
        If the register was damaged.
    """
    named = study.analysis.noted_covariates
    if folder is None or not (named or study.analysis.covariates):
        return study, []
    bound = _bound(read_register(folder), runs)
    model, late = without_late_notes(study, bound)
    told = [
        Warned(
            "note-named-late",
            f"'{name}' of notes.csv stays out of the model: [analysis] names it, and the "
            "registration from before the first fitted run doesn't",
        )
        for name in late
    ]
    if named and bound is None:
        told.append(
            Warned(
                "note-not-registered",
                f"{', '.join(named)} of notes.csv may enter the model because noted_covariates in "
                "[analysis] says so; no registration shows that this was chosen before the data",
            )
        )
    return model, told


def control_named_late(study: Study, folder: Path | None, runs: pd.DataFrame) -> bool:
    """Whether a registration from before the first fitted run knows of no control car.

    Raises
    ------
    InputError
        If the register was damaged.
    """
    if folder is None or study.control is None:
        return False
    bound = _bound(read_register(folder), runs)
    return bound is not None and "control" not in bound.choices


def _bound(entries: Sequence[Entry], runs: pd.DataFrame) -> Entry | None:
    """The registration from before the first fitted run."""
    return binding(entries, _first_fitted(runs))


def _first_fitted(runs: pd.DataFrame) -> dt.datetime | None:
    fitted = runs.loc[runs["arm"] == "fitted", "start"].dropna()
    return None if fitted.empty else pd.Timestamp(fitted.min()).to_pydatetime()


def is_interim(schedule: Schedule | None, runs: pd.DataFrame, now: dt.datetime) -> bool:
    """Whether scheduled days are still to come, by the data and by the calendar."""
    stop = None if schedule is None else schedule.stop_date
    if schedule is None or stop is None or now.date() > stop:
        return False
    last = str(runs["day"].max())
    return any(str(day) > last for u in schedule.unit for day in (u.unit, *u.also))


def allowed_level(look: Look, earlier: Iterable[Look]) -> float:
    """Confidence of the interval that may decide at this look, given the looks before it."""
    share = look.units / max(look.planned, 1) if look.interim else 1.0
    before = {e.units / max(look.planned, 1) for e in earlier if e.interim}
    shares = [*sorted(s for s in before if 0 < s < share), share]
    return float(1 - nominal_levels(shares)[-1])


def oversight_warnings(oversight: Oversight, study: Study, runs: pd.DataFrame) -> list[Warned]:
    """What a reader must know about the plan: later edits, late registration, missing units."""
    out = []
    if oversight.look.interim:
        out.append(
            Warned(
                "interim",
                f"scheduled days are still to come (the last is {oversight.stop_date}), so this "
                "is an interim look; it is logged",
            )
        )
    if oversight.registered_late:
        out.append(
            Warned(
                "registered-late",
                f"the analysis was registered on {oversight.registered_at}, after the first "
                "fitted run: nothing shows that its choices were made before the data",
            )
        )
    out += [
        Warned("changed-after-registration", f"changed after it was registered: {c}")
        for c in oversight.changes
    ]
    if study.schedule is not None and not oversight.look.interim:
        used = set(runs.loc[runs["used"].astype(bool), "switch_unit"].astype(str))
        gone = [str(u.unit) for u in study.schedule.unit if str(u.unit) not in used]
        by_file = any(name not in {str(u.unit) for u in study.schedule.unit} for name in used)
        if gone and not by_file:
            out.append(
                Warned(
                    "unit-missing",
                    f"no usable run on {len(gone)} of {len(study.schedule.unit)} scheduled switch "
                    f"units ({', '.join(gone[:6])}{', …' if len(gone) > 6 else ''})",
                )
            )
    return out


def read_looks(folder: Path) -> list[Look]:
    """All looks in order.

    Raises
    ------
    InputError
        If a line can't be read.
    """
    path = folder / LOOKS
    if not path.is_file():
        return []
    looks = []
    for i, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        try:
            looks.append(Look(**json.loads(line)))
        except (ValueError, TypeError) as e:
            raise InputError(
                f"{path}: line {i} can't be read: put back the copy that roadlog wrote"
            ) from e
    return looks


def log_look(folder: Path, oversight: Oversight, finding: Finding) -> bool:
    """Append this look, unless the last one saw the same data by the same choices.

    Returns
    -------
    bool
        Whether a line was appended.
    """
    look = replace(oversight.look, finding=finding.word)
    last = oversight.earlier[-1] if oversight.earlier else None
    if last is not None and replace(last, time=look.time) == look:
        return False
    path = folder / LOOKS
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a", encoding="utf-8") as f:
        f.write(json.dumps(asdict(look), ensure_ascii=False) + "\n")
    return True


def _digest(runs: pd.DataFrame) -> str:
    """SHA-256 of the logs, and of the noted deviations that set some of them aside."""
    noted = [str(r) if getattr(r, "code", None) is OfRun.DEVIATION else "" for r in runs["reason"]]
    told = sorted(sha + why for sha, why in zip(runs["sha256"], noted, strict=True))
    return hashlib.sha256("\n".join(told).encode()).hexdigest()
