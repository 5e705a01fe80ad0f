"""Whether the driver knew the arm: the seal, its opening, and the daily guesses of a study.

A finished analysis goes in, and comes out with its `Blinding`. The seal is held against the times
of the drives, the guesses against the orders that chance could have drawn.
"""

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.analysis.driven import noted_by_driver
from roadlog.analysis.result import Analysed
from roadlog.plan.looks import arms_changed
from roadlog.plan.register import Entry, binding, read_register
from roadlog.plan.result import Blinding, Kept
from roadlog.plan.schedule import redraw
from roadlog.plan.seal_log import opened_text, opening
from roadlog.quantities.arms import ARMS
from roadlog.quantities.facts import Warned
from roadlog.runs.guesses import guesses, guesses_sha256
from roadlog.runs.table import Sources
from roadlog.stats.blinding import blinding_index, right_by_chance
from roadlog.stats.randomise import Assignments, assignments
from roadlog.study.settings import Study

LEAST_P = 0.05  # below, guesses are right more often than chance


def with_blinding(analysed: Analysed, sources: Sources) -> Analysed:
    """The analysis with what its study's folder tells of the driver's knowledge.

    Raises
    ------
    InputError
        If a record of the seal, or the notes, can't be read.
    """
    study, runs = analysed.study, analysed.runs
    if sources.root is None:
        return analysed
    notes = noted_by_driver(study, sources, runs)
    said = guesses(notes, runs, labels_of(study))
    warned = tuple(Warned("guess-not-read", d) for d in said.doubts)
    seal = _seal(study, sources.root, runs, notes)
    guess = unit_guesses(runs, said.said)
    guess = guess[[u not in seal.after_opening for u in guess.index]]
    if seal.kept == "not sealed" and not len(guess):
        return replace(analysed, warnings=(*analysed.warnings, *warned))
    found = _with_guesses(seal, study, runs, guess)
    return replace(analysed, blinding=found, warnings=(*analysed.warnings, *warned))


def labels_of(study: Study) -> dict[str, str]:
    """The study's own words for the arms."""
    return {str(arm): label for arm, label in study.labels.items()}


def unit_guesses(runs: pd.DataFrame, said: pd.Series) -> pd.Series:
    """The guess of each switch unit that has one: what most of its runs say, 0 for a draw.

    Parameters
    ----------
    runs : DataFrame
        Columns `run`, `switch_unit`.
    said : Series
        By run: 1 in, -1 out, 0 don't know, NaN none.
    """
    by_run = runs["run"].map(said)
    mean = by_run.groupby(runs["switch_unit"].astype(str), sort=False).mean()
    told = mean.dropna()
    return pd.Series(np.sign(told.to_numpy(dtype=float)), index=told.index)


def _seal(study: Study, folder: Path, runs: pd.DataFrame, notes: pd.DataFrame | None) -> Blinding:
    """What the seal's records tell, before any guess."""
    entries = read_register(folder)
    starts = runs["start"].dropna()
    first = None if starts.empty else _aware(starts.min())
    bound = binding(entries, first)
    sha256 = None if study.schedule is None else study.schedule.sealed
    units = int(runs["switch_unit"].nunique())
    if study.schedule is None or sha256 is None:
        once = any(_sealed_in(e) for e in entries)
        return Blinding("seal dropped" if once else "not sealed", units=units)
    first_entry = next((e for e in entries if _sealed_in(e) == sha256), None)
    event, text = opening(folder, sha256), opened_text(folder)
    late = () if event is None else _driven_after(runs, event.time)
    kept: Kept = "blind"
    if event is not None and text is None and not entries:
        kept = "not shown"  # published on a shifted clock: the sealed text has the true dates
    elif event is None or text is None or text.sha256 != sha256:
        kept = "no opening"
    elif runs["start"].isna().any():
        kept = "undated"
    elif bound is None or _sealed_in(bound) != sha256:
        kept = "sealed late"
    elif late:
        kept = "opened early"
    elif study.analysis.driver_knew_arm or not study.plan.switched_by_other:
        kept = "said to know"
    elif event.guesses_sha256 != guesses_sha256(notes, labels_of(study)):
        kept = "guesses changed"
    return Blinding(
        kept,
        sealed_at=None if first_entry is None else first_entry.at.isoformat(timespec="minutes"),
        opened_at=None if event is None else event.at,
        sha256=sha256,
        units=units,
        after_opening=late,
        dummy_days=0 if text is None else sum(u.dummy for u in text.units),
        arms_changed=arms_changed(study, folder),
    )


def _sealed_in(entry: Entry) -> str | None:
    found = (entry.choices.get("schedule") or {}).get("sealed")
    return None if found is None else str(found)


def _driven_after(runs: pd.DataFrame, opened: dt.datetime) -> tuple[str, ...]:
    """Switch units with a run that began after the opening."""
    dated = runs[runs["start"].notna()]
    after = [_aware(start) > opened for start in dated["start"]]
    return tuple(dict.fromkeys(dated["switch_unit"].astype(str)[after]))


def _aware(start: pd.Timestamp) -> dt.datetime:
    """A log's time as this computer's local time, as registrations are held against it."""
    moment: dt.datetime = pd.Timestamp(start).to_pydatetime()
    return moment if moment.tzinfo else moment.astimezone()


def _with_guesses(
    seal: Blinding, study: Study, runs: pd.DataFrame, guess: "pd.Series[float]"
) -> Blinding:
    """The seal's record with the guesses in it, and what they do to the word."""
    unit = runs.drop_duplicates("switch_unit").assign(unit=runs["switch_unit"].astype(str))
    unit = unit.set_index("unit")
    arm = unit.loc[guess.index, "arm"]
    counted = []
    for name in ARMS:
        said = guess[(arm == name).to_numpy()] * (1 if name == "fitted" else -1)
        counted.append(
            (name, blinding_index(*(int((said == value).sum()) for value in (1, -1, 0))))
        )
    p = None
    if study.randomised and len(guess):
        orders = _orders(study, list(guess.index), arm, unit.loc[guess.index, "block"])
        p = right_by_chance(guess.to_numpy(), orders)
    kept = seal.kept
    if kept == "blind" and p is not None and p < LEAST_P:
        kept = "guessed right"
    return replace(seal, kept=kept, guesses=tuple(counted), right_p=p)


def _orders(study: Study, units: list[str], arm: pd.Series, block: pd.Series) -> Assignments:
    """The orders that chance could have drawn for the units with a guess."""
    rng = np.random.default_rng(study.seed)
    drawn = None if study.schedule is None else redraw(study.schedule, units, rng)
    if drawn is not None and np.array_equal(drawn.arms[0], (arm == "fitted").to_numpy()):
        return drawn
    return assignments((arm == "fitted").astype(int).to_numpy(), block.astype(str).tolist(), rng)
