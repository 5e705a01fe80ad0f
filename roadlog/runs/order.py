"""How the order of arms came about: chance, blocks, and whether days can be believed as units.

The run table of `roadlog.runs.table.build_runs` and the user's word go in; the table with its
blocks and switch units comes out.
"""

import pandas as pd

from roadlog.errors import InputError
from roadlog.quantities.against import Against
from roadlog.quantities.facts import Veto, Warned
from roadlog.runs.notes import note_headings, noted
from roadlog.runs.table import BY_NAME, Sources
from roadlog.runs.undated import GIVE
from roadlog.study.settings import Order, Study, SwitchedBy


def order_warnings(runs: pd.DataFrame) -> list[Warned]:
    """What told the order of runs where not every log has a date."""
    told_by = runs.attrs.get("told_by", "")
    if not told_by:
        return []
    told = f"not every log has a date, so runs stand in the order of {told_by}"
    return [Warned("runs-without-date", told)]


def unknown_order(runs: pd.DataFrame, order: Order | None) -> list[str]:
    """Why runs in the order of their names get no firm finding; empty where it needn't be known.

    Where chance drew runs one by one over the whole study or in named blocks a wrong order costs
    width alone. Else names that take turns would make a before and after study one of turns.
    """
    if runs.attrs.get("told_by", "") != BY_NAME or order in ("lots", "blocks"):
        return []
    return [
        Veto(
            "undecided: not every log has a date, so nobody knows in which order the add-on went "
            f"in and out: {GIVE}",
            Against.NO_DATES(),
        )
    ]


def drawn_by_chance(study: Study, order: Order | None, randomised: bool | None) -> bool:
    """Whether chance decided the order of arms, by the user's word or the schedule's.

    Raises
    ------
    InputError
        If the user tells an order and the study has a schedule that tells it already.
    """
    if order is None:
        return study.randomised if randomised is None else randomised
    if study.schedule is not None:
        raise InputError(
            f"--order {order}: the study's [schedule] says already how the order came about; "
            "leave one of them out"
        )
    return order in ("lots", "pairs", "blocks")


def by_order(
    runs: pd.DataFrame,
    order: Order | None,
    sources: Sources,
    notes: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """The run table with the blocks that the user's word on the order of arms gives.

    Parameters
    ----------
    runs : DataFrame
        Of `build_runs`, in order of start.
    order : {"lots", "pairs", "blocks", "turns", "none"}, optional
        How the order came about; None keeps the schedule's own blocks. `pairs`: neighbouring
        switch units, two by two, tossed for. `blocks`: as a column `block` of the list of runs or
        of the notes says, else the folder of each file inside its pile (out/block1, in/block1).
        `lots` (one draw for the whole test), `turns` and `none` have no blocks.
    notes : DataFrame, optional
        As `roadlog.runs.notes.read_notes` reads them.

    Raises
    ------
    InputError
        If a pair or block doesn't hold both arms, or files lie in no folder of a block.
    """
    if order is None:
        return runs
    if order == "pairs":
        place = {u: i for i, u in enumerate(runs["switch_unit"].unique())}
        block = runs["switch_unit"].map(lambda u: f"pair {place[u] // 2 + 1}")
        odd = f"pair {len(place) // 2 + 1}" if len(place) % 2 else ""
        _require_both(runs.assign(block=block), "pair", spared=odd)
        return runs.assign(block=block)
    if order == "blocks":
        told = _told_blocks(runs, notes)
        block = (
            told if told is not None else runs["log"].map(lambda i: sources.runs[i][0].parent.name)
        )
        _require_both(runs.assign(block=block), "block")
        return runs.assign(block=block)
    return runs.assign(block="")


def in_periods(runs: pd.DataFrame, by_chance: bool) -> bool:
    """Whether the arms came in two or three unbroken stretches, and chance didn't draw that.

    >>> runs = pd.DataFrame({"arm": ["baseline", "fitted", "baseline"]})
    >>> in_periods(runs, False), in_periods(runs, True)
    (True, False)
    """
    return not by_chance and int((runs["arm"] != runs["arm"].shift()).sum()) in (2, 3)


def days_within_periods(runs: pd.DataFrame) -> pd.DataFrame:
    """The run table with days as units, for a car that a control car drove beside.

    What days share with their neighbours is then allowed for by `roadlog.stats.periods`. `period`
    numbers the stretches: a washout runs on from one day to the next.
    """
    period = (runs["arm"] != runs["arm"].shift()).cumsum()
    return runs.assign(switch_unit=runs["day"].astype(str), block="", period=period)


def since_switch(runs: pd.DataFrame) -> pd.Series:
    """What each run belongs to, within which distance counts since the switch."""
    return runs["period"] if "period" in runs else runs["switch_unit"]


def believed_units(
    runs: pd.DataFrame, switched_by: SwitchedBy, by_chance: bool
) -> tuple[pd.DataFrame, list[Warned]]:
    """The run table, days put together into stretches where days can't be believed as trials.

    Without chance in the order, n days count one by one only if the arm changed at least
    (n - 1)/2 times, rounded down: neighbouring days are alike, and long stretches that are called
    days pass that likeness off as replication. Measured in docs/calibration.md.
    """
    if switched_by != "day" or by_chance:
        return runs, []
    arms = runs.groupby("switch_unit", sort=False)["arm"].first()
    changes, least = int((arms != arms.shift()).sum()) - 1, (len(arms) - 1) // 2
    if changes >= least:
        return runs, []
    stretch = (runs["arm"] != runs["arm"].shift()).cumsum()
    told = (
        f"the arm changed {changes} time{'s' * (changes != 1)} in {len(arms)} days, and chance "
        f"didn't draw the order: days count one by one from {least} changes on, so each unbroken "
        "stretch in one arm counts as one switch unit"
    )
    units = [f"stretch {n}" for n in stretch]
    return runs.assign(switch_unit=units, block=""), [Warned("days-are-stretches", told)]


def _told_blocks(runs: pd.DataFrame, notes: pd.DataFrame | None) -> "pd.Series[str] | None":
    """Each run's block by the list of runs or the notes' column `block`; None without either.

    Raises
    ------
    InputError
        If some runs have a block there and others none, or a switch unit has two.
    """
    block, where = runs["block"].astype("str"), "the list of runs"
    heads = {} if notes is None else note_headings(notes)
    if notes is not None and "block" in heads and not (block != "").any():
        told = noted(notes, runs, notes[heads["block"]])
        block = pd.Series(told.fillna("").astype("str").str.strip().to_numpy(), index=runs.index)
        where = "notes.csv"
    if not (block != "").any():
        return None
    if (block == "").any():
        lost = runs.loc[block == "", "file"].iloc[0]
        raise InputError(
            f"{lost}: {where} tells the block of other runs and not of this one: add it"
        )
    several = block.groupby(runs["switch_unit"]).nunique()
    if (several > 1).any():
        raise InputError(
            f"{several.index[several > 1][0]}: {where} puts its runs into two blocks, though they "
            "were switched together: correct one"
        )
    return block


def _require_both(runs: pd.DataFrame, what: str, spared: str = "") -> None:
    arms = runs.groupby("block", sort=False)["arm"].nunique()
    lone = [b for b in arms.index[arms < 2] if b != spared]
    if lone:
        files = runs.loc[runs["block"] == lone[0], "file"]
        raise InputError(
            f"{lone[0]} ({files.iloc[0]}{', …' if len(files) > 1 else ''}) holds one arm only, "
            f"though each {what} was said to hold both"
            + (
                ": put the logs of each block into a folder of the same name in both piles "
                "(out/block1, in/block1), or name it in a column 'block' of --runs or notes.csv"
                if what == "block"
                else ": say --order none, or lots if one draw decided the whole test"
            )
        )
