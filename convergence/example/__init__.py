"""The example job: an invented tunnel whose record is made from physics, with its faults and its truth.

The truth behind the record uses none of the curves the toolkit fits, so that a good projection of it is no
reading of its own handwriting.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import numpy as np

from convergence.errors import ValueFault
from convergence.example.advance import drive_tunnel
from convergence.example.faults import plant_faults
from convergence.example.readme import write_readme
from convergence.example.record import make_record
from convergence.example.settings import write_settings
from convergence.example.truth import make_truth
from convergence.example.write import write_prisms, write_record
from convergence.example.write_truth import write_truth

__all__ = ["write_example"]

SETTINGS = "tunnel.toml"


def write_example(folder: Path, seed: int = 20) -> None:
    """Write the example job into a new or empty folder, all of it or nothing; the same seed gives the same bytes.

    Parameters
    ----------
    folder : Path
        Folder to write; made where it does not exist.
    seed : int
        Start of the random numbers, 0 or more; 20 is the job kept in `sample_data/ridge_tunnel`. Another seed
        gives another ground, advance and noise; the places of the faults stay.

    Raises
    ------
    ValueFault
        The folder holds something already, or is a file; or the seed is negative.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise ValueFault(
            f"the folder '{folder}' exists and is not an empty folder, nothing was written; "
            "name a new or an empty folder"
        )
    if seed < 0:
        raise ValueFault(f"the seed is {seed}; give a whole number of 0 or more")
    streams = [np.random.Generator(np.random.PCG64(child)) for child in np.random.SeedSequence(seed).spawn(4)]
    truth = make_truth(drive_tunnel(streams[0]), streams[1])
    record = make_record(truth, streams[2])
    planted = plant_faults(truth, record, streams[3])
    folder.mkdir(parents=True, exist_ok=True)
    part = Path(tempfile.mkdtemp(prefix=".part.", dir=folder))
    try:
        write_settings(part)
        write_prisms(part, truth)
        write_record(part, record)
        write_truth(part / "truth", truth, record, planted)
        write_readme(part, record, planted)
        # all at once when all is there, the settings last: without them nobody takes the folder for a job
        for made in sorted(part.iterdir(), key=lambda path: path.name == SETTINGS):
            made.replace(folder / made.name)
    finally:
        shutil.rmtree(part, ignore_errors=True)
