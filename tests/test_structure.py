"""The structure holds: data moves one way, formulas stay formulas, files stay small and hold what is the project's.

The imports are read from the source with `ast`, inside functions too, so that nothing has to run for the check.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parent.parent
PACKAGE = TOP / "convergence"
MODULES = sorted(PACKAGE.rglob("*.py"))

#: The flow of data; a part may import from itself and from parts of a lower number.
LEVELS = {
    "errors": 0, "units": 0, "terms": 0,
    "laws": 1, "cache": 1,
    "job": 2,
    "survey": 3,
    "measures": 4,
    "fitting": 5,
    "projection": 6,
    "triggers": 7,
    "hindcasting": 8, "lining": 8,
    "plots": 9,
    "report": 10, "publish": 10,
    "cli": 11, "": 11,
}  # fmt: skip
#: The example is made from physics of its own; it may know where things are, and no more.
EXAMPLE_MAY = ("errors", "survey.alignment")
#: Formulas and batch kernels: numpy and scipy, the errors, the laws and each other.
KERNELS = (
    *(f"laws.{path.stem}" for path in (PACKAGE / "laws").glob("*.py") if path.stem != "__init__"),
    *(f"survey.{name}" for name in ("alignment", "chain", "elements", "foot", "profile", "noise_model", "steps")),
    "survey.laying", "survey.swaps", "survey.mistyped", "job.stationing",
    *(f"fitting.{name}" for name in ("basis", "basis_table", "differences", "model", "polish", "precision", "problem")),
    *(f"fitting.{name}" for name in ("projection", "screen", "status", "columns", "gram", "active_sets")),
    *(f"fitting.{name}" for name in ("section_fit", "section_precision", "section_status")),
    *(f"projection.{name}" for name in ("mixture", "prior")),
    "measures.chords", "measures.rigid", "measures.strain",
    "measures.rates", "measures.distortion", "measures.inverse_velocity",
    "triggers.page", "triggers.surprise",
    *(f"lining.{name}" for name in ("elastic", "plastic_zone", "mohr_coulomb", "hoek_brown", "reaction", "roots")),
    *(f"lining.{name}" for name in ("release", "support", "ageing", "creep", "layers", "members", "steps")),
    *(f"lining.{name}" for name in ("equilibrium", "held", "ring_forces", "lined_movement", "capacity")),
    "lining.strain_levels", "lining.ranges", "lining.rounds", "lining.bolts",
)  # fmt: skip
#: Plain data that a kernel may take in; no kernel reads a file, a label or a settings table from it.
PLAIN_DATA = ("job.schema", "measures.series")
MOST_LINES = 400


def name_of(path: Path) -> str:
    """Dotted name inside the package, "" for the package itself."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports_of(path: Path) -> set[str]:
    """Full dotted names a module imports; `from a import b` counts as a.b where that is a module."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"), str(path))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative imports hide where a name comes from"
            base = node.module or ""
            below = {f"{base}.{alias.name}" for alias in node.names}
            modules = {name for name in below if is_module(name)}
            found |= modules | ({base} if len(modules) < len(below) else set())
    return found


def is_module(name: str) -> bool:
    place = TOP.joinpath(*name.split("."))
    return place.with_suffix(".py").is_file() or (place / "__init__.py").is_file()


def own_imports(path: Path) -> set[str]:
    """Names inside the package that a module imports, "" for the package itself."""
    return {
        name.removeprefix("convergence").removeprefix(".")
        for name in imports_of(path)
        if name.split(".")[0] == "convergence"
    }


def test_the_reader_of_imports_sees_what_it_must(tmp_path: Path) -> None:
    source = tmp_path / "sample.py"
    source.write_text(
        "from convergence.laws import FacePath, registry\nfrom convergence import plots\n"
        "def late():\n    import lmfit\n    from convergence.errors import Fault\n"
    )
    found = imports_of(source)
    own = {"convergence.laws", "convergence.laws.registry", "convergence.plots", "convergence.errors"}
    assert found == {*own, "lmfit"}


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_data_moves_one_way(path: Path) -> None:
    name = name_of(path)
    part = name.split(".")[0]
    if part == "example":
        strange = {
            other for other in own_imports(path)
            if not other.startswith("example") and other not in EXAMPLE_MAY and other != ""
        }  # fmt: skip
    elif part in ("", "cli"):
        strange = set()
    else:
        assert part in LEVELS, f"'{part}' has no place in the flow of data: give it one in LEVELS"
        strange = {
            other for other in own_imports(path)
            if other.split(".")[0] != part and LEVELS.get(other.split(".")[0], 11) >= LEVELS[part]
        }  # fmt: skip
    assert not strange, f"{name} imports {sorted(strange)}, which stand beside or above it"


@pytest.mark.parametrize("top", ["plots", "report", "publish", "cli"])
def test_nothing_below_knows_of(top: str) -> None:
    """Only the command line and the package's own list of names, which loads them late, may; a report holds figures."""
    users = {name_of(path) for path in MODULES for other in own_imports(path) if other.split(".")[0] == top}
    allowed = (top, "cli", "", *(("report",) if top == "plots" else ()))
    assert not {user for user in users if user.split(".")[0] not in allowed}


@pytest.mark.parametrize("name", KERNELS)
def test_formulas_need_numbers_only(name: str) -> None:
    path = PACKAGE.joinpath(*name.split(".")).with_suffix(".py")
    outside = {other.split(".")[0] for other in imports_of(path)} - {"convergence"}
    assert outside - set(sys.stdlib_module_names) <= {"numpy", "scipy"}
    assert not outside & {"os", "pathlib", "io", "csv", "tomllib", "sqlite3"}, "a formula reads no file"
    strange = {
        other for other in own_imports(path)
        if other not in (*KERNELS, *PLAIN_DATA) and other.split(".")[0] not in ("errors", "laws")
    }  # fmt: skip
    assert not strange


def test_the_batch_needs_no_labels() -> None:
    path = PACKAGE / "fitting" / "batch.py"
    outside = {other.split(".")[0] for other in imports_of(path)} - {"convergence", *sys.stdlib_module_names}
    assert outside == {"numpy"}
    assert {name.split(".")[0] for name in own_imports(path)} <= {"fitting", "laws", "errors", "measures"}


def test_every_kernel_named_here_exists() -> None:
    assert [name for name in (*KERNELS, *PLAIN_DATA) if not is_module(f"convergence.{name}")] == []


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_modules_are_small(path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines < MOST_LINES, f"{path.name} has {lines} lines: split it where a second idea begins"


def test_importing_the_package_is_light() -> None:
    """lmfit comes with the first single fit, matplotlib with the first figure, neither with the package."""
    script = "import sys, convergence; print(sorted({'lmfit', 'matplotlib', 'pandas'} & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=TOP, timeout=60
    )
    assert done.stdout.strip() == "[]"


def test_every_public_name_loads() -> None:
    script = (
        "import convergence as cv\nfor name in cv.__all__:\n    assert getattr(cv, name) is not None, name\n"
        "assert set(cv.__all__) <= set(dir(cv))\ntry:\n    cv.no_such_name\nexcept AttributeError as error:\n"
        "    assert 'no_such_name' in str(error)\nelse:\n    raise SystemExit(3)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, cwd=TOP, timeout=60)
    assert done.returncode == 0, done.stderr


def texts() -> list[Path]:
    """Every text file of the project that is kept by hand, and the example's settings and story."""
    kinds = {".py", ".toml", ".md", ".ipynb", ".txt", ".cfg", ".yml", ".yaml"}
    roots = (PACKAGE, TOP / "tests", TOP / "sample_data", TOP / "notebooks")
    found = [path for root in roots if root.is_dir() for path in root.rglob("*") if path.suffix in kinds]
    return [*found, *(path for path in TOP.glob("*.*") if path.suffix in kinds)]


def test_no_file_names_a_place_of_one_machine() -> None:
    """Absolute paths of the machine a file was written on mean nothing on the next, and tell of its owner."""
    # spelt apart so that this file does not name one itself
    places = "|".join(("home", "root", "Users", "tmp", "work", "mnt", "var", "private"))
    absolute = re.compile(rf"(?<![\w.)\]}}<])/(?:{places})/\w|[A-Z]:\\\\?Users")
    found = [
        f"{path.relative_to(TOP)}:{number}"
        for path in texts()
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if absolute.search(line)
    ]
    assert found == []


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_nothing_is_left_for_later(path: Path) -> None:
    """No stub, no note to self, no catch-all: what is here is finished."""
    text = path.read_text(encoding="utf-8")
    assert not re.search(r"\b(TO" r"DO|FIX" r"ME|XX" r"X|HA" r"CK)\b", text)
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.ExceptHandler):
            assert node.type is not None, f"{path.name}:{node.lineno}: a bare except catches what nobody meant"
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and not node.name.startswith("_"):
            assert node.args.kwarg is None, f"{path.name}:{node.lineno}: **kwargs swallow a typing mistake"
