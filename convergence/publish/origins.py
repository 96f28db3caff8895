"""Whether a kernel loaded the library and the numerical packages from where this process has them.

The environment recorded is the one of this process; a kernel with another search path would run other code.
"""

from __future__ import annotations

import ast
import importlib.util
import json
import os

from nbformat import NotebookNode
from nbformat.v4 import new_code_cell

from convergence.publish.environment import NUMERICAL
from convergence.publish.parameters import GIVEN

#: Run after the last cell; it names no variable that a notebook may have given another meaning.
_ASK = """__import__("json").dumps({{
    name: __import__("sys").modules[name].__file__ for name in {names!r} if name in __import__("sys").modules
}})"""


def origins_cell() -> NotebookNode:
    """A cell that tells which file each package was loaded from; put after the last cell and taken out again."""
    cell: NotebookNode = new_code_cell(_ASK.format(names=NUMERICAL), id="origins", metadata={"tags": [GIVEN]})
    return cell


def other_origins(cell: NotebookNode) -> str:
    """What the kernel loaded from elsewhere, in words; empty where it loaded what this process has."""
    try:
        told = [output.data["text/plain"] for output in cell.outputs if output.output_type == "execute_result"]
        loaded = json.loads(ast.literal_eval(told[-1]))
        elsewhere = [name for name, file in loaded.items() if os.path.realpath(file) != _here(name)]
    except (IndexError, KeyError, ValueError, SyntaxError, TypeError, AttributeError):
        return "its kernel does not tell which packages it loaded"
    return f"its kernel loaded {', '.join(elsewhere)} from another place than this process" if elsewhere else ""


def _here(name: str) -> str:
    found = importlib.util.find_spec(name)
    return os.path.realpath(found.origin) if found is not None and found.origin is not None else ""
