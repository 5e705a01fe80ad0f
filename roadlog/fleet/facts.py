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
