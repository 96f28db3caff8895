"""What a kernel tells of itself: its environment, and from where it loaded the library and the numerical packages.

It is asked after the last cell, so that what a cell installed or put on the search path is told too. A package loaded
from another place than its version is read from would be recorded under a version that did not run.
"""

from __future__ import annotations

import ast
import importlib.util
import json
import os
from collections.abc import Mapping

from nbformat import NotebookNode
from nbformat.v4 import new_code_cell

from convergence.publish.environment import NUMERICAL, library_code
from convergence.publish.parameters import GIVEN

#: Run after the last cell; it names no variable that a notebook may have given another meaning.
_ASK = """__import__("json").dumps([
    {{name: __import__("sys").modules[name].__file__ for name in {names!r} if name in __import__("sys").modules}},
    __import__("convergence.publish.environment", fromlist=["environment"]).environment(),
])"""


def origins_cell() -> NotebookNode:
    """A cell that tells where each package was loaded from, and the environment; taken out again after the run."""
    cell: NotebookNode = new_code_cell(_ASK.format(names=NUMERICAL), id="origins", metadata={"tags": [GIVEN]})
    return cell


def read_origins(cell: NotebookNode) -> tuple[str, dict[str, dict[str, str]]]:
    """What the kernel loaded from elsewhere than this process, in words, and its environment.

    The words are empty where it loaded what this process has; then the library's code is read here, for it is the same.
    """
    try:
        told = [output.data["text/plain"] for output in cell.outputs if output.output_type == "execute_result"]
        loaded, stands = json.loads(ast.literal_eval(told[-1]))
        elsewhere = [name for name, file in loaded.items() if os.path.realpath(file) != _here(name)]
        found = {group: _texts(stands[group]) for group in ("platform", "packages")}
    except (IndexError, KeyError, ValueError, SyntaxError, TypeError, AttributeError):
        return "its kernel does not tell which packages it loaded", {}
    if elsewhere:
        return f"its kernel loaded {', '.join(elsewhere)} from another place than this process", {}
    return "", {"platform": found["platform"], "library": {"code": library_code()}, "packages": found["packages"]}


def _texts(rows: Mapping[str, object]) -> dict[str, str]:
    return {str(name): str(value) for name, value in rows.items()}


def _here(name: str) -> str:
    found = importlib.util.find_spec(name)
    return os.path.realpath(found.origin) if found is not None and found.origin is not None else ""
