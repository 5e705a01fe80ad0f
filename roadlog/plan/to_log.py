"""What to log for this kind of add-on, and when to refuel, in sentences for the sheet.

Where the add-on acts and the fuel go in; which fuel figures show it by themselves, which only with
trims, and which only beside measured fuel come out, as `roadlog.fuel.sight` has it.
"""

from roadlog.fuel.sight import sight_of, sight_word
from roadlog.study.settings import Study

_SIGNALS = {
    "rate": "engine fuel rate",
    "injection": "injected quantity",
    "maf": "air flow",
    "maf-trims": "air flow with trims",
    "absolute-load": "absolute load",
    "speed-density": "manifold pressure with intake temperature and revs",
}
_OF_DIESEL = ("rate", "injection")
_PLACES = {
    "intake": "the intake",
    "fuel": "the fuel",
    "oxygen-sensor": "an oxygen sensor",
    "electrical": "the electrical supply",
    "aero-or-rolling": "air or rolling drag",
    "other": "neither intake nor fuel nor sensors",
}


def log_lines(study: Study) -> list[str]:
    """What the logger has to hold so that the fuel figure can show this add-on."""
    place = study.device.acts_on
    by_word: dict[str, list[str]] = {}
    for figure, word in _words(study).items():
        by_word.setdefault(word, []).append(_SIGNALS[figure])
    if set(by_word) == {"yes"}:
        any_of = ", or ".join(by_word["yes"])
        where = "somewhere" if place is None else f"on {_PLACES[place]}"
        said = (
            f"Speed, revs, and one of these, which all show an add-on that acts {where}: {any_of}."
        )
        return [said]
    lines = []
    if place is None:
        lines.append(
            "Say in study.toml where it acts (acts_on): what has to be logged hangs on it."
        )
    for word, lead in (
        ("yes", "Best"),
        ("with trims", "Best, with short and long trims of every bank"),
        ("if trims alike", "Counts only if the trims, logged too, turn out alike in both arms"),
        ("measured fuel", "Counts only beside fuel that is filled or weighed"),
        ("refused", "Not used for such an add-on"),
    ):
        if word in by_word:
            lines.append(f"{lead}: {', '.join(by_word[word])}.")
    return lines


def tanks_must_differ(study: Study) -> bool:
    """Whether measured fuel may have to show that the figure isn't bent.

    A tank that holds both arms alike says how good the figure is, but nothing between the arms.
    """
    return set(_words(study).values()) != {"yes"}


def _words(study: Study) -> dict[str, str]:
    """The table's word for each figure of this engine; a diesel's air says nothing of fuel."""
    place = study.device.acts_on
    if study.vehicle.fuel != "diesel":
        return {f: sight_word(sight_of(place, f)) for f in _SIGNALS}
    follows = {f: sight_of(place, f).diesel_follows for f in _OF_DIESEL}
    return {f: "yes" if yes else "measured fuel" for f, yes in follows.items()}
