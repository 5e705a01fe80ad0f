"""Trials beside the road test, each from its measurements to a `TrialResult`.

The names of `_HOMES` are public (types in `__init__.pyi`) and imported on first use.
"""

from roadlog import _lazily

_HOMES = {
    "TrialResult": "result",
    "Cell": "ceiling",
    "energy_ceiling": "ceiling",
    "ceiling_result": "ceiling",
    "Purchase": "payback",
    "payback_result": "payback",
    "compare_engine_signals": "engine_signals",
    "gather_starts": "standing_start",
    "standing_start_result": "standing_start",
    "read_runouts": "runout_sheet",
    "compare_runouts": "runout",
    "runout_result": "runout",
    "prepare_photos": "inspection",
    "unblind_scores": "inspection",
}
__getattr__, __dir__ = _lazily(__name__, _HOMES)
