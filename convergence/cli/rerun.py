"""convergence rerun DIR: verify a publication, run its notebook again, compare claim by claim."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from convergence.cli.given import fingerprint, instant
from convergence.cli.options import Commands, progress_bar, refuse_job_folder
from convergence.cli.stopping import stoppable
from convergence.errors import ConvergenceError

#: Exit code of each outcome; a script that asks whether a publication holds asks for 0.
CODES = {
    "holds": 0,
    "does not hold": 1,
    "other data, conclusions unchanged": 3,
    "other data, conclusions changed": 4,
}
EXITS = """exit codes:
  0  it holds: the folder is whole, and on the data published every claim is the same or within its tolerance
  1  it does not hold, or cannot be run: what is printed says why
  2  usage
  3  other data (--data, --as-of), as asked: conclusions unchanged; whether it holds on its own is not shown
  4  other data, as asked: conclusions changed
  130  stopped
"""


def add(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "rerun",
        help="verify a publication, run its notebook again, compare claim by claim; exit 0 only if all hold",
        description="Verify a publication, run its notebook again and compare claim by claim.",
        epilog=EXITS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("publication", metavar="DIR", help="the publication; its notebook's code is run")
    parser.add_argument("--data", metavar="JOB", help="run on this job folder instead of the inputs published")
    parser.add_argument(
        "--as-of",
        metavar="TIME",
        type=instant,
        help="read nothing later than this instant (as published; other data to their end)",
    )
    parser.add_argument(
        "--fingerprint", metavar="HEX", type=fingerprint, help="the publication's fingerprint as it was told to you"
    )
    parser.add_argument(
        "--run-edited", action="store_true", help="run the notebook although it is not the one published"
    )
    parser.add_argument("--sheet", metavar="FILE", help="the review sheet, HTML (DIR-review.html beside DIR)")
    parser.set_defaults(run=stoppable(_run))


def _run(options: argparse.Namespace) -> int:
    # what a command needs is imported when it runs: the parser answers at once
    from convergence.publish.rerun import review_publication
    from convergence.publish.sheet import review_sheet
    from convergence.report.files import write_text

    folder = Path(options.publication)
    sheet = _free_sheet(folder) if options.sheet is None else Path(options.sheet)
    _refuse_sheet(sheet, folder, None if options.data is None else Path(options.data))
    review = review_publication(
        folder,
        options.data,
        options.as_of,
        options.fingerprint,
        options.run_edited,
        lambda text: print(text, file=sys.stderr, flush=True),
        progress_bar("running"),
    )
    # the sheet first: a reader of what is printed may go away
    write_text(sheet, review_sheet(review))
    print(review)
    print(f"\nwrote {sheet}")
    return CODES[review.outcome]


def _free_sheet(folder: Path) -> Path:
    """A name beside the publication that is not taken: a sheet may have been signed."""
    place = folder.resolve()
    names = (f"{place.name}-review{'' if number == 1 else f'-{number}'}.html" for number in range(1, 10_000))
    return next(found for name in names if not (found := place.parent / name).exists())


def _refuse_sheet(sheet: Path, folder: Path, data: Path | None) -> None:
    """A sheet overwrites nothing, and stands neither in the publication nor in the job."""
    if sheet.exists():
        raise ConvergenceError(f"--sheet {sheet}: already there. To mend: name a file that does not exist.")
    if folder.resolve() in sheet.resolve().parents:
        raise ConvergenceError(f"--sheet {sheet}: inside the publication. To mend: name a file outside it.")
    if data is not None:
        refuse_job_folder(sheet.parent, data)
    # a place that cannot be written is told before the work, not after it
    sheet.parent.mkdir(parents=True, exist_ok=True)
    if not os.access(sheet.parent, os.W_OK):
        raise ConvergenceError(f"--sheet {sheet}: cannot be written there. To mend: name a file elsewhere.")
