"""report.pdf: the published pages on paper, A4, with numbered pages and text that can be read out.

The pages themselves go in, so that paper and screen can't disagree: their HTML is taken apart into
a plain tree, which `templates/paper.typ` sets with Typst. Text stays data on the way and is never
read as markup. The same pages give the same bytes.
"""

import datetime as dt
import html
import itertools
import json
import re
import tempfile
from collections.abc import Mapping, Sequence
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path
from typing import Any

from roadlog.publish.cards.sheet import signs_may_lack
from roadlog.wording.screen import FIXED_SPACE, one_line

Node = dict[str, Any]

VOID = {"br", "hr", "img", "input", "link", "meta", "wbr", "source", "col"}
# What a page has for the screen only: not on paper.
SCREEN_ONLY = {
    "script", "style", "nav", "button", "input", "select", "option", "template", "noscript",
    "head", "label", "canvas", "dialog", "datalist", "progress", "output",
}  # fmt: skip
# Elements whose end tag HTML lets one leave out: a new one of these ends the open one.
ENDED_BY = {
    "li": {"li"}, "p": {"p", "ul", "ol", "table", "div", "h1", "h2", "h3", "dl", "figure", "pre"},
    "dt": {"dt", "dd"}, "dd": {"dt", "dd"}, "td": {"td", "th", "tr", "tbody"},
    "th": {"td", "th", "tr", "tbody"}, "tr": {"tr", "tbody"}, "thead": {"tbody"},
}  # fmt: skip
INLINE = {"b", "strong", "i", "em", "code", "span", "a", "abbr", "small", "sub", "sup", "time",
          "u", "mark", "q", "kbd", "cite", "dfn", "br"}  # fmt: skip
# Words that are told by where they stand on the screen: a picture's own text says them on paper.
PLACED = {"screen-only", "road-km", "road-top", "road-bottom", "road-north"}
LONGEST_WORD = 26
LINE_PT = 493.0  # width of the paper's text
PICTURE_PT = 1.15  # a picture's unit on paper, so that its letters are as large as the text's
MOST_HEIGHT = 1 / 1.2  # of the text's width
LEAST_PICTURE = (40.0, 20.0)  # what is smaller is a sign in running text
_SVG = re.compile(r"<svg\b.*?</svg>", re.DOTALL)
_STYLE = re.compile(r"<style\b[^>]*>(.*?)</style>", re.DOTALL)
_PLAIN_SELECTOR = re.compile(r"[\w\s.-]+")
_VARIABLE = re.compile(r"var\(\s*(--[\w-]+)\s*(?:,[^()]*)?\)")


def report_pdf(
    pages: Sequence[str], title: str, *, synthetic: bool, made: dt.datetime, road: str | None = None
) -> bytes:
    """The pages one after another as one PDF.

    Parameters
    ----------
    pages : sequence of str
        HTML of pages that roadlog made.
    title : str
        Of the document, and at the foot of each page.
    synthetic : bool
        Say so at the foot of each page.
    made : aware datetime
        Date of the document.
    road : str, optional
        SVG that stands where a page has its map.
    """
    import typst

    with tempfile.TemporaryDirectory(prefix="roadlog-") as folder:
        root = Path(folder)
        pictures: list[str] = []
        tree = [tree_of(page, pictures, road) for page in pages]
        for i, svg in enumerate(pictures):
            (root / f"{i}.svg").write_text(svg, encoding="utf-8")
        told = {
            "title": one_line(title),
            "synthetic": synthetic,
            "date": [made.year, made.month, made.day],
            "pages": tree,
        }
        (root / "doc.json").write_text(json.dumps(told), encoding="utf-8")
        (root / "paper.typ").write_bytes(
            (files("roadlog.publish") / "templates" / "paper.typ").read_bytes()
        )
        pdf = typst.compile(
            str(root / "paper.typ"),
            root=str(root),
            font_paths=[_fonts()],
            ignore_system_fonts=True,
            timestamp=made,
        )
    assert isinstance(pdf, bytes)
    return pdf


def _fonts() -> str:
    """Folder of the open fonts that matplotlib ships."""
    import matplotlib as mpl

    with signs_may_lack():
        return str(Path(mpl.get_data_path()) / "fonts" / "ttf")


def tree_of(page: str, pictures: list[str], road: str | None = None) -> list[Node]:
    """A page's body as a tree of plain blocks; its SVG pictures are added to `pictures`.

    Parameters
    ----------
    page : str
        HTML.
    pictures : list of str
        Grows by each picture; a node `picture` holds the place in it.
    road : str, optional
        SVG for an element of class `map`.
    """
    colours = _variables(page)
    kept: list[str] = []

    def put_aside(found: re.Match[str]) -> str:
        kept.append(found.group(0))
        named = re.match(r'<svg\b[^>]*? class="([\w -]*)"', found.group(0))
        classes = named.group(1) if named else ""
        return f'<img class="{classes}" data-picture="{len(kept) - 1}">'

    reader = _Reader()
    reader.feed(_SVG.sub(put_aside, page))
    reader.close()
    body = _first(reader.root, "body") or reader.root
    return _together(_Blocks(kept, pictures, colours, _rules(page), road).blocks(body["c"]))


def _rules(page: str) -> list[tuple[str, str]]:
    """Selector and declarations of each plain rule that names a class, for every medium."""
    text = re.sub(r"/\*.*?\*/", "", "\n".join(_STYLE.findall(page)), flags=re.DOTALL)
    text = re.sub(r"@[^{};]*{(?:[^{}]*{[^{}]*})*[^{}]*}", "", text)
    found = []
    for selectors, declarations in re.findall(r"([^{}]+){([^{}]*)}", text):
        for selector in selectors.split(","):
            if "." in selector and _PLAIN_SELECTOR.fullmatch(selector.strip()):
                found.append((selector.strip(), declarations.strip()))
    return found


def _together(nodes: list[Node]) -> list[Node]:
    """Small print before a picture, and a picture before small print, keep to what follows."""
    for node, following in itertools.pairwise(nodes):
        if {node["t"], following["t"]} == {"picture", "small"}:
            node["keep"] = True
    return nodes


def _variables(page: str) -> Mapping[str, str]:
    """Custom properties of the page's first :root rule, which is the light theme."""
    rule = re.search(r":root\s*{([^}]*)}", page)
    pairs = re.findall(r"(--[\w-]+)\s*:\s*([^;}]+)", rule.group(1) if rule else "")
    return {name: value.strip() for name, value in pairs}


def _first(node: Node, tag: str) -> Node | None:
    for child in node["c"]:
        if isinstance(child, dict):
            if child["t"] == tag:
                return child
            if found := _first(child, tag):
                return found
    return None


class _Reader(HTMLParser):
    """HTML as nested dictionaries: tag `t`, attributes `a`, children `c` (dictionaries, text)."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root: Node = {"t": "", "a": {}, "c": []}
        self.open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        while len(self.open) > 1 and tag in ENDED_BY.get(self.open[-1]["t"], ()):
            self.open.pop()
        node: Node = {"t": tag, "a": {k: v or "" for k, v in attrs}, "c": []}
        self.open[-1]["c"].append(node)
        if tag not in VOID:
            self.open.append(node)

    def handle_endtag(self, tag: str) -> None:
        if any(n["t"] == tag for n in self.open[1:]):
            while self.open[-1]["t"] != tag:
                self.open.pop()
            self.open.pop()

    def handle_data(self, data: str) -> None:
        self.open[-1]["c"].append(data)


class _Blocks:
    """Turns elements into what the paper knows: heads, paragraphs, lists, tables, pictures."""

    def __init__(
        self,
        kept: list[str],
        pictures: list[str],
        colours: Mapping[str, str],
        rules: Sequence[tuple[str, str]],
        road: str | None,
    ) -> None:
        self.kept, self.pictures, self.colours, self.road = kept, pictures, colours, road
        self.rules = rules

    def blocks(self, children: Sequence[Any]) -> list[Node]:
        """Blocks of a row of children; loose text and inline elements become paragraphs."""
        out: list[Node] = []
        loose: list[Any] = []

        def close_paragraph() -> None:
            if said := self.inline(loose):
                out.append({"t": "p", "s": said})
            loose.clear()

        for child in children:
            if self._in_line(child):
                loose.append(child)
            else:
                close_paragraph()
                out += self.block(child)
        close_paragraph()
        return out

    def _in_line(self, child: Any) -> bool:
        """Whether text, an element within text, or a sign."""
        if isinstance(child, str) or child["t"] in INLINE:
            return True
        size = _size(self.kept[int(child["a"].get("data-picture", -1))]) if self.kept else None
        return "data-picture" in child["a"] and size is not None and _is_sign(size)

    def block(self, node: Node) -> list[Node]:
        """Blocks of one element."""
        tag, classes = node["t"], node["a"].get("class", "").split()
        if _stays_on_screen(node):
            return []
        if "data-picture" in node["a"]:
            return self._picture(self.kept[int(node["a"]["data-picture"])])
        if "data-map" in node["a"] or "map" in classes:
            return [] if self.road is None else self._picture(self.road)
        if tag in ("h1", "h2", "h3", "h4", "summary", "caption"):
            level = {"h1": 1, "h2": 2, "h3": 3}.get(tag, 4)
            said = self.inline(node["c"])
            return [{"t": "h", "level": level, "s": said}] if said else []
        if tag in ("p", "figcaption", "pre", "legend"):
            kind = {"figcaption": "small", "pre": "pre"}.get(tag, "p")
            if not all(map(self._in_line, node["c"])):
                return self.blocks(node["c"])
            kind = "small" if "small" in classes else kind
            said = self.inline(node["c"], verbatim=tag == "pre")
            return [{"t": kind, "s": said}] if said else []
        if tag in ("ul", "ol"):
            items = [self.blocks(c["c"]) for c in node["c"] if isinstance(c, dict)]
            return [{"t": "list", "ordered": tag == "ol", "items": [i for i in items if i]}]
        if tag == "dl":
            return self._definitions(node)
        if tag == "table":
            return self._table(node)
        return self.blocks(node["c"])

    def inline(self, children: Sequence[Any], *, verbatim: bool = False) -> list[Any]:
        """Runs of text: [style, text] with style '', 'b', 'i', 'code'; ['br', ''], ['sign', i]."""
        runs: list[list[str]] = []
        self._collect(children, "", runs, verbatim)
        if not verbatim:
            runs = _collapsed(runs)
        return [[style, _breakable(text)] for style, text in runs if text or style == "br"]

    def _collect(
        self, children: Sequence[Any], style: str, runs: list[list[str]], verbatim: bool
    ) -> None:
        for child in children:
            if isinstance(child, str):
                runs.append([style, child])
            elif child["t"] == "br":
                runs.append(["br", ""])
            elif _stays_on_screen(child):
                continue
            elif "data-picture" in child["a"]:
                svg = self.kept[int(child["a"]["data-picture"])]
                if size := _size(svg):
                    runs.append(["sign", str(self._keep(svg))] if _is_sign(size) else [style, " "])
            else:
                mark = {"b": "b", "strong": "b", "th": "b", "i": "i", "em": "i", "code": "code",
                        "kbd": "code", "dfn": "i"}.get(child["t"], style)  # fmt: skip
                self._collect(child["c"], mark, runs, verbatim)
                if child["t"] in ("p", "div", "li"):
                    runs.append([style, " "])

    def _definitions(self, node: Node) -> list[Node]:
        rows: list[dict[str, Any]] = []
        for child in _elements(node, {"dt", "dd"}):
            if child["t"] == "dt" or not rows:
                rows.append({"term": self.inline(child["c"]), "said": []})
            if child["t"] == "dd":
                rows[-1]["said"] += self.blocks(child["c"])
        return [{"t": "dl", "rows": rows}]

    def _table(self, node: Node) -> list[Node]:
        head: list[Any] = []
        rows: list[Any] = []
        for row in _elements(node, {"tr"}):
            cells = [c for c in row["c"] if isinstance(c, dict) and c["t"] in ("td", "th")]
            made = [
                {
                    "s": self.inline(c["c"]),
                    "n": "n" in c["a"].get("class", "").split(),
                    "b": c["t"] == "th",
                    "span": int(c["a"].get("colspan", "1") or 1),
                }
                for c in cells
            ]
            only_heads = bool(cells) and all(c["t"] == "th" for c in cells)
            (head if only_heads and not rows else rows).append(made)
        width = max((sum(c["span"] for c in r) for r in (*head, *rows)), default=0)
        if not width or not rows:
            return []
        return [{"t": "table", "head": head, "rows": rows, "widths": _widths(head, rows, width)}]

    def _picture(self, svg: str) -> list[Node]:
        said = re.search(r'aria-label="([^"]*)"', svg)
        size = _size(svg)
        if size is None or _is_sign(size):
            return []
        return [
            {
                "t": "picture",
                "i": self._keep(svg),
                "alt": "" if said is None else html.unescape(said.group(1)),
                "wide_pt": min(
                    LINE_PT, PICTURE_PT * size[0], LINE_PT * MOST_HEIGHT * size[0] / size[1]
                ),
            }
        ]

    def _keep(self, svg: str) -> int:
        """Put a picture's SVG, which stands alone from now on, to the others; its place there."""
        classes = {c for names in re.findall(r'class="([^"]*)"', svg) for c in names.split()}
        rules = [
            f"{selector}{{{declarations}}}"
            for selector, declarations in self.rules
            if set(re.findall(r"\.([\w-]+)", selector)) <= classes
        ]
        svg = re.sub(r"(<svg\b[^>]*>)", rf"\1<style>{' '.join(rules)}</style>", svg, count=1)
        svg = _VARIABLE.sub(lambda m: self.colours.get(m.group(1), "#23303b"), svg)
        svg = svg.replace("currentColor", self.colours.get("--ink", "#23303b"))
        svg = re.sub(r"font-family\s*:\s*[^;\"'}]*", "font-family: DejaVu Sans", svg)
        svg = svg.replace("system-ui, sans-serif", "'DejaVu Sans'")
        svg = svg.replace("<svg", '<svg font-family="DejaVu Sans"', 1)
        if " xmlns=" not in svg:
            svg = svg.replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1)
        self.pictures.append(svg)
        return len(self.pictures) - 1


def _stays_on_screen(node: Node) -> bool:
    """Whether an element has nothing for paper."""
    classes = set(node["a"].get("class", "").split())
    return node["t"] in SCREEN_ONLY or "hidden" in node["a"] or bool(PLACED & classes)


def _size(svg: str) -> tuple[float, float] | None:
    """Width and height of a picture in its own units."""
    box = re.search(r'viewBox="([^"]*)"', svg)
    if box is None:
        return None
    wide, high = (float(x) for x in box.group(1).replace(",", " ").split()[2:])
    return wide, high


def _is_sign(size: tuple[float, float]) -> bool:
    return size[0] < LEAST_PICTURE[0] or size[1] < LEAST_PICTURE[1]


def _elements(node: Node, tags: set[str]) -> list[Node]:
    """Elements of these tags below a node, in order, not those inside one another."""
    out: list[Node] = []
    for child in node["c"]:
        if isinstance(child, dict):
            out += [child] if child["t"] in tags else _elements(child, tags)
    return out


def _collapsed(runs: list[list[str]]) -> list[list[str]]:
    """Runs with each stretch of white space as one space, none at the ends of a line."""
    out: list[list[str]] = []
    for style, text in runs:
        text = re.sub(r"[ \t\r\n\f]+", " ", text)
        if style != "br" and (not out or out[-1][0] == "br" or out[-1][1].endswith(" ")):
            text = text.lstrip(" ")
        if style == "br" and out:
            out[-1][1] = out[-1][1].rstrip(" ")
        if text or style == "br":
            out.append([style, text])
    if out:
        out[-1][1] = out[-1][1].rstrip(" ")
    return out


def _breakable(text: str) -> str:
    """Text whose long words (hashes, file names) may break, and without control characters."""
    text = "".join(c if c.isprintable() or c in FIXED_SPACE + "\n\u200b" else " " for c in text)
    return re.sub(
        rf"[^\s{FIXED_SPACE}]{{{LONGEST_WORD},}}",
        lambda m: "\u200b".join(re.findall(r".{1,6}", m.group(0))),
        text,
    )


def _widths(head: list[Any], rows: list[Any], columns: int) -> list[float]:
    """A share of the line for each column, by the length of its longest words and texts."""
    longest = [3.0] * columns
    for row in (*head, *rows):
        at = 0
        for cell in row:
            text = "".join(t for _, t in cell["s"])
            word = max((len(w) for w in re.split(r"[\s\u200b]", text)), default=0)
            if cell["span"] == 1 and at < columns:
                longest[at] = max(longest[at], word + 1.0, min(len(text), 60) ** 0.8)
            at += cell["span"]
    return longest
