"""What is told of runs: the codes, each with its sentence."""

from roadlog.quantities.facts import Kind


class OfRun(Kind):
    """Why a run is set aside."""

    DEVIATION = "deviation noted: {word}"
