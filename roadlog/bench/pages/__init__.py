"""The bench's pages in the order of the job, one module each.

`ROUTES` says where a module answers; its `STEP`, if it has one, stands in every page's list;
`PHONE`, if it has any, is what a phone may reach too.
"""

from roadlog.bench.pages import (
    check,
    files,
    home,
    logs,
    phone,
    plan,
    publish,
    record,
    result,
    today,
    trials,
    units,
)

PAGES = (home, plan, today, record, logs, check, result, trials, publish, files, phone, units)

__all__ = ["PAGES"]
