"""What is told of a log's fuel signals: the codes, each with its sentence."""

from roadlog.quantities.facts import Kind


class TwoDigits(float):
    """A number that is shown with two digits, from ten on whole."""

    def __format__(self, style: str) -> str:
        return float.__format__(self, style or (".0f" if self >= 9.95 else ".2g"))


class Use(Kind):
    """Fuel use by the bare signal."""

    PER_DISTANCE = "{use} L/100 km"
    PER_HOUR = "{use:.2g} L/h"


class Odd(Kind):
    """What no engine burns, and what the signals of a sound one don't show."""

    LEAN = (
        'a λ of {lean:.2g} and more is no petrol engine\'s: set fuel = "diesel" and log the engine '
        "fuel rate, because its air says nothing of its fuel"
    )
    TOO_LITTLE = "its fuel ({use}) is less than any engine burns for this driving"
    TOO_MUCH = "its fuel ({use}) is more than the engine burns for this driving"
    TOO_EFFICIENT = "its fuel ({use}) would make the engine {pct:.0f} % efficient"
    OVERFILLED = "its cylinders would fill to {pct:.0f} %"
    UNTHROTTLED = "its cylinders would fill to {pct:.0f} % at idle"
    TOO_MUCH_AIR = "its air is {times:.2g} times what its fuel rate burns"
    UNLIKE_OTHERS = (
        "its fuel ({use}) is {times:.2g} times that of the other runs for like driving and "
        "{at_rest:.2g} times at a stand"
    )
    CHECK_UNIT = "{fault}: check the unit of {signal}, and the engine's size and fuel in [vehicle]"
    READ_AS = "{fault}; {signal} read as {a} it would be {use_a}: name the unit"
    READ_AS_TWO = (
        "{fault}; {signal} read as {a} it would be {use_a}, as {b} it would be {use_b}: name the "
        "unit"
    )
    READ_AS_THREE = (
        "{fault}; {signal} read as {a} it would be {use_a}, as {b} it would be {use_b}, as {c} it "
        "would be {use_c}: name the unit"
    )
    IF_DIESEL = (
        '{fault}; if it is a diesel, set fuel = "diesel" and log the engine fuel rate, because its '
        "air says nothing of its fuel"
    )

    LAMBDA = (
        "commanded λ lies outside {low:g} to {high:g} for {share:.0%} of the time, which no petrol "
        "engine is run at: those readings don't count"
    )
    STRAINED = (
        "a short-term fuel trim lies beyond ±{pct:g} % for {share:.0%} of the time, which no sound "
        "engine needs: look at this log (roadlog check)"
    )
    STATUS_STICKS = "the fuel-system status never moves from 'open loop', so it isn't believed"
    TRIMS_APART = (
        "the fuel trims differ by {pct:+.1f} % from those of the arm's other runs, and move this "
        "run's fuel by as much where they are counted: look at this log (roadlog check)"
    )
