"""The settings of a publication: what its run was told, and the same worked out again from the notebook it holds."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from nbformat import NotebookNode

from convergence.errors import ConvergenceError
from convergence.publish.inputs import FOLDER
from convergence.publish.kernel import FIXED
from convergence.publish.manifest import SETTINGS, Manifest, read_json, read_small
from convergence.publish.names import inside
from convergence.publish.notebook import clean
from convergence.publish.parameters import own_cells, read_given, read_parameters
from convergence.publish.seeds import library_seeds, notebook_seeds

Settings = dict[str, dict[str, str]]
TOML = "tunnel.toml"
#: Groups that another version of the library may write otherwise.
OF_THE_LIBRARY = ("kernel", "seeds", "unseeded", "seeds of the library")
#: The time a run took, which nothing can tell again.
SECONDS = "seconds"
MOST_NAMED = 6


def settings_of(notebook: NotebookNode, values: Mapping[str, object]) -> Settings:
    """What a notebook says of its run, as texts by group.

    Parameters
    ----------
    notebook : NotebookNode
        The notebook.
    values : mapping of str to object
        What it was given.

    Raises
    ------
    ConvergenceError
        Its parameters cannot be read.
    """
    told = {name: repr(value) for name, value in read_parameters(notebook).items()}
    told |= {name: repr(value) for name, value in values.items()}
    seeds = notebook_seeds(notebook)
    return {
        "parameters": told,
        "given": {name: value for name, value in values.items() if isinstance(value, str)},
        "run": {"cells": str(len(own_cells(notebook)))},
        "kernel": dict(FIXED),
        "seeds": {"hash": FIXED["PYTHONHASHSEED"]}
        | {name: value for name, value in told.items() if "seed" in name.lower()}
        | dict(seeds.found),
        "unseeded": {str(number): draw for number, draw in enumerate(seeds.unseeded, start=1)},
        "seeds of the library": library_seeds(),
    }


def job_settings(toml: bytes | None, sha256: str) -> dict[str, str]:
    """The settings file of the job: its text, or its fingerprint alone where the job's files are not published."""
    return {TOML: f"sha256 {sha256}" if toml is None else toml.decode("utf-8-sig", "replace")}


def settings_faults(place: Path, manifest: Manifest, notebook: NotebookNode, same_library: bool) -> tuple[str, ...]:
    """Where the settings of a publication are not what its notebook and its inputs say, one line each.

    Parameters
    ----------
    place : Path
        The publication.
    manifest : Manifest
        Its manifest.
    notebook : NotebookNode
        Its executed notebook.
    same_library : bool
        Whether the library here is the one that wrote them; of another one, what only it knows is not compared.
    """
    try:
        told = read_json(place, SETTINGS)
        expected = settings_of(clean(notebook), read_given(notebook))
        if TOML in manifest.inputs:
            file = inside(place, f"{FOLDER}/{TOML}")
            # one that is missing is told where the files are held against the manifest
            if file.is_file() or not manifest.inputs_kept:
                toml = read_small(file) if manifest.inputs_kept else None
                expected["job"] = job_settings(toml, manifest.inputs[TOML].sha256)
            else:
                told.pop("job", None)
    except ConvergenceError as error:
        return (f"{SETTINGS}: cannot be compared with the notebook ({error})",)
    except OSError as error:
        return (f"{SETTINGS}: cannot be compared with the notebook ({error.strerror})",)
    found = []
    for group in sorted(expected.keys() | told.keys()):
        if group in OF_THE_LIBRARY and not same_library:
            continue
        one, two = told.get(group), expected.get(group)
        if not isinstance(one, dict) or two is None:
            found.append(group)
            continue
        names = one.keys() | two.keys()
        if group == "run":
            names -= {SECONDS}
        found += [f"{group}, {name}" for name in sorted(names) if one.get(name) != two.get(name)]
    if not found:
        return ()
    more = f" and {len(found) - MOST_NAMED} more" if len(found) > MOST_NAMED else ""
    return (f"{SETTINGS}: not what the notebook and the inputs say ({'; '.join(found[:MOST_NAMED])}{more})",)
