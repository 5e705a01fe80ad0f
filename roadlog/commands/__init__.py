"""The commands, one module each: `add(commands)` adds the parser, its `run` does the work.

A module imports at its top only what parsing needs; heavy libraries are imported when it runs.
"""

from roadlog.commands import analyze, demo, new, plan, record

COMMANDS = (new, plan, record, analyze, demo)

__all__ = ["COMMANDS"]
