"""Facts as plain values, to be spoken in the reader's language by `saying`."""

from string import Formatter
from typing import Any

from roadlog.plan.facts import Day, Days, English
from roadlog.quantities.facts import Fact

CLAUSES = {"why", "and_why"}  # places for a clause, English where it is no fact
NAME = "name"  # of a place for words of the user's, in which no number is put into figures


def as_data(said: Fact | str) -> dict[str, Any]:
    """A fact or a sentence as plain values."""
    if isinstance(said, Fact):
        sentence = said.sentence
        how = {name: spec for _, name, spec, _ in Formatter().parse(sentence) if name and spec}
        return {"say": sentence, "with": {k: _value(k, v, how.get(k)) for k, v in said.values}}
    return {"english": str(said)}


def _value(key: str, value: object, how: str | None) -> Any:
    if how:
        return format(value, how)
    if key == NAME:
        return {"name": f"{value}"}
    if isinstance(value, Fact | English) or key in CLAUSES:
        return as_data(value if isinstance(value, Fact) else f"{value}")
    if isinstance(value, Day):
        return {"days": [f"{value.date}"], "more": 0}
    if isinstance(value, Days):
        shown = value.dates[: value.most]
        return {"days": [f"{d}" for d in shown], "more": len(value.dates) - len(shown)}
    return value if isinstance(value, int) else f"{value}"
