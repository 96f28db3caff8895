"""convergence publish NOTEBOOK: run a notebook and publish it so that a reviewer can run it again."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path

from convergence.cli.given import instant
from convergence.cli.options import Commands, folder_name, progress_bar, refuse_job_folder
from convergence.cli.stopping import stoppable


def add(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("publish", help="run a notebook and publish it so that a reviewer can run it again")
    parser.add_argument("notebook", metavar="NOTEBOOK", help="the notebook; its last cell shows cv.claims()")
    parser.add_argument("--job", metavar="JOB", help="the job folder (the notebook's own JOB)")
    parser.add_argument(
        "--as-of", metavar="TIME", type=instant, help="read nothing later than this instant (the notebook's AS_OF)"
    )
    parser.add_argument(
        "--out", metavar="DIR", type=folder_name, required=True, help="the publication, a folder that is not there yet"
    )
    parser.add_argument(
        "--inputs",
        choices=("files", "fingerprints"),
        default="files",
        help="publish the job's files, or their fingerprints only (files)",
    )
    parser.set_defaults(run=stoppable(_run))


def _run(options: argparse.Namespace) -> int:
    # what a command needs is imported when it runs: the parser answers at once
    from convergence.publish.publication import publish_notebook

    if options.job is not None:
        refuse_job_folder(Path(options.out), Path(options.job))
    made = publish_notebook(
        options.notebook, options.out, options.job, options.as_of, options.inputs, progress_bar("running")
    )
    print("\n".join(f"{row}" for row in made.claims))
    print(f"\npublished {made.folder} in {made.seconds:.0f} s; fingerprint {made.fingerprint}")
    if made.unseeded:
        print("drawn without a seed, so a rerun comes out otherwise:")
        print("\n".join(f"  {draw}" for draw in made.unseeded))
    print("Tell the reviewer the fingerprint by another way than the folder. The reviewer runs:")
    print(f"  convergence rerun {shlex.quote(made.folder.name)} --fingerprint {made.fingerprint}")
    return 0
