"""What a publication must not tell: the folders of a machine, its name, the name of who worked on it."""

from __future__ import annotations

import getpass
import html
import os
import platform
import re
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from nbformat import NotebookNode

from convergence.errors import ConvergenceError
from convergence.publish.claims import MIME, Claim

#: Account names that tell nothing of anybody.
COMMON_ACCOUNTS = ("root", "admin", "administrator", "user", "guest", "nobody", "jovyan", "runner", "ubuntu")
#: Words of tables and dates that are names too; replaced wherever they stand, they would spoil a table.
WORDS = ("max", "min", "std", "mean", "may", "april", "june", "august", "mark", "day", "localhost")
SHORTEST_USER, SHORTEST_HOST = 3, 2
#: Before a folder stands no part of a longer path; a line end or a tab written out, or the end of a colour, may.
LEFT = r"(?:(?<![\w.-])|(?<=\\[nrt])|(?<=\[0m)|(?<=\d\dm))"


class Veil:
    """Replaces what names a machine or its user in the outputs of a notebook.

    Parameters
    ----------
    folders : mapping of Path to str
        Further folders with what stands in their place.
    keep : str
        Text whose words are no secret: the notebook's own code and prose.
    """

    def __init__(self, folders: Mapping[Path, str], keep: str) -> None:
        self._places = _places(folders)
        self._pattern = re.compile(
            # a longer path first; a path begins and ends where a name does
            LEFT
            + f"(?:{'|'.join(re.escape(place) for place in sorted(self._places, key=len, reverse=True))})"
            + r"(?![\w-])"
        )
        words = set(re.findall(r"[\w.-]+", keep))
        self._names = {name: told for name, told in _names().items() if name not in words}

    def clear(self, text: str) -> str:
        """The text without folders and names of this machine."""
        text = self._pattern.sub(lambda match: self._places[match.group()], text)
        for name, told in self._names.items():
            text = re.sub(rf"(?<![\w-]){re.escape(name)}(?![\w-])", told, text)
        return text

    def folder_in(self, text: str) -> str:
        """The first folder of this machine that a text names; empty where it names none."""
        found = self._pattern.search(text)
        return found.group() if found else ""

    def clear_outputs(self, notebook: NotebookNode) -> None:
        """Clear every output of a notebook in place, pictures and the table of claims aside."""
        for cell in notebook.cells:
            if cell.cell_type == "code":
                cell["outputs"] = [
                    output if MIME in output.get("data", {}) else self._cleared(output, "") for output in cell.outputs
                ]

    def _cleared(self, value: object, key: str) -> object:
        if isinstance(value, str):
            return value if key.startswith("image/") and key != "image/svg+xml" else self.clear(value)
        if isinstance(value, dict):
            return type(value)({name: self._cleared(item, name) for name, item in value.items()})
        if isinstance(value, list):
            return [self._cleared(item, key) for item in value]
        return value

    def refuse_source(self, notebook: NotebookNode, name: str) -> None:
        """Refuse a notebook whose own text names a folder of this machine; its text is not changed for it.

        Raises
        ------
        ConvergenceError
            A cell names one.
        """
        for number, cell in enumerate(notebook.cells, start=1):
            found = self._pattern.search(cell.source)
            if found:
                raise ConvergenceError(
                    f"{name}: cell {number} names a folder of this machine ({found.group()}), and a publication tells "
                    "none. To mend: name it relative to the notebook, or give the job with --job."
                )

    def refuse_claims(self, claims: Sequence[Claim], name: str) -> None:
        """Refuse claims that name a folder of this machine; a claim is compared as it is and never changed.

        Raises
        ------
        ConvergenceError
            A claim names one.
        """
        for item in claims:
            found = self._pattern.search(f"{item.name}\n{item.value}\n{item.unit}")
            if found:
                raise ConvergenceError(
                    f"{name}: the claim '{item.name}' names a folder of this machine ({found.group()}), and a "
                    "publication tells none. To mend: claim it without the folder."
                )


def _places(folders: Mapping[Path, str]) -> dict[str, str]:
    """Folders of this machine, in every way they are written, with what stands in their place."""
    known = [
        (Path(tempfile.gettempdir()), "[temporary]"),
        (Path.home(), "[home]"),
        (Path(sys.base_prefix), "[python]"),
        (Path(sys.prefix), "[python]"),
        (Path(__file__).parents[2], "[library]"),
        (Path.cwd(), "[folder]"),
        *folders.items(),
    ]
    found: dict[str, str] = {}
    for folder, told in known:
        for path in {folder.absolute(), folder.resolve()}:
            # the root of a drive, and what a system has for everyone, name nobody
            if path == Path(path.anchor) or str(path) in ("/usr", "/usr/local", "/opt"):
                continue
            for text in {str(path), path.as_posix(), str(path).replace("\\", "\\\\")}:
                found[text] = told
                found[html.escape(text)] = told
    return found


def _names() -> dict[str, str]:
    """Names of this machine and of its user, with what stands in their place."""
    found = {}
    host = platform.node()
    for name in (host, host.split(".")[0]):
        if len(name) >= SHORTEST_HOST and name.lower() not in WORDS:
            found[name] = "[host]"
    try:
        user = getpass.getuser()
    except (OSError, KeyError):
        user = os.environ.get("USERNAME", "")
    if len(user) >= SHORTEST_USER and user.lower() not in (*COMMON_ACCOUNTS, *WORDS):
        found[user] = "[user]"
    return found
