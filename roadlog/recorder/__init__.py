"""The recorder: from an OBD-II adapter and a position receiver to a journal that survives anything.

`adapter` is the only file that imports python-OBD (GPL-2.0-only, the optional extra `adapter`),
and only when an adapter is opened. `journal` writes, `replay` reads a journal back as a `Log`;
neither needs the extra. `session` decides when a run begins and ends.
"""
