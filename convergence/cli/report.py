"""convergence report JOB: the daily sheet, one HTML file that prints."""

from __future__ import annotations

import argparse
from pathlib import Path

from convergence.cli.options import (
    Commands,
    add_job,
    add_out,
    add_processes,
    progress_bar,
    refuse_job_folder,
)


def add(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("report", help="write the daily sheet, one HTML file that prints")
    add_job(parser)
    add_out(parser, "report", "sheet.html")
    add_processes(parser)
    parser.add_argument(
        "--since",
        metavar="TIME",
        help="tell what changed since this instant (ISO 8601 with an offset); a day before the analysis unless given",
    )
    parser.set_defaults(run=_run)


def _run(options: argparse.Namespace) -> int:
    # what a command needs is imported when it runs: the parser answers at once
    from convergence.report.sheet import write_report
    from convergence.survey.job import read_job

    folder = Path(options.out)
    refuse_job_folder(folder, Path(options.job))
    job = read_job(options.job, options.as_of)
    # a folder that cannot be written is told before the work, not after it
    folder.mkdir(parents=True, exist_ok=True)
    progress = progress_bar("projecting")
    file = write_report(job, folder / "sheet.html", since=options.since, processes=options.jobs, progress=progress)
    print(f"wrote {file}: the daily sheet at {job.now.astype('datetime64[s]')}Z; open it in a browser or print it")
    return 0
