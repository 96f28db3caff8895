"""Claims: the numbers of a notebook that matter, each with its unit and the tolerance a rerun is judged with.

cv.claim("final crown settlement of S1248", final, "mm", 1.0)
cv.claims()      # in the last cell: shows the table, which a publication takes from there
"""

from __future__ import annotations

import csv
import html
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from convergence.errors import ConvergenceError, ValueFault, clipped

#: The kind of output in which a notebook carries its claims.
MIME = "application/vnd.convergence.claims+json"
COLUMNS = ("name", "kind", "value", "unit", "tolerance")
LONGEST_NAME = 200


@dataclass(frozen=True, repr=False)
class Claim:
    """One number, or one word, that a notebook stands for.

    Attributes
    ----------
    name : str
        What is claimed, one line.
    value : float or str
        The number in ``unit``; a text for a conclusion that is no number, such as a state or a date.
    unit : str
        Unit; empty for a text, "1" for a pure number.
    tolerance : float
        Largest difference, in ``unit``, at which a rerun still holds; 0 for a text.
    times : int
        How often the notebook made the claim; in a clean run more than once is a mistake.
    """

    name: str
    value: float | str
    unit: str
    tolerance: float
    times: int = 1

    @property
    def kind(self) -> str:
        """Whether the value is a number or a text."""
        return "text" if isinstance(self.value, str) else "number"

    @property
    def shown(self) -> str:
        """The value as a person reads it, to a tenth of its tolerance."""
        return shown_value(self.value, self.tolerance)

    def __repr__(self) -> str:
        return f"Claim {self}"

    def __str__(self) -> str:
        spread = f" ± {self.tolerance:g}" if self.tolerance > 0.0 else ""
        unit = "" if self.unit in ("", "1") else f" {self.unit}"
        return f"{self.name}: {self.shown}{spread}{unit}"


@dataclass(frozen=True)
class ClaimTable:
    """The claims of a notebook, in the order they were made; shows itself as a table."""

    rows: tuple[Claim, ...]

    def __len__(self) -> int:
        return len(self.rows)

    def __repr__(self) -> str:
        return "\n".join(["Claims", *(f"  {row}" for row in self.rows)]) if self.rows else "Claims: none"

    def _repr_html_(self) -> str:
        head = "<tr><th style='text-align:left'>claim</th><th>value</th><th>tolerance</th><th>unit</th></tr>"
        body = "".join(
            f"<tr><td style='text-align:left'>{html.escape(row.name)}</td><td>{html.escape(row.shown)}</td>"
            f"<td>{'' if row.kind == 'text' else f'{row.tolerance:g}'}</td><td>{html.escape(row.unit)}</td></tr>"
            for row in self.rows
        )
        return f"<table><caption>Claims</caption>{head}{body}</table>"

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, object]:
        """What a publication reads; the table and the text come from the other two."""
        rows = [
            {"name": row.name, "value": row.value, "unit": row.unit, "tolerance": row.tolerance, "times": row.times}
            for row in self.rows
        ]
        return {MIME: {"claims": rows}}


#: Claims made in this process, by name, in the order in which they were first made.
_MADE: dict[str, Claim] = {}


def claim(name: str, value: object, unit: str, tolerance: float = 0.0) -> Claim:
    """Record a number that matters, so that a rerun is judged by it.

    Made again under the same name it replaces the first, as when a cell is run twice; a publication, which runs every
    cell once, refuses a name that was claimed twice.

    Parameters
    ----------
    name : str
        What is claimed, as "final crown settlement of S1248"; one line.
    value : float or str
        The number, or a text for a state or a date. Anything that holds exactly one number will do.
    unit : str
        Its unit; "1" for a pure number, empty for a text.
    tolerance : float
        Largest difference, in ``unit``, at which a rerun still holds. 0, unless given: the same to 1e-9 of the value.

    Returns
    -------
    Claim
        What was recorded.

    Raises
    ------
    ValueFault
        No name, no finite number, or a tolerance that is none.

    Examples
    --------
    >>> claim("final crown settlement of S1248", 69.31, "mm", 1.0).shown
    '69.3'
    """
    checked = _checked(name, value, unit, tolerance)
    before = _MADE.get(checked.name)
    _MADE[checked.name] = checked if before is None else replace(checked, times=before.times + 1)
    return checked


def claims() -> ClaimTable:
    """The claims made so far, as a table; the last cell of a notebook shows it."""
    return ClaimTable(tuple(_MADE.values()))


def forget_claims() -> None:
    """Start anew, as a fresh kernel does."""
    _MADE.clear()


def shown_value(value: float | str, tolerance: float) -> str:
    """A value to a tenth of its tolerance; in full where there is none."""
    if isinstance(value, str):
        return value
    if tolerance <= 0.0:
        return f"{value:.0f}" if value == round(value) and abs(value) < 1e15 else repr(value)
    return f"{round(value, decimals := min(max(1 - math.floor(math.log10(tolerance)), 0), 15)) + 0.0:.{decimals}f}"


def _checked(name: object, value: object, unit: object, tolerance: object) -> Claim:
    """A claim with every part in order."""
    if not isinstance(name, str) or not name.strip() or len(name) > LONGEST_NAME or not name.isprintable():
        raise ValueFault(
            f"claim name = {clipped(str(name))}: expected one printable line of 1 to {LONGEST_NAME} characters. To "
            "mend: say in words what the number is."
        )
    name = name.strip()
    if not isinstance(unit, str) or not (unit == "" or unit.isprintable()):
        raise ValueFault(f"claim '{name}': unit = {clipped(str(unit))}, expected a text. To mend: write \"mm\".")
    limit = _number(tolerance)
    if limit is None or limit < 0.0:
        raise ValueFault(
            f"claim '{name}': tolerance = {clipped(str(tolerance))}, expected a finite number of 0 or more. To mend: "
            "give the largest difference at which the claim still holds, in its unit."
        )
    if isinstance(value, str):
        if limit > 0.0 or not value.isprintable():
            raise ValueFault(
                f"claim '{name}': a text is the same or not, expected one printable line without a tolerance. To mend: "
                "leave the tolerance out, or claim a number."
            )
        return Claim(name, str(value), unit, 0.0)
    number = _number(value)
    if number is None:
        raise ValueFault(
            f"claim '{name}': value = {clipped(str(value))}, expected one finite number or a text. To mend: pick one "
            "number, or claim the state in words where there is none."
        )
    return Claim(name, number, unit, limit)


def _number(value: object) -> float | None:
    """The one finite number something holds, or None; a truth value is no number."""
    try:
        array = np.asarray(value)
    except (TypeError, ValueError):
        return None
    if array.size != 1 or array.dtype.kind not in "iuf":
        return None
    number = float(array.reshape(-1)[0])
    return number if math.isfinite(number) else None


def claims_csv(rows: Sequence[Claim]) -> str:
    """The claims as CSV; numbers in full, so that they read back as they were."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        value = row.value if isinstance(row.value, str) else repr(row.value)
        writer.writerow([row.name, row.kind, value, row.unit, repr(row.tolerance)])
    return stream.getvalue()


def read_claims(text: str, file: str) -> tuple[Claim, ...]:
    """Claims from their CSV.

    Raises
    ------
    ConvergenceError
        A head, a row or a number is not as ``claims_csv`` writes it.
    """
    mend = "To mend: take the publication from its source again."
    try:
        table = list(csv.reader(io.StringIO(text)))
    except csv.Error as error:
        raise ConvergenceError(f"{file}: expected a table of claims ({error}). {mend}") from error
    if not table or tuple(table[0]) != COLUMNS:
        raise ConvergenceError(f"{file}:1: expected the columns {', '.join(COLUMNS)}. {mend}")
    found: list[Claim] = []
    for number, cells in enumerate(table[1:], start=2):
        if len(cells) != len(COLUMNS) or cells[1] not in ("number", "text"):
            raise ConvergenceError(f"{file}:{number}: expected {len(COLUMNS)} cells, the second number or text. {mend}")
        name, kind, value, unit, tolerance = cells
        try:
            found.append(_checked(name, float(value) if kind == "number" else value, unit, float(tolerance)))
        except ValueError as error:
            raise ConvergenceError(f"{file}:{number}: expected a claim ({error}). {mend}") from error
    return _without_doubles(found, file)


def claims_from_output(data: object, where: str) -> tuple[Claim, ...]:
    """Claims from the output of a cell, checked as if they came from anywhere.

    Raises
    ------
    ConvergenceError
        The output is not what ``claims()`` shows, or a name was claimed twice.
    """
    rows = data.get("claims") if isinstance(data, Mapping) else None
    if not isinstance(rows, list):
        raise ConvergenceError(f"{where}: expected a table of claims. To mend: let the last cell show cv.claims().")
    found = []
    for row in rows:
        if not isinstance(row, Mapping):
            raise ConvergenceError(f"{where}: expected claims only. To mend: let the last cell show cv.claims().")
        item = _checked(row.get("name"), row.get("value"), row.get("unit"), row.get("tolerance"))
        if row.get("times", 1) != 1:
            raise ConvergenceError(
                f"{where}: '{item.name}' is claimed {row.get('times')} times, expected once. To mend: give each claim "
                "a name of its own."
            )
        found.append(item)
    return _without_doubles(found, where)


def _without_doubles(found: Sequence[Claim], where: str) -> tuple[Claim, ...]:
    names = [item.name for item in found]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ConvergenceError(
            f"{where}: '{twice[0]}' stands there twice, expected once. To mend: give each claim a name of its own."
        )
    return tuple(found)
