"""Whether the printed interval is what it says: simulation with known truth through the engine.

`cells` lists what is simulated, `simulate` draws studies and responses, `study` runs cells and
keeps their results, `alarms` scores warnings, `report` tabulates. Run it with
`python -m tests.studies.calibration --out DIR`.
"""
