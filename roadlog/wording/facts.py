"""The sentences of an answer and what they are put together from: a code each, with values.

`answer` makes them; the English is made where it is printed, another language beside it by the
bench's catalogue. `roadlog.quantities.against` has the clauses that forbid a firm word.
"""

from roadlog.quantities.facts import Kind


class Told(Kind):
    """What an answer says."""

    # the test, and where it holds
    TEST = "this test"
    SYNTHETIC_TEST = "this synthetic test"
    POOL = "this pool of {tests} tests"
    SYNTHETIC_POOL = "this pool of {tests} synthetic tests"
    HERE = "in this car on these roads"
    THERE = "on average over these cars and roads"
    AT = ", {where}"

    # sizes and sides; each size is a number with its percent sign
    UNDER = "under {size}"
    LESS = "{size} less"
    MORE = "{size} more"
    LESS_FUEL = "{size} less fuel"
    MORE_FUEL = "{size} more fuel"
    NONE = "no change"

    # the claim
    BETTER_MILEAGE = "{size} better mileage"
    WORSE_MILEAGE = "at most {size} worse mileage"
    AT_MOST_MORE_FUEL = "at most {size} more fuel"
    NO_WORSE_MILEAGE = "no worse mileage"
    NO_EXTRA_FUEL = "no extra fuel"
    IN_FUEL = "{own} ({change})"
    CLAIMED = "the claimed {claim}"
    CLAIM_OF = "the claim of {claim}"

    # titles
    TITLE_NO_CHANGE = "Fuel with the {name}: {test} shows no change"
    TITLE_LESS = "Fuel with the {name}: {test} shows less fuel"
    TITLE_MORE = "Fuel with the {name}: {test} shows more fuel"
    TITLE_RUNNING = "Fuel with the {name}: {test} is not over yet"
    TITLE_NO_ANSWER = "Fuel with the {name}: {test} gives no answer"
    RULED_OUT = "{claim}: ruled out by {test}"
    BORNE_OUT = "{claim}: borne out by {test}, {where}"
    NOT_SETTLED = "{claim}: not settled by {test}"
    NO_ANSWER = "{claim}: no answer from {test}"
    NOT_DECIDED = "{claim}: not decided yet, {test} is still running"

    # the range
    SPAN_NONE = "No change"
    SPAN_WITHIN = "Within {step} of {side}"
    SPAN_BOTH = "Between {low} less and {high} more fuel"
    SPAN_MORE = "Between {low} and {high} more fuel"
    SPAN_NONE_TO_MORE = "Between no change and {high} more fuel"
    SPAN_LESS = "Between {high} and {low} less fuel"
    SPAN_LESS_TO_NONE = "Between {low} less fuel and no change"

    # of zero
    SHOWS_LESS = "{span}: {test} shows less fuel, {where}."
    SHOWS_MORE = "{span}: {test} shows more fuel, {where}."
    SHOWS_NO_CHANGE = "{span}: {test} shows no change."
    CHANGE_FORBIDDEN = "{span}, but {why}: {test} doesn't show that fuel use changed."
    WITHIN_MARGIN = (
        "{span}, at the least no more than unequal driving or air could make: {test} shows no "
        "change."
    )

    # of the claim
    PARTLY = (
        "It neither rules out nor bears out {claim}: part of that range reaches it, part doesn't."
    )
    AGAINST_BELOW = (
        "It neither rules out nor bears out {claim}: what stands against it is told below."
    )
    RULES_OUT = "It {just}rules out {claim}{more}{at}."
    BEARS_OUT = "It {just}bears out {claim}{at}."
    ONLY_JUST = "only just "
    ANY_SAVING = ", and any saving"

    # what is left open
    LEFT_BOTH = "It can't rule out a saving {saving}, nor extra fuel {extra}{also}."
    LEFT_SAVING = "It can't rule out a saving {saving}{also}."
    LEFT_EXTRA = "It can't rule out extra fuel {extra}{also}."
    LEFT_SAVING_OR_NONE = "It can't rule out a saving {saving}, nor that nothing changed{also}."
    LEFT_EXTRA_OR_NONE = "It can't rule out extra fuel {extra}, nor that nothing changed{also}."
    HOW_MUCH_LESS = "It can't tell how large the saving is within that range{also}."
    HOW_MUCH_MORE = "It can't tell how large the extra fuel is within that range{also}."
    ALSO_ONE = " ({one} if driving and air weren't held quite equal)"
    ALSO_TWO = " ({one} and {two} if driving and air weren't held quite equal)"
    ALSO_RANGE = " ({low} to {high} if driving and air weren't held quite equal)"
    NO_CLAIM = "No claim was given to hold it against."
    ONLY_MEASURED = (
        "Only fuel and distance were measured, so weather and traffic are part of the range."
    )

    # a look before the end
    DAYS = "{test} isn't over: {units} of {planned} planned days are in"
    DRIVES = "{test} isn't over: {units} of {planned} planned drives are in"
    STRETCHES = "{test} isn't over: {units} of {planned} planned stretches are in"
    UNITS = "{test} isn't over: {units} of {planned} planned switch units are in"
    PROGRESS = "{progress}."
    LOOK_DECIDES = "{progress}; its plan lets this look decide."
    TOO_EARLY = "Nothing may be said so early."
    MAY_MOVE = "So far its figures run from {low} to {high}, and they can still move either way."
    UNDECIDED = "Nothing is decided before it is over."
    UNDECIDED_ON = "Nothing is decided on {claim} before it is over."

    # no answer
    GIVES_NONE = "{test} gives no answer"
    GIVES_NONE_ON = "{test} gives no answer on {claim}"
    FOR_ONE = "{gives}: {why}."
    FOR_TWO = "{gives}: {why}; and {and_why}."
    FOR_MORE = "{gives}: {why}; and {and_why}; and {n} more [reason|reasons], told below."
    FIGURES = "Its figures run from {low} to {high}, but no conclusion may rest on them."
    NEITHER_CLAIM = "It neither rules the claim out nor bears it out."
    NEITHER_CHANGE = "It tells neither that fuel use changed nor that it didn't."
    NO_FIGURE = "no change of fuel use could be computed from these data"
    ONE_CHANGE = (
        "the change was made only once, so nothing tells the add-on from whatever else changed "
        "then, "
        "such as weather, tyres or fuel"
    )
    TOO_FEW = (
        "the add-on went in and out too few times to show how much the car's fuel use varies by "
        "itself"
    )
    FEW_TOGETHER = (
        "both cars drove on too few days in one of the periods, with or without the add-on"
    )
    DRIVE_TOGETHER = "To tell, drive both cars on four days or more of each period."
    SECOND_CAR = "To tell, drive a second car that never gets it beside this one, before and after."
    SWITCH_AGAIN = "To tell, switch it in and out again, in an order that chance draws."
    SWITCH_MORE = "To tell, switch it in and out more often, in an order that chance draws."


class ToldOfMany(Kind):
    """What an answer says over many vehicles, and of the next one."""

    FLEET = "this test of {vehicles} vehicles"
    SYNTHETIC_FLEET = "this synthetic test of {vehicles} vehicles"
    IN_FLEET = "in these {vehicles} vehicles on average"
    TOO_FEW = "too few vehicles count to show how much vehicles vary by themselves"
    TEST_MORE = "To tell, test more vehicles."
    WITHOUT_ONE = "without one of the vehicles the range would reach no change"
    APART = "vehicles unlike the others make it, and without them the range would reach no change"
    MIDDLE = "the middle vehicle's own change lies on the other side"
    NEXT_VEHICLE = "the next vehicle like these"
    NEXT_CAR = "the next car like these"
    NEXT_UNKNOWN = "What {one} would get can't be told from {test}."
    NEXT = "{span} for {one}."
    NEXT_NONE = "{span} for {one}: nothing in that range reaches {claim}."
    NEXT_ALL = "{span} for {one}: all of that range reaches {claim}."
    NEXT_PART = "{span} for {one}: part of that range reaches {claim}, part doesn't."
    NEXT_FIGURES = "For {one} the figures run from {low} to {high}; no conclusion may rest on them."
