"""HTML put together from parts: what is not marked as ready is escaped, so that nothing of the job can act as a tag."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Sequence

#: Control characters, and those that turn the direction of the words around them.
_HIDDEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]")

#: A local or universal date, with its time and offset where it has them, as the sheet writes them.
_DATE = r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d)?(?:Z| ?[+\u2212-]\d\d:\d\d)?)?"
#: A number and its unit.
_QUANTITY = r"(?<=\d) (?=(?:mm/day|mm/m|mm|m|days|d|h|%)(?!\w))"
_KEPT = re.compile(f"(?P<date>{_DATE})|(?P<gap>{_QUANTITY})")
_BETWEEN_TAGS = re.compile(">[^<>]+<")
#: A word no line can hold, and its parts between which a line may end; an escaped character is one.
_LONG_WORD, _PART = re.compile(r"(?:&[#\w]+;|[^\s&]){31,}"), re.compile(r"(?:&[#\w]+;|[^\s&]){1,15}")


class Markup(str):
    """Text that is HTML already."""

    __slots__ = ()


def escape(value: object) -> Markup:
    """A value as HTML text, fit for an element and for a quoted attribute; ready markup stays as it is."""
    if isinstance(value, Markup):
        return value
    return Markup(html.escape(_HIDDEN.sub("\N{REPLACEMENT CHARACTER}", str(value)), quote=True))


def join(parts: Iterable[object], between: str = "") -> Markup:
    """Parts one after the other, each escaped unless it is markup."""
    return Markup(between.join(escape(part) for part in parts))


def keep_together(page: str) -> Markup:
    """HTML in whose words no line ends inside a date, nor between a number and its unit, but may within a long name.

    A name that cannot be broken makes its table wider than the paper, and a browser then prints all pages smaller.
    """
    return Markup(_BETWEEN_TAGS.sub(lambda words: _KEPT.sub(_kept, _LONG_WORD.sub(_broken, words.group())), page))


def _broken(found: re.Match[str]) -> str:
    return "<wbr>".join(_PART.findall(found.group()))


def _kept(found: re.Match[str]) -> str:
    return f'<span class="kept">{found["date"]}</span>' if found["date"] else "\N{NO-BREAK SPACE}"


def element(name: str, content: object = "", kind: str = "", anchor: str = "") -> Markup:
    """An element with a class and an anchor."""
    kinds = f' class="{escape(kind)}"' if kind else ""
    anchors = f' id="{escape(anchor)}"' if anchor else ""
    return Markup(f"<{name}{kinds}{anchors}>{escape(content)}</{name}>")


def link(anchor: str, words: object) -> Markup:
    """A link inside the page."""
    return Markup(f'<a href="#{escape(anchor)}">{escape(words)}</a>')


def bullets(items: Sequence[object], kind: str = "") -> Markup:
    """A list."""
    return element("ul", join(element("li", item) for item in items), kind)


def table(
    heads: Sequence[object],
    rows: Sequence[Sequence[object]],
    numbers: Sequence[int] = (),
    under: Sequence[object] = (),
    anchors: Sequence[str] = (),
    kind: str = "",
) -> Markup:
    """A table.

    Parameters
    ----------
    heads : sequence
        The head of each column.
    rows : sequence of sequences
        Cells, each escaped unless it is markup.
    numbers : sequence of int
        Columns set to the right.
    under : sequence
        For each row what stands below it across all columns; empty for nothing.
    anchors : sequence of str
        For each row the anchor links lead to; empty for none.
    kind : str
        Class of the table.
    """
    head = join(_cell("th", word, place in numbers) for place, word in enumerate(heads))
    bodies = []
    for place, row in enumerate(rows):
        anchor = f' id="{escape(anchors[place])}"' if anchors and anchors[place] else ""
        cells = join(_cell("td", value, column in numbers) for column, value in enumerate(row))
        below = under[place] if under else ""
        more = f'<tr class="under"><td colspan="{len(heads)}">{escape(below)}</td></tr>' if below else ""
        bodies.append(Markup(f"<tbody{anchor}><tr>{cells}</tr>{more}</tbody>"))
    kinds = f' class="{escape(kind)}"' if kind else ""
    return Markup(f"<table{kinds}><thead><tr>{head}</tr></thead>{join(bodies)}</table>")


def _cell(name: str, value: object, right: bool) -> Markup:
    kind = ' class="number"' if right else ""
    return Markup(f"<{name}{kind}>{escape(value)}</{name}>")
