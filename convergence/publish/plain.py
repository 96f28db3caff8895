"""Text from a file made fit for a terminal and a page: nothing in it steers, nothing in it cannot be encoded."""

from __future__ import annotations


def printable(text: str) -> str:
    """The text with a blank for every character that cannot be printed, line ends aside.

    >>> printable("crown\\x1b[2J\\ud800 of A")
    'crown [2J  of A'
    """
    return "".join(sign if sign == "\n" or sign.isprintable() else " " for sign in text)
