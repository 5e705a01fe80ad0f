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


class OfIntake(Kind):
    """What would become of a file that is taken in."""

    ALREADY = "in the study already, as {place}: left out"
    FILE = "{start}, {minutes} min, {rows} rows, {what}"
    NO_DATE = "no date"
    POSITIONS = "positions"
    ARM = "{arm} ({why})"
    ARM_NOT_TOLD = "arm not told"
    AS_SAID = "as said"
    SCHEDULED = "schedule, {unit}"
    SEALED = "sealed schedule, {unit}"
    DRIVES = "{n} drives"
    DRIVES_TOGETHER = "{n} drives; --split makes each a run"
    DRIVE = "drive {number}: {start} to {end}{km}{arm}{then}"
    KM = ", {km} km"
    OF_ARM = ", {arm}"
    THEN = "; then {why}"
    TARGET = "to {place}"
    NOTE = "note: {why}"


class OfRun(Kind):
    """Why a run is set aside."""

    DEVIATION = "deviation noted: {word}"
