"""Where bytecode may not be written beside the code, the tests keep theirs in pytest's cache.

Many tests start programs of their own: without bytecode each would compile pandas and roadlog anew,
which takes longer than what most of them do.
"""

import os
import sys
from pathlib import Path

if sys.dont_write_bytecode:
    sys.dont_write_bytecode = False
    sys.pycache_prefix = str(Path(__file__).parents[1] / ".pytest_cache" / "bytecode")
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix
