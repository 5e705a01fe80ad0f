"""The commands, one module each: `add(commands)` adds the parser, its `run` does the work.

A module imports at its top only what parsing needs; heavy libraries are imported when it runs.
"""

from roadlog.commands import (
    accessory,
    analyze,
    ceiling,
    check,
    demo,
    engine_signals,
    fleet,
    inspect,
    new,
    next_step,
    note,
    open_bench,
    payback,
    plan,
    pool,
    publish,
    recheck,
    record,
    runout,
    standing_start,
    take,
    timestamp,
    unseal,
)

COMMANDS = (
    open_bench,
    new,
    plan,
    timestamp,
    next_step,
    note,
    record,
    take,
    check,
    accessory,
    unseal,
    analyze,
    standing_start,
    runout,
    ceiling,
    inspect,
    payback,
    engine_signals,
    fleet,
    publish,
    recheck,
    pool,
    demo,
)

__all__ = ["COMMANDS"]
