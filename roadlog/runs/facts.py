"""What is told of runs: the codes, each with its sentence."""

from roadlog.quantities.facts import Kind


class OfTaking(Kind):
    """Why a log can't be taken in until something is said of it."""

    ARM_OPEN = (
        "{file}: its arm is unknown, no switch unit is scheduled {when}: say "
        "--arm baseline or --arm fitted"
    )
    ARM_SEALED = (
        "{file}: the schedule is sealed, so its arm isn't to be said: leave out "
        "--arm; if the driver found it out, write so into the remarks of notes.csv"
    )
    SPLIT = "{file}: its {n} drives belong to {both}: take it with --split"


class OfRun(Kind):
    """Why a run is set aside."""

    DEVIATION = "deviation noted: {word}"
