"""The manifest of a publication: what it holds, file by file, and the publication's own fingerprint."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from convergence.errors import ConvergenceError
from convergence.publish.fingerprints import FileMark
from convergence.publish.names import inside, safe_name

NAME = "manifest.json"
FORMAT = "convergence publication 1"
CLAIMS, SETTINGS, ENVIRONMENT = "claims.csv", "settings.json", "environment.json"
#: Folder of the inputs; what is in it is told apart from all other files.
INPUTS = "inputs"
LARGEST = 64 * 1024**2
MEND = "To mend: take the publication from its source again."
_HEX = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class Manifest:
    """What a publication is made of.

    Attributes
    ----------
    title : str
        Of the notebook.
    published : str
        Instant, UTC.
    notebook, page : str
        Names of the executed notebook and of its page.
    cells : tuple of str
        SHA-256 of each of the author's cells, to name those that were edited.
    inputs : dict of str to FileMark
        Every file of the job by its name in the job folder; empty where the notebook reads none.
    inputs_kept : bool
        Whether the inputs are in the publication; otherwise their marks alone are.
    files : dict of str to FileMark
        Every other file of the publication but the manifest.
    """

    title: str
    published: str
    notebook: str
    page: str
    cells: tuple[str, ...]
    inputs: Mapping[str, FileMark]
    inputs_kept: bool
    files: Mapping[str, FileMark]

    @property
    def text(self) -> str:
        """As it stands in its file; ASCII, so that no title is beyond it."""
        told = {"format": FORMAT, **asdict(self)}
        return json.dumps(told, indent=1) + "\n"

    @property
    def fingerprint(self) -> str:
        """SHA-256 of its text: one number for the whole publication."""
        return hashlib.sha256(self.text.encode("utf-8")).hexdigest()


def read_manifest(folder: Path) -> tuple[Manifest, str]:
    """The manifest of a publication, checked in every part, and its fingerprint as it stands in the file.

    Raises
    ------
    ConvergenceError
        There is none, or it is not as a publication writes it.
    """
    path = folder / NAME
    if not folder.is_dir() or not path.is_file() or path.is_symlink():
        raise ConvergenceError(f"{folder}: no {NAME}, expected a publication. {MEND}")
    data = read_small(path)
    try:
        told = json.loads(data.decode("utf-8"), object_pairs_hook=_once)
        if not isinstance(told, dict) or told.pop("format", None) != FORMAT:
            raise ValueError(f"expected the format '{FORMAT}'")
        names = ("title", "published", "notebook", "page")
        texts = [told.pop(name) for name in names]
        cells, kept = told.pop("cells"), told.pop("inputs_kept")
        inputs, files = (_marks(told.pop(name)) for name in ("inputs", "files"))
        if told or not all(isinstance(text, str) for text in texts) or not isinstance(kept, bool):
            raise ValueError("a part is not of its kind")
        if not isinstance(cells, list) or not all(isinstance(mark, str) and _HEX.fullmatch(mark) for mark in cells):
            raise ValueError("cells are not fingerprints")
        title, published, notebook, page = texts
        manifest = Manifest(title, published, notebook, page, tuple(cells), inputs, kept, files)
        needed = (manifest.notebook, manifest.page, CLAIMS, SETTINGS, ENVIRONMENT)
        if kept_apart := [name for name in files if name.lower().split("/")[0] == INPUTS]:
            raise ValueError(f"{kept_apart[0]} stands among the inputs and is not told as one")
        missing = [name for name in needed if name not in files]
        if missing:
            raise ValueError(f"no fingerprint of {', '.join(missing)}")
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        why = f"no {error}" if isinstance(error, KeyError) else str(error)
        raise ConvergenceError(f"{path}: not as a publication writes it ({why[:200]}). {MEND}") from error
    return manifest, hashlib.sha256(data).hexdigest()


def _marks(told: object) -> dict[str, FileMark]:
    if not isinstance(told, dict):
        raise ValueError("files are no table")
    found = {}
    for name, mark in told.items():
        if not safe_name(name):
            raise ValueError(f"the name {ascii(name)[:80]} leaves the folder")
        if not isinstance(mark, dict) or set(mark) != {"sha256", "size", "lines"}:
            raise ValueError(f"{name} has no fingerprint")
        if not _HEX.fullmatch(str(mark["sha256"])) or not all(
            isinstance(mark[part], int) for part in ("size", "lines")
        ):
            raise ValueError(f"{name} has no fingerprint")
        found[name] = FileMark(mark["sha256"], mark["size"], mark["lines"])
    return found


def _once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    """A table of JSON in which no key stands twice: readers differ in which they take."""
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice")
    return found


def read_small(path: Path) -> bytes:
    """The bytes of a file that a publication keeps small.

    Raises
    ------
    ConvergenceError
        It is larger than any publication writes.
    """
    if path.stat().st_size > LARGEST:
        raise ConvergenceError(f"{path}: larger than {LARGEST} bytes. {MEND}")
    return path.read_bytes()


def read_json(folder: Path, name: str) -> dict[str, object]:
    """A table of JSON of a publication.

    Raises
    ------
    ConvergenceError
        The file is no such table.
    """
    try:
        told = json.loads(read_small(inside(folder, name)).decode("utf-8"), object_pairs_hook=_once)
    except (ValueError, RecursionError) as error:
        raise ConvergenceError(f"{folder / name}: not as a publication writes it. {MEND}") from error
    if not isinstance(told, dict):
        raise ConvergenceError(f"{folder / name}: not as a publication writes it. {MEND}")
    return told


def read_table(folder: Path, name: str) -> dict[str, dict[str, str]]:
    """A table of texts by group, from a JSON file of a publication; what is no text is left out.

    Raises
    ------
    ConvergenceError
        The file is no such table.
    """
    return {
        group: {key: value for key, value in rows.items() if isinstance(value, str)}
        for group, rows in read_json(folder, name).items()
        if isinstance(rows, dict)
    }
