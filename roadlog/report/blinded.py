"""Who knew the arm, in sentences: the seal, its opening, the daily guesses.

A finished analysis goes in. The word "blind" comes out only where `Blinding.blind` allows it;
whatever else a study says of its driver is told as its word, not as a fact.
"""

from roadlog.analysis.result import Analysed
from roadlog.plan.result import Blinding
from roadlog.wording.numbers import signed
from roadlog.wording.screen import typeset

_LISTED = 6


def who_knew(analysed: Analysed) -> str:
    """Who knew which arm a drive belonged to, and what shows it."""
    b = analysed.blinding
    said = _said(analysed.study.analysis.driver_knew_arm)
    if b is None or b.kept == "not sealed":
        parts = [said]
    else:
        parts = [*_of_seal(b), *_more(b)]
    if b is not None:
        parts += guess_sentences(analysed)
    return typeset(" ".join(parts))


def _said(knew: bool | None) -> str:
    if knew is None:
        return "The study doesn't say whether the driver knew which arm a drive belonged to."
    if knew:
        return "The driver knew which arm a drive belonged to."
    return (
        "The study says that the driver didn't know which arm a drive belonged to; nothing here "
        "shows it."
    )


def _of_seal(b: Blinding) -> list[str]:
    sealed, opened = _when(b.sealed_at), _when(b.opened_at)
    seal = (
        f"Chance drew the order for the switcher alone: sealed on {sealed}, before the first run, "
        f"and opened on {opened}"
    )
    clock = "by the clocks of that computer and of the logs"
    if b.kept == "blind":
        return [f"Blind. {seal}, after the last ({clock})."]
    if b.kept == "guessed right":
        return [
            f"{seal}, after the last ({clock}). All the same the daily guesses are right more "
            "often than chance would have it, so the driver may well have known."
        ]
    if b.kept == "guesses changed":
        return [
            f"{seal}, after the last; but the guesses in notes.csv aren't those that stood there "
            "at the opening, so nothing shows that the driver couldn't tell."
        ]
    if b.kept == "said to know":
        return [f"{seal}, after the last; but the study says that the driver knew the arm."]
    if b.kept == "opened early":
        shown = ", ".join(b.after_opening[:_LISTED]) + (
            ", …" if len(b.after_opening) > _LISTED else ""
        )
        return [
            f"{seal}, with {len(b.after_opening)} of {b.units} switch units still to be driven "
            f"({shown}): whoever read study.toml knew the arm of these."
        ]
    return [
        {
            "sealed late": "The order was sealed, but no registration from before the first run "
            "holds the seal: nothing shows that the driver didn't know the arm.",
            "undated": "The order was sealed, but not every run has a date: nothing shows that it "
            "was opened after the last one.",
            "no opening": "The order was sealed, but no opening by the sealed file is on record "
            "(roadlog unseal): nothing shows that the arms in study.toml are those drawn, nor "
            "that the driver didn't know them.",
            "not shown": "The order was sealed for the switcher alone; neither the sealed text nor "
            "a registration is shown here, so that the driver didn't know the arm is the author's "
            "word.",
            "seal dropped": "The order was once registered as sealed, and study.toml has another "
            "one now: nothing shows that the driver didn't know the arm.",
        }[b.kept]
    ]


def _more(b: Blinding) -> list[str]:
    parts = []
    if b.dummy_days:
        days = "1 switch unit" if b.dummy_days == 1 else f"{b.dummy_days} switch units"
        parts.append(f"On {days} without it the switcher only acted as if to fit it.")
    if b.arms_changed:
        parts.append(
            f"The arm of {len(b.arms_changed)} of {b.units} switch units was changed by hand after "
            "the opening; each is listed under changes."
        )
    if b.kept in ("blind", "guessed right"):
        parts.append(
            "No record can show that nobody told the driver, or looked into the switcher's file."
        )
    return parts


def guess_sentences(analysed: Analysed) -> list[str]:
    """What the driver guessed, with Bang's index by arm and what it means."""
    b = analysed.blinding
    if b is None:
        return []
    if not b.guessed:
        return [
            "No daily guess was noted, so nothing tells whether the driver could tell the arm by "
            "driving."
        ]
    parts = []
    for arm, g in b.guesses:
        if g.index is None or g.low is None or g.high is None:
            continue
        parts.append(
            f"{analysed.study.label(arm)}: {g.right} right, {g.wrong} wrong, {g.unsure} don't "
            f"know, index {signed(g.index, 2)} ({signed(g.low, 2)} to {signed(g.high, 2)})"
        )
    text = (
        f"The driver's guesses, by Bang's index (95 %; 0 is chance, +1 always right, "
        f"-1 always wrong). {'; '.join(parts)}."
    )
    return [text, *_habit(b), *_chance(b)]


def _habit(b: Blinding) -> list[str]:
    index = [g.index for _, g in b.guesses if g.index is not None]
    if len(index) == 2 and min(index) < -0.2 and max(index) > 0.2:
        return ["One index up and the other down is a habit of saying one answer, not knowledge."]
    return []


def _chance(b: Blinding) -> list[str]:
    if b.right_p is None:
        return []
    often = "fewer than 1" if b.right_p < 0.01 else f"{100 * b.right_p:.0f}"
    return [
        f"Of the orders that chance could have drawn, {often} of 100 make these guesses as right "
        "as they were, or more."
    ]


def _when(at: str | None) -> str:
    return "an unknown day" if at is None else at[:16].replace("T", " ")
