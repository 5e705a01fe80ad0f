"""post.txt: the result in at most 150 words, to paste under a video or into an article."""

from roadlog.analysis.result import Analysed
from roadlog.publish.cards.draw import amount, interval_line
from roadlog.wording.answer import Answer
from roadlog.wording.screen import FIXED_SPACE, one_line
from roadlog.wording.units import in_own_units

MOST_WORDS = 150


@in_own_units
def post(analysed: Analysed, answer: Answer, archive_sha256: str) -> str:
    """The text, most important first; what doesn't fit into 150 words is left out from its end.

    Parameters
    ----------
    analysed : Analysed
        As published.
    answer : Answer
        Its answer in plain words.
    archive_sha256 : str
        Of the archive that lies beside the text.
    """
    a = analysed
    said = [
        f"{one_line(a.study.name)}.",
        "SYNTHETIC DATA: a program made it, nothing real was measured."
        if a.study.synthetic
        else "",
        f"{answer.title}.",
        *answer.sentences,
        f"{interval_line(a)}. Driven: {amount(a)}{_period(a)}, one car.",
        _order(a),
        f"Data and method: archive.zip, SHA-256 {archive_sha256}; 'roadlog recheck archive.zip' "
        "computes every number anew.",
    ]
    kept: list[str] = []
    for line in filter(None, said):
        if len(" ".join([*kept, line]).split()) <= MOST_WORDS:
            kept.append(line)
    return "\n".join(kept).replace(FIXED_SPACE, " ") + "\n"


def _period(a: Analysed) -> str:
    starts = a.runs["start"].dropna()
    if starts.empty:
        return ""
    first, last = f"{starts.min():%Y-%m-%d}", f"{starts.max():%Y-%m-%d}"
    return f", {first}" if first == last else f", {first} to {last}"


def _order(a: Analysed) -> str:
    if a.study.randomised:
        return "Chance drew the order in which the add-on was in and out."
    return "Chance didn't draw the order in which the add-on was in and out."
