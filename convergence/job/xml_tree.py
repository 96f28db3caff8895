"""Reading XML that nobody vouches for: no document type, hence no entity of any kind, and bounded size throughout."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from xml.parsers import expat

from convergence.errors import Fault, clipped

#: A file larger than this [bytes], with more elements, more of them kept, or nested deeper, is refused.
LARGEST_XML, MOST_ELEMENTS, MOST_KEPT, DEEPEST = 64 * 1024**2, 2_000_000, 100_000, 60


@dataclass
class Node:
    """One element: name without its prefix, attributes, line in the file, elements inside, text."""

    name: str
    attributes: dict[str, str]
    line: int
    children: list[Node] = field(default_factory=list)
    text: str = ""

    def all(self, *names: str) -> Iterator[Node]:
        """The elements directly inside of these names, in their order."""
        return (child for child in self.children if child.name in names)

    def first(self, name: str) -> Node | None:
        """The first element directly inside of a name."""
        return next(self.all(name), None)


class _Refused(Exception):  # noqa: N818  # ends the parser's work; it never leaves this module
    """What is wrong with the file: value, expected, mend."""


class _Builder:
    """Keeps the elements whose path begins with a name that is wanted, and counts everything."""

    def __init__(self, parser: expat.XMLParserType, wanted: frozenset[str], skipped: frozenset[str]) -> None:
        self.parser, self.wanted, self.skipped = parser, wanted, skipped
        self.root: Node | None = None
        self.open: list[Node] = []
        self.depth = self.elements = self.kept = 0
        self.skip_from: int | None = None

    def start(self, name: str, attributes: dict[str, str]) -> None:
        self.depth += 1
        self.elements += 1
        if self.elements > MOST_ELEMENTS or self.depth > DEEPEST:
            limit = f"at most {MOST_ELEMENTS} elements, nested at most {DEEPEST} deep"
            raise _Refused("", limit, "export the alignment alone")
        if self.skip_from is not None:
            return
        local = name.rpartition(":")[2]
        if (self.depth == 2 and local not in self.wanted) or local in self.skipped:
            self.skip_from = self.depth
            return
        self.kept += 1
        if self.kept > MOST_KEPT:
            raise _Refused("", f"at most {MOST_KEPT} elements of alignments", "export the tunnel's alignment alone")
        node = Node(local, attributes, self.parser.CurrentLineNumber)
        if self.open:
            self.open[-1].children.append(node)
        else:
            self.root = node
        self.open.append(node)

    def end(self, _: str) -> None:
        if self.skip_from is None:
            self.open.pop()
        elif self.skip_from == self.depth:
            self.skip_from = None
        self.depth -= 1

    def text(self, data: str) -> None:
        if self.skip_from is None and self.open:
            self.open[-1].text += data

    def doctype(self, name: str, *_: object) -> None:
        raise _Refused(
            f"<!DOCTYPE {name}",
            "XML without a document type, which could stand for other files or for endless text",
            "remove the <!DOCTYPE ...> and what it declares",
        )


def read_tree(
    data: bytes, file: str, wanted: frozenset[str], skipped: frozenset[str], faults: list[Fault]
) -> Node | None:
    """The elements of an XML file.

    Parameters
    ----------
    data : bytes
        The file.
    file : str
        Its name for messages.
    wanted : frozenset of str
        Names directly inside the root that are kept with all they hold; everything else is passed over.
    skipped : frozenset of str
        Names that are passed over wherever they stand.
    faults : list of Fault
        Receives what is wrong.

    Returns
    -------
    Node or None
        The root; None where the file is no XML, has a document type, or is too large.
    """
    if len(data) > LARGEST_XML:
        expected = f"a file of at most {LARGEST_XML} bytes"
        faults.append(Fault(file, None, "", f"{len(data)} bytes", expected, "export the alignment alone"))
        return None
    parser = expat.ParserCreate()
    builder = _Builder(parser, wanted, skipped)
    parser.StartElementHandler = builder.start
    parser.EndElementHandler = builder.end
    parser.CharacterDataHandler = builder.text
    parser.StartDoctypeDeclHandler = builder.doctype
    parser.buffer_text = True
    try:
        parser.Parse(data, True)
    except _Refused as refused:
        value, expected, mend = (str(part) for part in refused.args)
        faults.append(Fault(file, parser.CurrentLineNumber, "", value, expected, mend))
        return None
    except (expat.ExpatError, ValueError, LookupError) as error:
        # an encoding that is not known, or one of several bytes a letter, comes as one of the last two
        mend = "export the file again, as XML in UTF-8"
        faults.append(Fault(file, parser.CurrentLineNumber, "", "", f"XML ({clipped(str(error), 120)})", mend))
        return None
    return builder.root
