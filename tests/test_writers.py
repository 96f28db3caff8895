"""Nothing that is written is ever half there: every writer of the package goes through a place of its own first."""

from __future__ import annotations

import ast
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from convergence import example
from convergence.errors import ConvergenceError
from convergence.example import write_example
from convergence.plots.canvas import write_png
from convergence.report.files import write_text

PACKAGE = Path(__file__).parent.parent / "convergence"
#: Calls that write a file at its place, by the last part of their name.
WRITING = {"write_text", "write_bytes", "to_csv", "to_netcdf", "to_zarr", "savefig", "save", "savez", "savetxt", "dump"}
#: Modules that write: into a file beside the place, moved when whole, or into a folder that is moved when whole.
WRITERS = {
    "report/files.py": "beside its place",
    "plots/canvas.py": "beside its place",
    "example/write.py": "into a folder of its own",
    "publish/publication.py": "into a folder of its own",
    "report/sheet/pictures.py": "into memory",
    "cache/store.py": "beside its place",
}


def writing_calls(path: Path) -> Iterator[str]:
    """Calls in a module that may write a file at its place."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    own = {alias.asname or alias.name for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)
           for alias in node.names if (node.module or "").startswith("convergence")}  # fmt: skip
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        if name in WRITING and name not in own and (node.args or name != "to_csv"):
            yield name
        if name in ("open", "fdopen"):
            modes = [*node.args, *(word.value for word in node.keywords if word.arg == "mode")]
            texts = [mode.value for mode in modes if isinstance(mode, ast.Constant) and isinstance(mode.value, str)]
            if any(set(mode) <= set("rwaxbt+") and set(mode) & set("wax+") for mode in texts):
                yield name


def test_only_the_writers_write() -> None:
    found = {
        str(path.relative_to(PACKAGE)): calls for path in PACKAGE.rglob("*.py") if (calls := list(writing_calls(path)))
    }
    strange = {name: calls for name, calls in found.items() if name not in WRITERS}
    assert not strange, "write through convergence.report.files.write_text or plots.canvas.write_png"


def test_the_search_sees_what_it_must(tmp_path: Path) -> None:
    source = tmp_path / "sample.py"
    source.write_text(
        "from convergence.report.files import write_text\nwrite_text(path, 'x')\npath.write_bytes(b'')\n"
        "open('a', 'w')\npath.open(mode='ab')\nopen('r.txt')\ntable.to_csv()\ntable.to_csv(path)\n"
    )
    assert list(writing_calls(source)) == ["write_bytes", "open", "open", "to_csv"]


class Figure:
    """Stands for a figure whose picture is a few bytes, written in two parts."""

    def savefig(self, stream: object, **_: object) -> None:
        stream.write(b"one")  # type: ignore[attr-defined]
        stream.write(b"two")  # type: ignore[attr-defined]


def text(path: Path) -> None:
    write_text(path, "new " * 10_000)


def picture(path: Path) -> None:
    write_png(Figure(), path)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "fault", [OSError(28, "No space left on device"), KeyboardInterrupt()], ids=["full", "stopped"]
)
@pytest.mark.parametrize("call", ["fsync", "replace", "fdopen"])
@pytest.mark.parametrize("write", [text, picture])
def test_an_interrupted_write_leaves_the_good_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, write: Callable[[Path], None], call: str, fault: BaseException
) -> None:
    path = tmp_path / "result"
    path.write_bytes(b"good")
    real = getattr(os, call)

    def fails(*arguments: object, **named: object) -> object:
        if call == "fdopen":
            # half of it comes through before the fault
            stream = real(*arguments, **named)
            write_part = stream.write

            class Half:
                def __enter__(self) -> Half:
                    return self

                def __exit__(self, *_: object) -> None:
                    stream.close()

                def write(self, data: str | bytes) -> None:
                    write_part(data[: len(data) // 2])
                    raise fault

            return Half()
        raise fault

    with monkeypatch.context() as patch:
        patch.setattr(os, call, fails)
        with pytest.raises(type(fault)):
            write(path)
    assert path.read_bytes() == b"good"
    assert os.listdir(tmp_path) == ["result"]
    write(path)
    assert path.read_bytes() != b"good"


@pytest.mark.parametrize("part", ["write_prisms", "write_record", "write_readme"])
def test_an_interrupted_example_leaves_an_empty_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, part: str
) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(example, part, stopped)
    with pytest.raises(KeyboardInterrupt):
        write_example(tmp_path / "job")
    assert os.listdir(tmp_path / "job") == []


def test_an_example_does_not_go_into_a_folder_in_use(tmp_path: Path) -> None:
    (tmp_path / "kept").write_text("good")
    with pytest.raises(ConvergenceError):
        write_example(tmp_path)
    assert os.listdir(tmp_path) == ["kept"]
