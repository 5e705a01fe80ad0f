"""The bench's pages in the order of the job, one module each.

`ROUTES` says where a module answers; its `STEP`, if it has one, stands in every page's list.
"""

from roadlog.bench.pages import check, files, home, logs, result, today

PAGES = (home, today, logs, check, result, files)

__all__ = ["PAGES"]
