"""Names that look alike: what was probably meant by one that nobody knows."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

#: Names alike to this share of their letters are one name with a slip of the pen; less alike ones may be on purpose.
ALIKE = 0.78
#: Longer names are not compared: the work grows with the square of their length.
LONGEST = 100


def near_name(name: str, known: Iterable[str], alike: float = ALIKE) -> str | None:
    """The known name most like a name, whatever its case, hyphens and blanks; None where none is like it."""
    plain = {_plain(other): other for other in sorted(known) if len(other) <= LONGEST}
    if len(name) > LONGEST:
        return None
    found = difflib.get_close_matches(_plain(name), list(plain), 1, alike)
    return plain[found[0]] if found else None


def _plain(name: str) -> str:
    return name.lower().replace("-", "_").replace(" ", "_")


def is_meant(name: str, known: Iterable[str], before: str = "; ") -> str:
    """A question for a message, "; is A-CR meant?"; nothing where no known name is like the name."""
    near = near_name(name, known)
    return f"{before}is {near} meant?" if near else ""
