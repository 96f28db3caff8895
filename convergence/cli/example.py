"""convergence example DIR: write the example job."""

from __future__ import annotations

import argparse
from pathlib import Path

from convergence.cli.options import Commands


def add(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("example", help="write the example job, an invented tunnel")
    parser.add_argument("folder", metavar="DIR", help="a folder that does not exist or is empty")
    parser.set_defaults(run=_run)


def _run(options: argparse.Namespace) -> int:
    # what a command needs is imported when it runs: the parser answers at once
    from convergence.example import write_example

    write_example(Path(options.folder))
    print(f"wrote the example job to {options.folder}; now: convergence outlook {options.folder}")
    return 0
