"""Why something of a fleet was left out: the codes, each with its sentence."""

from roadlog.quantities.facts import Kind


class LeftOut(Kind):
    """Why a file, a run or a vehicle isn't part of a fleet's result."""

    UNREADABLE = "{why}"
    NO_ANSWER = "can't answer: {why}"
    BROKE = "roadlog itself failed on it ({what}): please report it with the file"
    DIED = (
        "the process that worked on it died [once|{n} times]: it may need more memory than it got"
    )
    NO_VEHICLE = "no vehicle is named for [this row|{n} rows]"
    NAME = "'{name}' can't name a vehicle: give it a name of 1 to 60 characters in one line"
    TWO_SPELLINGS = (
        "'{name}' and '{other}' differ in upper and lower case, leading zeros or the like alone, "
        "so nobody knows whether they are one vehicle: spell them alike, or list both in {table}"
    )
    UNDECLARED = "it isn't in {table}: add its line{near}"
    NOTHING_LOGGED = "no log of it was found{near}"
    UNSCHEDULED = "no line of {table} is for it: add them{near}"
    NOBODYS_LINES = "{table} has lines for it, but no log of it was found{near}"
    SAME_VIN = (
        "its vehicle identification number is that of {other}, so the two are one vehicle, of "
        "which {other} is kept: put its logs under one name, or list each with its own number"
    )
    NO_DATE = "no date in the log, so its arm is unknown"
    DAY_IN_DOUBT = (
        "its clock is UTC and nobody told the zone, so it may be of {one} or of {other}, which "
        "aren't in one arm: set zone under [time], or a column 'time zone' in the table of vehicles"
    )
    DAYS_TURNED = (
        "the days of its schedule fit its drives better with day and month the other way round: "
        "write them as YYYY-MM-DD"
    )
    A_DAY_OFF = (
        "{n} of the {of} days that it drove aren't in the schedule, and all of them are with its "
        "drives a day {way}: its clock or its zone seems a day off, and every arm with it; "
        "correct the clock, or give each day driven a line"
    )
    NOT_SCHEDULED = "no arm for {day}: the schedule has no line for it"
    NO_ARM = (
        "no arm: {table} gives neither an arm nor the day on which the add-on was fitted "
        "(write 'never' where it never was)"
    )
    CHANGED_THAT_DAY = "the add-on was fitted or taken out on that day, at an hour that isn't told"
    SAME_LOG = "holds the same drive as {other}, which is kept"
    TWO_VEHICLES = "holds the same drive as a log of {other}: one of the two isn't its vehicle's"
    OTHER_VIN = "its vehicle identification number is that of another vehicle{other}"
    NO_RUN = "no stretch of it is long enough to be a run"
    NO_USABLE_RUN = "no usable run: {why}"
    ONE_ARM = "driven in the {arm} arm only, so it can't be compared with itself"


class ReadFact(Kind):
    """What was put right in a vehicle's rows."""

    ROWS_TWICE = "{n} [row was|rows were] there twice and count once"


class FillOut(Kind):
    """Why a fill isn't held against the computed fuel as it stands, or a vehicle's fills aren't."""

    UNREADABLE = "can't be read: {why}"
    NO_VEHICLE = "no vehicle is named"
    NO_SUCH_VEHICLE = "no vehicle of this fleet is called so{near}"
    NO_FUEL = "'{goods}' isn't fuel"
    OTHER_FUEL = "'{goods}' isn't this vehicle's fuel: another one was filled with it"
    TWICE = "the same fill is on line {line} already: it counts once"
    TAKEN_BACK = "taken back on line {line}: neither counts"
    NOTHING_TAKEN_BACK = "takes litres back that no fill before it has"
    OVERFULL = "{litres} L don't go into a tank of {tank} L: another unit, or another vehicle's"
    ODOMETER = (
        "its odometer, {km} km, doesn't go with the fills before and after it: mistyped, or "
        "another vehicle's receipt; no tank is reckoned across it"
    )
    IN_A_DRIVE = "falls into {file}, when nobody fills up: its litres count with the next full fill"
    NO_HOUR = "no time of day on a day that was driven: its litres count with the next full fill"
    NO_HOUR_OF_TWO = "no time of day, and another fill that day: no tank is reckoned across it"
    NOT_FULL = (
        "its tank lacks what the next one has too much, so it wasn't filled to the brim: its "
        "litres count with the next full fill"
    )

    NONE = "no fill of it is in {table}"
    NO_DATES = "its logs have no dates, so no fill can be placed among them"
    TURNED = (
        "the dates of its fills fit its drives better with day and month the other way round: "
        "write them as YYYY-MM-DD"
    )
    CLOCK = (
        "{n} of {of} fills fall into a drive: the receipts' clock isn't the logs', or drives go on "
        "while the car is filled up"
    )
    NO_TANK = "none of its [tank|{n} tanks] can be used: {why}"
    TOO_FEW = "no two of its fills are full, with an odometer reading and a place among its drives"
    ONE_ARM = "its tanks hold fuel of one arm only"
    SAME_MIX = "its tanks are too few, or each holds much the same mix of both arms"
    OTHER_UNIT = (
        "its receipts seem to be in {unit} in one arm and in litres in the other: correct them"
    )
    NOT_HELD = "its logs came to nothing"
