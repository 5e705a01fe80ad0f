"""What forbids a firm word, each as a clause in plain words, without statistics or figures.

They complete "this test gives no answer: …" and "…, but …: this test doesn't show …".
"""

from roadlog.quantities.facts import Kind


class Against(Kind):
    """Why nothing may be concluded."""

    TOLD_BELOW = "something stands against its figures that is told below"
    ONCE = (
        "the change was made only once, so nothing tells the add-on from whatever else changed then"
    )
    LEFT_FOR_GOOD = (
        "the add-on is said to leave something in the car for good, and some driving without it "
        "came after it"
    )
    NO_DATES = "not every log has a date, so nobody knows in which order the add-on went in and out"
    ON_MARGIN = "it would hang on how well driving and air were held equal"
    ON_ORDERS = (
        "the same drives, dealt out to the add-on by chance in another order, would look as clear "
        "too often"
    )
    ON_MODELS = "two ways of holding the driving equal tell different things"
    NOT_COMPARABLE = "driving with and without the add-on can't be made comparable from these logs"
    DROVE_OTHERWISE = "the car was driven too differently with the add-on and without it"
    LITTLE_ROAD = "too little of the road driven could be used"
    WHEELS = "by the logged speed the same road has another length with the add-on than without it"
    OTHER_UNIT = "logs in another unit with the add-on than without it would look the same"
    TOO_LARGE = (
        "no add-on changes fuel use by so much, so the logs are likely in other units with it than "
        "without it"
    )
    BENT = "the add-on may have bent the readings that the fuel figure comes from, not the fuel"
    NO_PLACE = (
        "nobody said where the add-on acts, so it may have bent the readings that the fuel figure "
        "comes from"
    )
    FUEL_DISAGREES = (
        "fuel weighed or filled and fuel by the car's own signals disagree with the add-on "
        "otherwise than without it"
    )
    COPIED = (
        "a reading that tells fuel stands in two logs alike, so one of them isn't of that drive"
    )
    AT_CEILING = (
        "the air meter stood at its ceiling in part of the driving, so some of the fuel wasn't seen"
    )
    OPEN_FUEL = (
        "the logs leave open whether fuel was cut or flowed in some moments, and the answer hangs "
        "on them"
    )
    COOLING_ONE_ARM = "air conditioning may have run only with the add-on, or only without it"
    COOLING_MORE = "air conditioning or the like ran for longer with the add-on than without it"
    COOLING_LESS = "air conditioning or the like ran for longer without the add-on than with"
    OTHER_CAR_CHANGED = "it would hang on why the other car's fuel use changed too"
    ONE_MOMENT = "what else was done to the car when the add-on came can't be told from it"
    OTHER_CAR = "the other car, driven beside it to tell the weather, can't be relied on"
    OTHER_VEHICLE = "some of its drives seem to be another vehicle's"
    FEW_PERIODS = (
        "the change was made too seldom to tell the add-on from whatever else changed then"
    )
