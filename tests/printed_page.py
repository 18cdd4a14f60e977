"""A report's page as somebody reads it."""

from html.parser import HTMLParser


class Page(HTMLParser):
    """The words of a page without its style and drawings, its tags, and every attribute that may fetch."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.fetched: list[str] = []
        self._words: list[str] = []
        self._within: list[str] = []
        self.feed(html)
        self.text = " ".join("".join(self._words).split())

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self._words.append(" ")
        if tag in ("style", "svg"):
            self._within.append(tag)
        names = ("src", "href", "xlink:href", "srcset", "data", "action", "poster")
        self.fetched += [value for name, value in attrs if name in names and not value.startswith("#")]
        self.fetched += [name for name, _ in attrs if name.startswith("on")]

    def handle_endtag(self, tag):
        if self._within and self._within[-1] == tag:
            self._within.pop()

    def handle_data(self, data):
        if not self._within:
            self._words.append(data)
