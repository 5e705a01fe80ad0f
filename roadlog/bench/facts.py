"""What a page says where the command names an option: what to click, each a code with values."""

from roadlog.quantities.facts import Kind


class OnPage(Kind):
    """Of a file that waits."""

    UNCLEAR = "Not taken yet: {why}."
    ARM_OPEN = (
        "Not taken yet: its arm is unknown, no switch unit is scheduled {when}. Choose its arm "
        "below and look again."
    )
    ARM_SEALED = (
        "Not taken: the schedule is sealed, so its arm isn't to be said. If the driver found it "
        "out, write so into the remarks of the day's notes."
    )
    SPLIT = (
        "Not taken yet: its {n} drives belong to {both}. Choose below that each is a run of its "
        "own, and look again."
    )
    DRIVES_TOGETHER = "{n} drives; choose below to make each a run"
