"""The bench's pages in the order of the job, one module each.

`ROUTES` says where a module answers; its `STEP`, if it has one, stands in every page's list.
"""

from roadlog.bench.pages import check, files, home, logs, plan, publish, result, today, trials

PAGES = (home, plan, today, logs, check, result, trials, publish, files)

__all__ = ["PAGES"]
