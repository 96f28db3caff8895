"""Seeds of random numbers, read from code without running it: those that are set, and draws that no seed holds.

A reading of the text finds what is written plainly; what a called package does inside it does not find.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from IPython.core.inputtransformer2 import TransformerManager
from nbformat import NotebookNode

from convergence.publish.parameters import own_cells
from convergence.publish.plain import printable

#: Calls that make a generator: seeded by what they are given, by the machine where they are given nothing.
MAKERS = ("default_rng", "RandomState", "SeedSequence", "PCG64", "PCG64DXSM", "MT19937", "Philox", "SFC64", "Random")
#: Calls that seed the generator that a module keeps.
SETTERS = ("seed", "manual_seed")
KEYWORDS = ("seed", "random_state", "rng")
#: Modules that keep a generator of their own, by every name they usually have.
GLOBAL = ("random", "np.random", "numpy.random")
#: Draws from the machine itself, which no seed holds.
MACHINE = ("os.urandom", "os.getrandom", "uuid.uuid1", "uuid.uuid4", "SystemRandom")
LONGEST = 80


@dataclass(frozen=True)
class Seeds:
    """What a notebook sets and what it leaves to the machine.

    Attributes
    ----------
    found : dict of str to str
        Where a seed is given, as "cell 4: np.random.default_rng", and what is given.
    unseeded : tuple of str
        Draws that come out otherwise each time, as "cell 5: default_rng()".
    """

    found: Mapping[str, str]
    unseeded: tuple[str, ...]


def notebook_seeds(notebook: NotebookNode) -> Seeds:
    """Seeds and unseeded draws in the author's cells."""
    trees = {
        f"cell {number}": parsed_cell(cell.source)
        for number, cell in enumerate(own_cells(notebook), start=1)
        if cell.cell_type == "code"
    }
    full = _full_names(trees.values())
    found: dict[str, list[str]] = {}
    loose: list[str] = []
    drawn: list[tuple[str, str, str]] = []
    held: set[str] = set()
    for where, tree in trees.items():
        for call, name in _calls(tree, full):
            module, last = name.rpartition(".")[::2]
            given = _given(call, last)
            if last in SETTERS and given:
                held.add(module)
            if given:
                found.setdefault(f"{where}: {name}", []).append(given)
            elif last in (*MAKERS, *SETTERS) or _left_open(call) or name in MACHINE or name.startswith("secrets."):
                loose.append(f"{where}: {_short(ast.unparse(call))}")
            elif module in GLOBAL:
                drawn.append((where, module, _short(ast.unparse(call))))
    # a module's own generator is held where any cell seeds it
    loose += [f"{where}: {told}" for where, module, told in drawn if module not in held]
    return Seeds({name: "; ".join(values) for name, values in found.items()}, tuple(dict.fromkeys(loose)))


def library_seeds(top: Path = Path(__file__).parents[1]) -> dict[str, str]:
    """Seeds in the library's own code: where it draws, and what its functions take unless they are told."""
    found: dict[str, list[str]] = {}
    for path in sorted(top.rglob("*.py"), key=lambda item: item.relative_to(top).as_posix()):
        text = path.read_text(encoding="utf-8")
        # the example is made before anything is read; its seed moves no number of a notebook
        if path.parts[len(top.parts)] == "example" or ("default_rng(" not in text and "seed: int" not in text):
            continue
        where = ".".join(path.relative_to(top).with_suffix("").parts)
        tree = _tree(text)
        for call, name in _calls(tree, {}):
            if name.rpartition(".")[2] in MAKERS:
                found.setdefault(where, []).append(_short(ast.unparse(call)))
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                found.setdefault(where, []).extend(f"{node.name}(seed={value})" for value in _default_seed(node))
    return {where: "; ".join(dict.fromkeys(values)) for where, values in found.items() if values}


def parsed_cell(source: str) -> ast.Module:
    """The code of a cell, the shorthands of notebooks written out; empty where it is none."""
    return _tree(TransformerManager().transform_cell(source))


def _tree(source: str) -> ast.Module:
    try:
        return ast.parse(source)
    except (SyntaxError, ValueError, RecursionError):
        # a cell of another language, or one that will fail when it runs
        return ast.Module([], [])


def _calls(tree: ast.Module, full: Mapping[str, str]) -> Iterator[tuple[ast.Call, str]]:
    """Every call with the full name of what is called."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name | ast.Attribute):
            name = ast.unparse(node.func)
            first, dot, rest = name.partition(".")
            yield node, full.get(first, first) + dot + rest


def _full_names(trees: Iterable[ast.Module]) -> dict[str, str]:
    """Names that a notebook imports, with what they stand for."""
    found: dict[str, str] = {}
    for tree in trees:
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and node.module:
                found |= {alias.asname or alias.name: f"{node.module}.{alias.name}" for alias in node.names}
            elif isinstance(node, ast.Import):
                found |= {alias.asname: alias.name for alias in node.names if alias.asname}
    return found


def _given(call: ast.Call, last: str) -> str:
    """The seed a call is given, as it is written; empty where it is given none."""
    values = [word.value for word in call.keywords if word.arg in KEYWORDS]
    if last in (*MAKERS, *SETTERS):
        values += call.args[:1]
    told = [_short(ast.unparse(value)) for value in values if not _is_none(value)]
    return told[0] if told else ""


def _left_open(call: ast.Call) -> bool:
    """Whether a call is told in so many words to take no seed."""
    return any(word.arg in KEYWORDS and _is_none(word.value) for word in call.keywords)


def _is_none(value: ast.expr) -> bool:
    return isinstance(value, ast.Constant) and value.value is None


def _default_seed(function: ast.FunctionDef) -> list[str]:
    """What a function takes for its seed unless it is told."""
    places = [*function.args.posonlyargs, *function.args.args]
    pairs = list(zip(reversed(places), reversed(function.args.defaults), strict=False))
    pairs += [
        (name, value) for name, value in zip(function.args.kwonlyargs, function.args.kw_defaults, strict=True) if value
    ]
    return [ast.unparse(value) for name, value in pairs if name.arg == "seed"]


def _short(text: str) -> str:
    line = printable(" ".join(text.split()))
    return line if len(line) <= LONGEST else line[: LONGEST - 3] + "..."
