"""Reads a page as a browser would: its elements, texts, and everything that it would fetch."""

import re
from html.parser import HTMLParser

FETCHING = {"src", "srcset", "poster", "data", "action", "background", "xlink:href", "href"}


class Page(HTMLParser):
    """Elements of a page, its visible text, scripts and styles."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self.scripts: list[str] = []
        self.styles: list[str] = []
        self._inside = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}))
        if tag in ("script", "style"):
            self._inside = tag

    def handle_endtag(self, tag: str) -> None:
        if tag == self._inside:
            self._inside = ""

    def handle_data(self, data: str) -> None:
        {"script": self.scripts, "style": self.styles}.get(self._inside, self.words).append(data)

    def fetched(self) -> list[str]:
        """Addresses that opening the page would load, other than data and places in the page."""
        found = [
            value
            for tag, attributes in self.elements
            for name, value in attributes.items()
            if name in FETCHING and tag != "a" and not value.startswith(("#", "data:"))
        ]
        for style in [*self.styles, *(a.get("style", "") for _, a in self.elements)]:
            for address in re.findall(r"url\(\s*[\"']?([^)\"']*)", style):
                if not address.startswith(("data:", "#")):
                    found.append(address)
            found += re.findall(r"@import[^;]*", style)
        return found

    def policy(self) -> str:
        """The page's own rule on what a browser may load."""
        (rule,) = [
            a["content"]
            for t, a in self.elements
            if t == "meta" and a.get("http-equiv") == "Content-Security-Policy"
        ]
        return rule

    def attributes(self, tag: str, name: str) -> list[str]:
        """One attribute of every element with this tag that has it."""
        return [a[name] for t, a in self.elements if t == tag and name in a]
