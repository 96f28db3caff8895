"""The states of a measure, and by what each is told apart where colour says nothing: one place for all of them."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class State:
    """One state.

    Attributes
    ----------
    mark : str
        Two plain characters, in front of a line of text.
    letter : str
        One letter, inside a shape on a figure.
    sign : str
        One character, beside the word on a page.
    words : str
        What it means, for keys and titles; a heading is also a part of the tunnel, so that word never stands alone.
    """

    mark: str
    letter: str
    sign: str
    words: str


#: States in the order of attention.
STATES = MappingProxyType(
    {
        "past": State("!!", "P", "\N{BLACK DOWN-POINTING TRIANGLE}", "past a level"),
        "heading": State("! ", "H", "\N{BLACK DIAMOND}", "heading for a level"),
        "blind": State("??", "B", "\N{WHITE SQUARE}", "blind"),
        "undetermined": State("? ", "U", "\N{WHITE HEXAGON}", "undetermined"),
        "clear": State("  ", "C", "\N{WHITE CIRCLE}", "clear"),
    }
)
