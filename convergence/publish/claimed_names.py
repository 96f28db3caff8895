"""Names that a notebook claims as it is written, read from its code without running it.

A name that is put together when the notebook runs is known by the parts that are written; one that is not written at
all could be any.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Sequence
from dataclasses import dataclass

from nbformat import NotebookNode

from convergence.publish.claims import Claim
from convergence.publish.parameters import own_cells
from convergence.publish.seeds import parsed_cell


@dataclass(frozen=True)
class WrittenClaims:
    """Claims as they are written: whole names, and patterns of names that are put together."""

    names: tuple[str, ...]
    patterns: tuple[str, ...]

    def may_make(self, name: str) -> bool:
        """Whether a claim of this name can come of what is written."""
        return name in self.names or any(re.fullmatch(pattern, name, re.DOTALL) for pattern in self.patterns)


def written_claims(notebook: NotebookNode) -> WrittenClaims:
    """The claims in the author's cells."""
    names: list[str] = []
    patterns: list[str] = []
    for cell in own_cells(notebook):
        for node in ast.walk(parsed_cell(cell.source)) if cell.cell_type == "code" else ():
            if not isinstance(node, ast.Call) or ast.unparse(node.func).rpartition(".")[2] != "claim":
                continue
            given = [*node.args[:1], *(word.value for word in node.keywords if word.arg == "name")]
            first = given[0] if given else None
            if isinstance(first, ast.Constant) and isinstance(first.value, str):
                names.append(first.value.strip())
            else:
                patterns.append(_pattern(first))
    return WrittenClaims(tuple(dict.fromkeys(names)), tuple(dict.fromkeys(patterns)))


def _pattern(name: ast.expr | None) -> str:
    """What a name that is put together can be; anything stands where a value is put in."""
    if not isinstance(name, ast.JoinedStr):
        return ".*"
    parts = [
        re.escape(part.value) if isinstance(part, ast.Constant) and isinstance(part.value, str) else ".*"
        for part in name.values
    ]
    return "".join(parts).strip()


def claims_edited(notebook: NotebookNode, published: Sequence[Claim]) -> tuple[str, ...]:
    """Which claims were taken out of a notebook, or put into it, since its claims were published, one line each."""
    written = written_claims(notebook)
    known = {claim.name for claim in published}
    gone = [claim.name for claim in published if not written.may_make(claim.name)]
    new = [name for name in written.names if name not in known]
    return (
        *(f"as it is written now it no longer claims {name}" for name in gone),
        *(f"as it is written now it also claims {name}" for name in new),
    )
