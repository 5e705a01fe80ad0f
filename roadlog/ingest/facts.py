"""What can be told of how a log was read: the codes of its notes, each with its sentence."""

from roadlog.errors import InputError
from roadlog.quantities.facts import Fact, Kind


class Repair(Kind):
    """What was repaired, left out or taken for granted in a log."""

    # lines and cells
    TORN_END = "the last line is incomplete and was dropped"
    OPEN_QUOTE = "{n} [line|lines] with a quote that isn't closed dropped, first in line {line}"
    SHORT_ROWS = "rows shorter than the header were read as if blank cells ended them"
    LONG_ROWS = "blank cells beyond the header's last column were passed over"
    ENDED_ROWS = "rows end in a delimiter that the header hasn't: names count from the left"
    ABOVE = (
        "{n} [row|rows] of numbers above the header in line {line} passed over: if they are of the "
        "same drive, split the file there"
    )
    WRONG_WIDTH = "{n} [line|lines] with the wrong number of cells dropped, first in line {line}"
    WRONG_WIDTH_SOMEWHERE = "{n} [line|lines] with the wrong number of cells dropped"
    MORE_CELLS = (
        "{n} [line|lines] with more cells than the header names dropped, first in line {line}"
    )
    HEADER_AGAIN = "{n} repeated header [row|rows] dropped"
    NO_OBJECT = "{n} [line|lines] without a whole object dropped, first in line {line}"
    NUL_BYTES = "{n} NUL [byte|bytes] removed: the logger lost power or its card"
    NO_NUMBER = "'{header}': {n} [cell|cells] without a number, first in line {line}: left blank"
    NO_ANGLE = "'{header}': {n} [cell|cells] without an angle, first in line {line}: left blank"
    NO_STATUS = (
        "'{header}': {n} [cell|cells] without a plain fuel-system status, first in line {line}: "
        "left blank"
    )
    NO_SWITCH = (
        "'{header}': {n} [cell|cells] that is neither on nor off, first in line {line}: left blank"
    )
    READING_NO_NUMBER = "'{header}': {n} [reading|readings] without a number: left blank"

    # columns and units
    UNUSED_RULE = "the rule for '{header}' in [columns] names no column of this log"
    MISFIT = "'{header}' is left out: {why}"
    NEAR_MISS = "'{header}' is not known: is it meant as '{word}' ({means})?"
    REPEATS = "'{coarse}' repeats '{fine}': the finer is used"
    UNITS_ASSUMED = "no unit in the header, taken as SAE J1979 gives it: {columns}"
    UNIT_AS_OTHERS = (
        "'{header}' names no unit and the log's other temperatures are so: read as {unit}"
    )
    UNIT_BY_VALUES = (
        "'{header}' names no unit and its values, {low:.4g} to {high:.4g}, can't be {own}: read as"
        " {unit}"
    )
    TRIM_PERCENT = "'{header}': its values are too large for a ratio: read as percent"
    TRIM_FRACTION = "'{header}': its values are trims as fractions: read as percent, times 100"
    TRIM_FACTOR = (
        "'{header}': its values are trims as ratios about 1: read as percent (1.05 is +5 %)"
    )
    TRIM_FACTOR_BLANKED = (
        "'{header}': its values are trims as ratios about 1: read as percent (1.05 is +5 %), {n} "
        "[value|values] far from 1 left blank"
    )

    # values
    OUT_OF_RANGE = "{signal}: {n} [value|values] outside {low:g} … {high:g} {unit}: left blank"
    NO_AIR = (
        "{n} [reading|readings] of no air (maf_g_s = 0) at a turning engine, first at "
        "{minutes:.1f} min: left blank"
    )
    NO_SPEED = (
        "{n} [reading|readings] of no engine speed (rpm = 0) at an engine that draws air, first at"
        " {minutes:.1f} min: left blank"
    )
    FROZEN_AIR = (
        "{n} [reading|readings] of maf_g_s stand still while the engine's speed changes, first at "
        "{minutes:.1f} min: left blank"
    )
    OTHER_SCALE = (
        "{n} [reading|readings] of maf_g_s are on another scale than in the rest of the log, "
        "against its load, first at {minutes:.1f} min: left blank"
    )

    # clocks
    DAY_FIRST_BY_ORDER = "dates read as day before month: only so do they run forward"
    MONTH_FIRST_BY_ORDER = "dates read as month before day: only so do they run forward"
    DAY_FIRST_BY_STEPS = "dates read as day before month: only so do they follow day upon day"
    MONTH_FIRST_BY_STEPS = "dates read as month before day: only so do they follow day upon day"
    DAY_FIRST_BY_DOTS = (
        "dates with dots read as day before month; [time] day_first = false if not so"
    )
    MILLISECONDS = "'{header}' has no unit and steps of {step:g}: taken as milliseconds"
    SECONDS = "'{header}' has no unit: taken as seconds"
    COUNTING = "'{header}' has no unit: read as counting {unit}, the only unit that fits the drive"
    UNKNOWN_ZONE = (
        "'{header}': the zone '{zone}' isn't known for sure: times taken as local; set zone under "
        "[time] in study.toml if they aren't"
    )
    RECEIVER_LOCAL = (
        "'{header}' has no zone and is taken as local time, though receivers mostly write UTC: "
        "days and weather may be some hours off"
    )
    REPEATED_HOUR = "the start lies in the hour that the clock change repeats: taken as summer"
    MIDNIGHT = "the log gives a date but no time of day: its start is set to midnight"
    CLOCK_FROM_NAME = "the time of day is taken from the file's name"
    DATE_FROM_NAME = "the date is taken from the file's name: {start:%Y-%m-%d}"
    DATE_FROM_PREAMBLE = "the date is taken from the lines above the header: {start:%Y-%m-%d}"
    START_FROM_NAME = "the start is taken from the file's name: {start:%Y-%m-%d %H:%M:%S}"
    START_FROM_PREAMBLE = (
        "the start is taken from the lines above the header: {start:%Y-%m-%d %H:%M:%S}"
    )
    NEVER_SET = "the clock begins on {start:%Y-%m-%d}: it was never set, so the log has no date"
    CLOCKS_DISAGREE = "elapsed time and wall clock disagree: the wall clock is used"
    ONE_OF_CLOCKS = "time is taken from '{header}', not from {rest}"
    NO_TIME = "{n} [row|rows] without a readable time dropped"
    STRAY_TIME = "{n} [row|rows] whose time leaps away and back dropped, first in line {line}"
    BEFORE_SET = "{n} [row|rows] from before the logger's clock was set dropped"
    OUT_OF_ORDER = "{n} [row|rows] out of order put in order of time"
    OVER_NOON = (
        "the clock goes from 12:59 to 1:00: it counts twelve hours without am or pm, and its hours"
        " are taken as those about noon"
    )
    AUTUMN_HOUR = "the clock steps back one hour (end of summer time): later rows moved on an hour"
    AUTUMN_OR_ZONE = (
        "the clock steps back one hour (end of summer time, or another time zone): later rows "
        "moved on an hour"
    )
    SPRING_HOUR = "the clock skips an hour (start of summer time): later rows moved back by it"
    COARSE_CLOCK = (
        "the clock only moves in steps of {step:g} s, with {rows} rows in each: the rows are "
        "spread evenly within the step"
    )
    STANDING_CLOCK = (
        "the clock stands still from line {line} on: {n} [row|rows] that share a time with another"
        " left out, so their time is a gap"
    )

    # positions and altitudes
    NULL_ISLAND = "{fixes} of {all} fixes lie at 0, 0: left blank"
    NO_FIX = "{n} [position|positions] at 0, 0 taken as no fix"
    FROZEN_FIX = (
        "positions stood still for {seconds:.0f} s while the wheels turned {km:.1f} km: taken as a"
        " gap"
    )
    UNTIMED_POINTS = "{n} track [point|points] without a time dropped"
    FLAT_ALTITUDES = "altitudes that aren't marked as absolute left out"
    DAMAGED_SENTENCES = "{n} [sentence|sentences] damaged: left out"
    UNDATED_FIXES = "{fixes} of {all} fixes without a date left out"
    FIXES_OUT_OF_ORDER = "fixes out of order put in order of time"
    NO_TRACK = "no position track was given"
    NO_CLOCK_TO_JOIN = "positions not joined: the log has no wall clock"
    NO_OVERLAP = "positions not joined: no track overlaps the log in time"
    JOINED = "positions joined from {track}"
    TRACK_NO_CLOCK = "{track} not joined: it has no wall clock"
    TRACK_NO_ZONE = (
        "{track} not joined: one clock has a time zone, the other none, and the speeds don't "
        "settle it; set zone under [time] in study.toml"
    )
    TRACK_SHIFTED = (
        "{track}: clocks taken to differ by {hours:+g} h, where the two speeds agree (r = {r:.2f})"
    )
    DATUM_BY_RULE = "altitudes taken as {surface}, as [road] says"
    GEOID_OF_LOG = (
        "altitudes above the ellipsoid carried to sea level by the geoid's height from the log "
        "({geoid_m:+.1f} m)"
    )
    GEOID_BY_RULE = (
        "altitudes above the ellipsoid carried to sea level by the geoid's height from [road] "
        "({geoid_m:+.1f} m)"
    )

    # the recorder's journal
    INTERRUPTED = "the recording was interrupted: {parts} parts joined"
    SILENCE = "nothing was recorded for {minutes:.0f} min in the middle"
    GAPS = "{n} [gap|gaps] of {seconds:.0f} s in all without readings"
    DAMAGED_LINES = "{n} [line|lines] damaged, impossible or torn: left out"
    DAMAGED_FIXES = "{n} [line|lines] of the position receiver damaged or impossible: left out"
    PART_WITHOUT_CLOCK = (
        "a part of {n} [reading|readings] has no clock that ties it to the others: left out"
    )
    RECORDERS_CLOCK = "no position receiver gave the time: the recorder's own clock is used"


class Beside(Kind):
    """What two logs of one drive, or of one time, show."""

    SAME_DRIVE = "the same drive as {log}"
    LOGGED_TWICE = "holds the same drive as {log} and isn't counted"
    CLOCKS_CLASH = (
        "overlaps in time with {log}, and their speeds say that these are two drives: one of the "
        "clocks is wrong"
    )


class Unclear(Kind):
    """What a log leaves open that a word of its owner settles."""

    GALLON = "column '{header}' is in gallons, US or imperial (a fifth more)"
    NO_UNIT = (
        "column '{header}' names no unit, and its values ({low} to {high}) can't be {own} but may "
        "be {units}"
    )
    CLOCK_SLOW = (
        "column '{header}' has no unit, and taken as {unit} the speed changes slower than it does "
        "in driving"
    )
    CLOCK_FAST = (
        "column '{header}' has no unit, and taken as {unit} the speed changes faster than any car's"
    )
    NO_TIME = "no time column among {headers}"
    NO_TIME_BUT_RUN_TIME = (
        "no time column among {headers}: '{header}' counts from the engine's start and may serve"
    )
    NO_TIME_BUT_NEAR = "no time column among {headers}: is '{header}' meant as '{word}'?"
    NO_COLUMN = "no column is recognised among {headers}"
    NO_COLUMN_BUT_NEAR = "no column is recognised among {headers}: is '{header}' meant as '{word}'?"
    DAY_OR_MONTH = "line {line}, column '{header}': '{date}' can be day/month or month/day"
    SIX_DIGITS = "line {line}, column '{header}': '{date}' can be ddmmyy, yymmdd or mmddyy"


class LeftOpen(InputError):
    """A log's fault that a word of its owner settles.

    Attributes
    ----------
    fault : Fact
        What is open, for whoever offers other ways to settle it than files and options.
    """

    def __init__(self, place: str, fault: Fact, remedy: str) -> None:
        super().__init__(f"{place}: {fault}{remedy}")
        self.fault = fault


COLUMN_NOTES = frozenset({
    "an air-fuel ratio gives λ only with the fuel's own ratio: log λ instead",
    "ignored by [columns]",
    "by [columns]",
    "taken as GPS speed: a position log",
    "no unit in the header",
    "unit by its values",
    "not recognised: not used",
})  # fmt: skip
