"""The page of a publication against its notebook: drawn again and compared, by what it shows where drawers differ."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

from nbformat import NotebookNode

from convergence.errors import ConvergenceError, clipped
from convergence.publish.manifest import Manifest, read_small
from convergence.publish.names import inside
from convergence.publish.notebook import title_of
from convergence.publish.page import notebook_page
from convergence.terms import CAUTION

#: Elements of which nothing is seen as text.
UNSEEN = ("style", "script")
LONGEST = 80


class _Shown(HTMLParser):
    """Gathers the words of a page and its pictures, in order."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[str] = []
        self._hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._hidden += tag in UNSEEN
        if tag == "img":
            self.found.append(f"the picture {dict(attrs).get('src') or ''}")

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in UNSEEN and self._hidden > 0

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.found += data.split()


def page_faults(place: Path, manifest: Manifest, notebook: NotebookNode, same_drawer: bool) -> tuple[str, ...]:
    """Where the page of a publication is not the page of its notebook, one line each.

    Parameters
    ----------
    place : Path
        The publication.
    manifest : Manifest
        Its manifest.
    notebook : NotebookNode
        Its executed notebook.
    same_drawer : bool
        Whether what draws pages here is of the versions that drew it; then every byte is compared, and otherwise the
        words and the pictures.
    """
    title = title_of(notebook, Path(manifest.notebook).stem)
    found = () if title == manifest.title else (f"manifest.json: its title is not the notebook's, {clipped(title)}",)
    drawn = notebook_page(notebook, title).encode("utf-8", "backslashreplace")
    try:
        kept = read_small(inside(place, manifest.page))
    except ConvergenceError as error:
        return (*found, f"{manifest.page}: cannot be compared with the notebook ({error})")
    except OSError as error:
        return (*found, f"{manifest.page}: cannot be compared with the notebook ({error.strerror})")
    if kept == drawn:
        return found
    here, there = _shown(drawn), _shown(kept)
    if here == there:
        return (
            (*found, f"{manifest.page}: not the page of the notebook, though it says the same")
            if same_drawer
            else found
        )
    at = next((at for at, pair in enumerate(zip(here, there, strict=False)) if pair[0] != pair[1]), -1)
    one, two = (words[at] if at >= 0 else f"{len(words)} words and pictures" for words in (here, there))
    told = f"{manifest.page}: does not show what the notebook shows ({_cut(two)}, in the notebook {_cut(one)})"
    return (*found, told)


def _shown(data: bytes) -> list[str]:
    """Words and pictures of a page in order, the library's own caution aside."""
    parser = _Shown()
    parser.feed(data.decode("utf-8", "replace"))
    parser.close()
    # an anchor beside a heading is a matter of the drawer's version
    words = [word for word in (word.replace("\xb6", "") for word in parser.found) if word]
    own = CAUTION.split()
    return words[: -len(own)] if words[-len(own) :] == own else words


def _cut(text: str) -> str:
    return clipped(text, LONGEST)
