"""Reads a page of a report as its readers do: headings, links, tables, and what it would fetch."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "link", "img", "input", "br", "hr", "col", "wbr"}


@dataclass
class PageReader(HTMLParser):
    """What a page holds."""

    page: str
    ids: list[str] = field(default_factory=list)
    targets: list[str] = field(default_factory=list)
    fetched: list[str] = field(default_factory=list)
    headings: list[tuple[int, str]] = field(default_factory=list)
    tables: dict[str, list[list[str]]] = field(default_factory=dict)
    scopes: list[str | None] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    open: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        HTMLParser.__init__(self, convert_charrefs=True)
        self._table: list[list[str]] | None = None
        self.feed(self.page)
        self.close()
        assert self.open == [], self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if given.get("id"):
            self.ids.append(str(given["id"]))
        if tag == "a" and given.get("href"):
            self.targets.append(str(given["href"]))
        for name in ("src", "srcset", "data", "action", "xlink:href"):
            if name in given:
                self.fetched.append(str(given[name]))
        if tag == "link":
            self.fetched.append(str(given.get("href")))
        if tag == "table":
            self._table = []
            self.tables[str(given.get("id"))] = self._table
        if tag == "tr" and self._table is not None:
            self._table.append([])
        if tag in ("td", "th") and self._table is not None:
            self._table[-1].append("")
        if tag == "th":
            self.scopes.append(given.get("scope"))
        if tag in ("h1", "h2", "h3", "h4"):
            self.headings.append((int(tag[1]), ""))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> ends nothing"
        assert self.open[-1] == tag, f"</{tag}> ends <{self.open[-1]}>"
        self.open.pop()
        if tag == "table":
            self._table = None

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] in ("script", "style"):
            return
        self.words.append(data)
        if any(tag in ("td", "th") for tag in self.open) and self._table:
            self._table[-1][-1] = " ".join(f"{self._table[-1][-1]}{data}".split())
        if self.open and self.open[-1] in ("h1", "h2", "h3", "h4"):
            level, text = self.headings[-1]
            self.headings[-1] = (level, text + data)

    @property
    def text(self) -> str:
        """All words of the page."""
        return " ".join(" ".join(self.words).split())
