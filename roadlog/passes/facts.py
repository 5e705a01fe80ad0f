"""Why road that was driven isn't used: the codes, each with its sentence."""

from roadlog.quantities.facts import Kind


class Lost(Kind):
    """Why a pass isn't used, or a kilometre is no part of one."""

    RUN = "run not used: {why}"
    SHORT = "only {pct:.0f} % of the segment driven"
    LITTLE_KNOWN = "fuel and speed known for only {pct:.0f} % of the time"
    NO_DISTANCE = "no distance driven"
    OTHER_LENGTH = "wheel distance {pct:+.0f} % off the segment's length"
    WASHOUT = "washout: begins {km:.1f} km after the switch"
    NO_SAMPLES = "no samples in this run"
    NO_POSITIONS = "no positions in this run, so that it can't be placed on a segment"
    NEVER_SHARED = "never on a segment that runs of both arms share"

    NO_POSITION = "no position"
    ASTRAY = "positions too far astray for a road that both arms drive"
    ELSEWHERE = "a road that too few runs of both arms drive"
    ONE_ARM = "on a segment that one arm alone has a usable pass of"
    AT_REST = "before the first move or the last"
