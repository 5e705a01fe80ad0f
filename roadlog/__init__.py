"""roadlog: from drive logs to a bounded change in fuel use, held against a seller's claim.

The public names stand in `_HOMES`, each with the module that it comes from on first use, and with
their types in `__init__.pyi`; what isn't listed there may change without notice (docs/api.md).
"""

import time
from importlib import import_module

_BEGAN = time.time()  # before any other code of roadlog was loaded (`study.own_code`)
__version__ = "0.1.0"


def _lazily(package: str, homes: dict[str, str]):  # types are in the stubs; typing takes 10 ms
    """`__getattr__` and `__dir__` of a package whose names are imported on first use (PEP 562)."""

    def of(name: str) -> object:
        if name not in homes:
            raise AttributeError(f"module '{package}' has no attribute '{name}'")
        home = import_module(f"{package}.{homes[name]}")
        return home if homes[name] == name else getattr(home, name)

    return of, lambda: sorted(homes)


_HOMES = {
    "DesignError": "errors",
    "FitError": "errors",
    "InputError": "errors",
    "RoadlogError": "errors",
    "Log": "ingest.log",
    "read_log": "ingest",
    "Sources": "runs.table",
    "Study": "study.settings",
    "open_study": "runs.table",
    "parse_study": "study.settings",
    "pile_sources": "runs.table",
    "RunCheck": "check",
    "StudyCheck": "check",
    "check_run": "check",
    "check_study": "check",
    "Analysed": "analysis.result",
    "analyse": "analysis.analyse",
    "write_results": "report",
    "read_logs": "runs.table",
    "build_runs": "runs.table",
    "resample": "ingest.timebase",
    "choose_estimator": "fuel",
    "calibrate": "fuel",
    "fuel_flow": "fuel",
    "find_network": "road",
    "match": "road",
    "add_conditions": "passes.conditions",
    "build_passes": "passes.table",
    "fuel_physics": "effect",
    "EffectResult": "effect.result",
    "estimate_effect": "effect",
    "Finding": "stats.interval",
    "Interval": "stats.interval",
    "decide": "effect",
    "physics": "physics",
    "trials": "trials",
}
__all__ = list(_HOMES)
__getattr__, __dir__ = _lazily(__name__, _HOMES)
