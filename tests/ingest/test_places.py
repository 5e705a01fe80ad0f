"""Times whose digits stand in the same places are cut there, to what their pattern finds."""

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest

from roadlog.ingest.clock.datetext import _FORMS
from roadlog.ingest.clock.places import groups_by_place

SHAPES = [
    "2026-03-05 07:10:00", "2026-03-05T07:10:00.250Z", "2026/3/5 7:10", "05/03/2026 07:10:00.1",
    "5.3.26, 07:10:00,5", "05-Mar-2026 07:10:00 AM", "Mar 05, 2026 07:10:00 pm", "20260305 071000",
    "2026-03-05 07:10:00 UTC+02:00", "2026-03-05 07:10:00+0130", "Thu Mar 05 07:10:00 CET 2026",
    "2026-03-05", "05.03.2026", "5 March 2026", "20260305", "07:10:00", "07:10", "7:10:00.5 a.m.",
    "10:00.5", "123:10:00", "20260305T071000.5",
]  # fmt: skip


@pytest.mark.parametrize("shape", SHAPES)
def test_fields_by_place_are_those_of_the_pattern(shape):
    rng = np.random.default_rng(len(shape))
    drawn = ["".join(str(rng.integers(10)) if c.isdigit() else c for c in shape) for _ in range(40)]
    cells = pa.array(["", shape, *drawn]).slice(1)
    read = 0
    for _, pattern in _FORMS:
        found = groups_by_place(cells, pattern.pattern)
        if found is not None:
            searched = pc.extract_regex(cells, pattern=pattern.pattern)
            assert {frozenset(x.items()) for x in found.to_pylist()} == {
                frozenset(x.items()) for x in searched.to_pylist()
            }
            for name in pattern.groupindex:
                assert pc.struct_field(found, name).equals(pc.struct_field(searched, name))
            read += 1
    assert read or shape.startswith("20260305")


@pytest.mark.parametrize(
    "other", ["7:10:00", "", None, "07:10:0a", "07.10:00", "07:10:\u0661", "\u00e90:10:00"]
)
def test_a_cell_that_is_laid_out_otherwise_is_left_to_the_pattern(other):
    pattern = r"^(?P<h>\d{1,3}):(?P<mi>\d{1,2}):(?P<s>\d{2})$"
    assert groups_by_place(pa.array(["07:10:00", "07:10:01"]), pattern) is not None
    for cells in (["07:10:00", other], [other, "07:10:00"]):
        assert groups_by_place(pa.array(cells, pa.string()), pattern) is None
