"""Closure: the fuel figure held against fuel that was filled or weighed outside the car.

In go the study's fills and cans, and the runs with their computed fuel; out comes whether both
agree, alike in both arms, and what that is worth. Beside it the evidence of OBD itself that the
add-on bends the signals, and the analysis of a study that has nothing but measured fuel.
"""

from roadlog.closure.against_fuel import close
from roadlog.closure.bend import (
    TrimsOfRun,
    TrimsSeen,
    bend_blocking,
    trims_lacking,
    trims_of_run,
    trims_seen,
)
from roadlog.closure.evidence import evidence_by_arm, run_evidence
from roadlog.closure.ledger import Ledger, read_ledger
from roadlog.closure.trims_alone import over_untrimmed

__all__ = [
    "Ledger",
    "TrimsOfRun",
    "TrimsSeen",
    "bend_blocking",
    "close",
    "evidence_by_arm",
    "over_untrimmed",
    "read_ledger",
    "run_evidence",
    "trims_lacking",
    "trims_of_run",
    "trims_seen",
]
