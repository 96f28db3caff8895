"""Where a table and a key stand in a settings file, found without reading the file anew for each question."""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache

_KEY = re.compile(r"\s*\"?([^\s\"=]+)\"?\s*=")


@dataclass(frozen=True)
class TomlLines:
    """Lines of the heads of tables, by name, and of keys, by head and name; line 0 is the head of the file itself."""

    heads: dict[str, list[int]]
    keys: dict[tuple[int, str], int]

    def find(self, name: str, index: int, key: str) -> int | None:
        """Line of a key of the index-th table of a name, or else of that table's head; None where there is neither.

        A key may be a table with a head of its own, ``[name.key]``; such a head belongs to the last table before it.
        """
        own = self.heads.get(name, []) if name else [0]
        head = own[index] if index < len(own) else None
        if head is not None and (head, key) in self.keys:
            return self.keys[head, key]
        if key:
            inner = self.heads.get(f"{name}.{key}".strip("."), [])
            # before the first table of the name there may be heads of tables inside it already
            low = 0 if index == 0 else head
            high = own[index + 1] if index + 1 < len(own) else None
            if low is not None:
                at = bisect_right(inner, low)
                if at < len(inner) and (high is None or inner[at] < high):
                    return inner[at]
        return head or None


@lru_cache(maxsize=4)
def toml_lines(text: str) -> TomlLines:
    """The lines of a settings file; the last few texts are remembered."""
    heads: dict[str, list[int]] = {}
    keys: dict[tuple[int, str], int] = {}
    head = 0
    for number, line in enumerate(text.splitlines(), start=1):
        name = _head(line)
        if name:
            head = number
            heads.setdefault(name, []).append(number)
            continue
        key = _KEY.match(line)
        if key:
            keys.setdefault((head, key[1]), number)
    return TomlLines(heads, keys)


def _head(line: str) -> str:
    """Name of the table whose head a line is; empty where it is none."""
    # no pattern: one that matches blanks on both sides of a name would take forever on a line of blanks
    name, closed, _ = line.lstrip().removeprefix("[").removeprefix("[").partition("]")
    return name.strip() if closed and line.lstrip().startswith("[") else ""
