"""An HTML page as a reader meets it: tables with headers, drawings with their texts, what is ill-formed."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "br", "img", "hr", "link", "input"}


@dataclass
class Table:
    """``head`` and ``rows`` as texts; ``row_headers`` tells whether every row begins with a scoped header."""

    caption: str = ""
    head: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    scoped: bool = True
    keys: list[str] = field(default_factory=list)


class Page(HTMLParser):
    """The parsed page. ``faults`` lists tags that do not close in order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tables: list[Table] = []
        self.drawings: list[tuple[dict[str, str | None], str]] = []
        self.tags: list[str] = []
        self.faults: list[str] = []
        self.text = ""
        self._open: list[str] = []
        self._cell: str | None = None
        self.feed(text)
        self.close()
        self.faults += [f"{tag} is not closed" for tag in self._open]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = dict(attrs)
        self.tags.append(tag)
        if tag not in VOID:
            self._open.append(tag)
        if tag == "table":
            self.tables.append(Table())
        elif tag == "figure":
            self.drawings.append((said, ""))
        elif tag == "tr" and "tbody" in self._open:
            self.tables[-1].rows.append([])
            self.tables[-1].keys.append(said.get("data-figure") or "")
        elif tag in ("th", "td", "caption", "figcaption"):
            self._cell = ""
            row = self.tables[-1].rows[-1] if "tbody" in self._open else None
            if tag == "th" and said.get("scope") != ("col" if row is None else "row"):
                self.tables[-1].scoped = False
            if row == [] and tag != "th":
                self.tables[-1].scoped = False

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open[-1] != tag:
            self.faults.append(f"{tag} closes {self._open[-1:]}")
            return
        self._open.pop()
        if tag not in ("th", "td", "caption", "figcaption"):
            return
        text, self._cell = (self._cell or "").strip(), None
        if tag == "caption":
            self.tables[-1].caption = text
        elif tag == "figcaption":
            self.drawings[-1] = (self.drawings[-1][0], text)
        elif "tbody" in self._open:
            self.tables[-1].rows[-1].append(text)
        else:
            self.tables[-1].head.append(text)

    def handle_data(self, data: str) -> None:
        if self._cell is not None:
            self._cell += data
        if not {"style", "svg", "pre"} & set(self._open):
            self.text += data
