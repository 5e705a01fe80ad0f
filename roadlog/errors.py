"""The named errors of roadlog. Each message is one sentence: what, where, what to do.

The command line turns them into exit codes in one place: `InputError` is 2 when the call or a
file is wrong, `DesignError` and `FitError` are 1 because the data can't answer.
"""


class RoadlogError(Exception):
    """Base of every error that roadlog raises on purpose."""

    exit_code = 1


class InputError(RoadlogError):
    """A file, column, value or option is wrong; the message names it and the remedy."""

    exit_code = 2


class DesignError(RoadlogError):
    """The data are readable but can't answer the question (one arm only, no fuel signal ...)."""

    exit_code = 1


class FitError(RoadlogError):
    """A model can't be fitted to these passes (singular design, no variation ...)."""

    exit_code = 1
