"""`roadlog publish`: a study in, one folder for the public out.

The whole study is analysed first, then a trimmed copy of it; all that is published is made from the
copy, and the whole's answer is only held beside it. The folder comes to be whole or not at all, and
only if the leak test finds nothing in it.
"""

import dataclasses
import datetime as dt
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from roadlog.analysis.analyse import analyse
from roadlog.analysis.result import Analysed
from roadlog.analysis.summary import answer_of
from roadlog.errors import DesignError, InputError
from roadlog.plan.looks import log_look
from roadlog.publish.about import About
from roadlog.publish.archive import write_archive
from roadlog.publish.cards import cards, subjects_of
from roadlog.publish.crate import checked_licence
from roadlog.publish.leaks import leaks
from roadlog.publish.pdf import report_pdf
from roadlog.publish.text import post
from roadlog.publish.trim import Clock, Trimmed, trimmed_study
from roadlog.report.objections import objections_page
from roadlog.report.write import contents_of
from roadlog.runs.table import open_study
from roadlog.study.durable import make_folder, sync_folder
from roadlog.trials.result import load_all
from roadlog.wording.answer import Answer

ARCHIVE = "archive.zip"
PDF = "report.pdf"
POST = "post.txt"
PICTURES = "pictures"
_PART = ".roadlog-publish-"


@dataclass(frozen=True)
class Published:
    """What was made: where, its answer and the whole study's, what is missing and why."""

    folder: Path
    analysed: Analysed
    whole: Analysed
    answer: Answer
    archive_sha256: str
    files: int
    missing: Mapping[str, str]
