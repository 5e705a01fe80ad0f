"""Check: what each run's log is worth before it is analysed.

In come a study's files; out come, run by run, its signals and rates, what is odd about them, and a
verdict in one line. Nothing here computes an effect.
"""

from roadlog.check.across_runs import StudyCheck, check_study
from roadlog.check.one_run import RunCheck, SignalRow, check_run

__all__ = ["RunCheck", "SignalRow", "StudyCheck", "check_run", "check_study"]
