"""The bench's pages in the order of the job, one module each.

`ROUTES` says where a module answers; its `STEP`, if it has one, stands in every page's list.
"""

from roadlog.bench.pages import files, home, result

PAGES = (home, result, files)

__all__ = ["PAGES"]
