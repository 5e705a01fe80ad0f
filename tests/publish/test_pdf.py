"""The pages on paper: all text comes over, as text; nothing is evaluated; the same bytes again."""

import datetime as dt
import re
import zlib

import pytest

from roadlog.publish.pdf import report_pdf, tree_of

WHEN = dt.datetime(2026, 5, 4, tzinfo=dt.UTC)
PLOT = (
    '<svg class="plot" role="img" aria-label="Interval plot" viewBox="0 0 300 100">'
    '<path d="M0 0L300 100" stroke="var(--ink, #123)"/><text x="9" y="20" '
    "style=\"font: 9px 'DejaVu Sans'; font-family: system-ui\">Fuel</text></svg>"
)


def page(body: str) -> str:
    return (
        "<!DOCTYPE html><html><head><title>no</title><style>:root { --ink: #23303b; }</style>"
        f"</head><body>{body}</body></html>"
    )


def made(*bodies: str, title: str = "Bramble collar", synthetic: bool = True) -> bytes:
    return report_pdf([page(b) for b in bodies], title, synthetic=synthetic, made=WHEN)


def texts(tree: object) -> str:
    """All text of a tree in one line."""
    if isinstance(tree, dict):
        return texts(list(tree.values()))
    if isinstance(tree, list):
        if len(tree) == 2 and all(isinstance(x, str) for x in tree):
            return str(tree[1])
        return " ".join(texts(x) for x in tree)
    return ""


def test_heads_paragraphs_lists_and_tables_come_over_in_order() -> None:
    tree = tree_of(
        page(
            "<header><h1>Title</h1></header><main><p>One <b>two</b>\n three</p><ul><li>a<li>b</ul>"
            "<table><thead><tr><th>arm<th class='n'>km</tr></thead><tbody><tr><td>out"
            "<td class='n'>1.5</tr></tbody></table><details><summary>More</summary><p>hidden away"
            "</details></main>"
        ),
        [],
    )
    assert [n["t"] for n in tree] == ["h", "p", "list", "table", "h", "p"]
    assert tree[1]["s"] == [["", "One "], ["b", "two"], ["", " three"]]
    assert [[c["n"] for c in row] for row in tree[3]["rows"]] == [[False, True]]
    assert texts(tree[3]["head"]).split() == ["arm", "km"]


def test_what_is_for_the_screen_only_stays_there() -> None:
    tree = tree_of(
        page(
            "<nav><a href='#x'>Contents</a></nav><button>play</button><script>let a = 'b'</script>"
            "<p hidden>gone</p><div class='screen-only'><p>slider</p></div><p>kept</p>"
        ),
        [],
    )
    assert texts(tree).split() == ["kept"]


def test_a_picture_keeps_its_words_and_gets_the_light_colours() -> None:
    pictures: list[str] = []
    tree = tree_of(page(f"<figure>{PLOT}<figcaption>Caption</figcaption></figure>"), pictures)
    assert [n["t"] for n in tree] == ["picture", "small"]
    assert tree[0]["alt"] == "Interval plot"
    assert tree[0]["wide_pt"] == pytest.approx(345)
    assert "#23303b" in pictures[0]
    assert "var(" not in pictures[0]
    assert "xmlns=" in pictures[0]


def test_the_map_is_the_road_that_is_given() -> None:
    body = "<div class='map' data-lat='46.3'><svg viewBox='0 0 9 9'></svg></div>"
    pictures: list[str] = []
    assert tree_of(page(body), pictures) == []
    assert [n["t"] for n in tree_of(page(body), pictures, PLOT)] == ["picture"]


def test_a_sign_in_running_text_stays_in_its_line() -> None:
    pictures: list[str] = []
    sign = '<svg width="14" viewBox="0 0 14 14"><circle r="4"/></svg>'
    (line,) = tree_of(page(f"<p>{sign}collar out <span>{sign}in</span></p>"), pictures)
    assert line["s"] == [["sign", "0"], ["", "collar out "], ["sign", "1"], ["", "in"]]
    assert len(pictures) == 2
    assert tree_of(page(sign), pictures)[0]["t"] == "p"


def test_a_picture_takes_the_rules_of_its_classes_along_but_not_those_of_dark_or_wide() -> None:
    style = (
        "<style>.span .range, b.no { fill: var(--ink) } .other { fill: red }"
        "@media screen and (prefers-color-scheme: dark) "
        "{ :root { --ink: #fff } .span { fill: #eee } }"
        " /* .span { fill: blue } */ .span:hover, .span text { fill: none }</style>"
    )
    pictures: list[str] = []
    svg = '<svg class="span" viewBox="0 0 90 60"><rect class="range" width="9"/></svg>'
    tree_of(page(style + svg), pictures)
    assert "<style>.span .range{fill: #23303b} .span text{fill: none}</style>" in pictures[0]


def test_small_print_stays_with_its_picture_and_what_is_placed_on_the_screen_isnt_told() -> None:
    tree = tree_of(
        page(
            f"<p class='small'>key</p>{PLOT}<p class='small'>caption</p><p>text</p>"
            "<div><span class='road-top'>214 m</span><span class='road-km'>0</span>"
            '<svg class="road-north" viewBox="0 0 24 34"></svg></div>'
            "<p>read <span hidden>touch a line</span>it</p>"
        ),
        [],
    )
    assert [n.get("keep", False) for n in tree] == [True, True, False, False, False]
    assert texts(tree).split() == ["key", "caption", "text", "read", "it"]


@pytest.mark.parametrize(
    "words",
    [
        '#read("/etc/passwd")',
        "#panic()",
        "$x^2$ *bold* _it_ `raw` @ref <label> = head",
        "\\u{41} \\ // comment /* */",
        "‏דוגמה \U0001f697 \x00 \u202e",
        "</p><script>alert(1)</script>",
    ],
)
def test_no_text_is_evaluated(words: str) -> None:
    from html import escape

    shown = escape(words)
    pdf = made(
        f"<h1>{shown}</h1><p>{shown}</p><table><tr><td>{shown}</td></tr></table>", title=words
    )
    assert pdf.startswith(b"%PDF")
    assert texts(tree_of(page(f"<p>{shown}</p>"), [])).split()


def test_hashes_and_file_names_may_break() -> None:
    said = texts(tree_of(page(f"<p class='hash'>{'0123456789abcdef' * 4}</p>"), [])).strip()
    assert said.replace("\u200b", "") == "0123456789abcdef" * 4
    assert max(len(w) for w in said.split("\u200b")) <= 6


def test_the_same_pages_are_the_same_bytes_and_tell_nothing_of_this_computer() -> None:
    body = (
        f"<h1>Road test</h1><p>text</p>{PLOT}<table><tr><th>a</th></tr><tr><td>1</td></tr></table>"
    )
    one, two = made(body, "<p>objections</p>"), made(body, "<p>objections</p>")
    assert one == two
    inflated = one
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", one, re.DOTALL):
        try:
            inflated += zlib.decompress(stream)
        except zlib.error:
            continue
    for told in (b"/tmp", b"/work", b"/home", b"/root"):
        assert told not in inflated


def test_a_page_of_nothing_is_still_a_pdf() -> None:
    assert made("").startswith(b"%PDF")
    assert made("<table></table><ul></ul><dl></dl><p></p>").startswith(b"%PDF")


def test_many_columns_and_long_cells_stay_on_the_paper() -> None:
    row = "".join(f"<td>{'word ' * 12}{i}</td>" for i in range(16))
    head = "".join(f"<th>heading number {i}</th>" for i in range(16))
    assert made(f"<table><tr>{head}</tr>{f'<tr>{row}</tr>' * 40}</table>").startswith(b"%PDF")
