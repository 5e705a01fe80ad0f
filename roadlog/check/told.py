"""What a check said, kept for whoever asks how the study stands, without reading a log again."""

from roadlog.check.across_runs import StudyCheck
from roadlog.runs.seen import LogSeen, keep_seen
from roadlog.runs.table import Sources
from roadlog.runs.taken import sha256_of


def keep_verdicts(check: StudyCheck, sources: Sources) -> None:
    """Keep the verdicts for `roadlog next`, as told."""
    assert sources.root is not None
    paths = {sources.shown(path): path for path, _ in sources.runs}
    keep_seen(
        sources.root,
        check.study,
        {
            sha256_of(paths[r.file]): LogSeen(
                r.file,
                None if r.start is None else r.start.tz_localize(None).date(),
                all(f.weight != "fatal" or f.code == "deviation" for f in r.findings),
                r.verdict,
                told=True,
            )
            for r in check.runs
        },
    )
