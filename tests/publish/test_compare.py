"""Two accounts of one analysis: what counts as the same, and what is named."""

import pytest

from roadlog.publish.compare import compare_passes, compare_results, difference


@pytest.mark.parametrize(
    ("a", "b", "how"),
    [
        (1.0, 1.0, "the same"), (8, 8.0, "the same"), (None, None, "the same"),
        ("x", "x", "the same"), (0.0, -0.0, "the same"),
        (0.43, 0.43 * (1 + 2e-13), "to 1e-9"), (0.43, 0.43 + 3e-8, "to 1e-6"),
        (205.1, 205.1001, "to 1e-6"), (0.43, 0.4301, "differs"), (205.1, 205.2, "differs"),
        (0.43, None, "differs"), (True, 1, "differs"), ("1", 1, "differs"), ([], {}, "differs"),
        (float("nan"), float("nan"), "differs"), (float("inf"), 1.0, "differs"),
        (10**400, 1.0, "differs"), (10**400, 10**400, "the same"),
    ],
)  # fmt: skip
def test_what_counts_as_the_same(a, b, how):
    assert difference(a, b)[0] == how


def test_what_counts_as_the_same_never_moves_a_printed_digit_by_itself():
    """Percentages are printed to 0.1, litres to 0.01, kilometres to 1."""
    for size, digit in ((100.0, 0.1), (10.0, 0.01), (50_000.0, 1.0)):
        assert difference(size, size + digit / 10)[0] == "differs"


def test_a_row_more_is_named_and_shifts_no_other():
    runs = [{"file": f"logs/{i}.csv", "km": i} for i in range(4)]
    values = compare_results({"runs": runs}, {"runs": runs[1:]})
    assert [v.place for v in values if not v.same] == ["logs/0.csv"]
    assert sum(v.same for v in values) == 6


def test_rows_that_are_called_alike_are_taken_by_number():
    values = compare_results({"x": [{"name": "a", "v": 1}] * 2}, {"x": [{"name": "a", "v": 1}] * 2})
    assert [v.place for v in values] == ["1 / name", "1 / v", "2 / name", "2 / v"]


def test_keys_that_only_one_has_are_named():
    values = {v.group: v.how for v in compare_results({"a": {"b": 1}}, {"c": [1]})}
    assert values == {"a": "not recomputed", "c": "not published"}


def test_empty_lists_and_tables_are_values():
    assert [v.how for v in compare_results({"a": [], "b": {}}, {"a": [], "b": [1]})] == [
        "the same", "differs",
    ]  # fmt: skip


def test_passes_by_column_with_the_first_cell_that_differs():
    there = "run,fuel_ml,why\n0,64.1,\n1,63.9,gap\n2,60.0,\n"
    here = "run,fuel_ml,why\n0,64.10000000001,\n1,63.8,gap\n2,60.2,\n"
    values = {v.place: v for v in compare_passes(there, here)}
    assert values["why"].how == "the same"
    odd = values["fuel_ml, row 2 and 1 more"]
    assert (odd.published, odd.recomputed, odd.count) == ("63.9", "63.8", 3)
    assert odd.by == pytest.approx(0.2)


def test_passes_that_round_differently_are_the_same_and_say_so():
    (value,) = compare_passes("a\n0.1\n0.2\n", "a\n0.1\n0.20000000000000004\n")
    assert (value.how, value.count) == ("to 1e-9", 2)


@pytest.mark.parametrize(
    ("there", "here", "place", "how"),
    [
        ("a\n1\n", "a\n1\n2\n", "rows", "differs"),
        ("a,b\n1,2\n", "a\n1\n", "b", "not recomputed"),
        ("a\n1\n", "a,b\n1,2\n", "b", "not published"),
        ("a,b\n1\n", "a,b\n1,2\n", "b, row 1", "differs"),
        ("", "a\n1\n", "rows", "differs"),
        ("a\nnan\n", "a\n1\n", "a, row 1", "differs"),
        ("a,a\n1,2\n", "a\n1\n", "a (2)", "not recomputed"),
        ("a\n1,99\n", "a\n1\n", "(no heading)", "not recomputed"),
        (
            "a\n" + "1" * 200_000,
            "a\n1\n",
            "can't be read as a table (field larger than field limit (131072))",
            "differs",
        ),
    ],
)
def test_passes_of_another_shape_are_named(there, here, place, how):
    odd = [v for v in compare_passes(there, here) if not v.same]
    assert [(v.place, v.how) for v in odd] == [(place, how)]
