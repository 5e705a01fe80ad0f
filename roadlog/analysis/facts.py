"""What is told of runs, tanks and cans as they are metered: the codes, each with its sentence."""

from roadlog.quantities.facts import Kind


class NotUsed(Kind):
    """Why a run, a tank or a can isn't used."""

    NO_SPEED = "no vehicle speed in the log"
    SHORT = "only {km:.2f} km driven"
    NO_FUEL = "no fuel flow could be computed"
    NO_PASS = "no usable pass: {why}"
    NO_SEGMENT = "drives none of the study's segments"
    NO_ODOMETER = "no odometer reading at both ends"
    ODOMETER_STILL = "the odometer didn't move"
    NO_ARM = "no arm: give the fill's arm or unit, or a schedule of days"
    BOTH_ARMS = "both arms in one tank"


class Righted(Kind):
    """What was put right in a log."""

    POSITION_CLOCK = "the position clock was {seconds:+.0f} s off the car's and was put right"
