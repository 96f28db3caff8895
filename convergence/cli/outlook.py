"""convergence outlook JOB: fit, project, compare with the trigger levels."""

from __future__ import annotations

import argparse
from pathlib import Path

from convergence.cli.options import (
    Commands,
    add_job,
    add_out,
    add_processes,
    print_width,
    progress_bar,
    refuse_job_folder,
)


def add(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("outlook", help="fit, project, compare with the trigger levels")
    add_job(parser)
    add_out(parser, "outlook", "outlook.csv and the figures")
    add_processes(parser)
    parser.add_argument("--no-figures", action="store_true", help="write the table only")
    parser.set_defaults(run=_run)


def _run(options: argparse.Namespace) -> int:
    # what a command needs is imported when it runs: the parser answers at once
    from convergence.report.files import write_text
    from convergence.report.table import outlook_csv, outlook_text
    from convergence.survey.job import read_job
    from convergence.triggers.outlook import outlook

    folder = Path(options.out)
    refuse_job_folder(folder, Path(options.job))
    job = read_job(options.job, options.as_of)
    # a folder that cannot be written is told before the work, not after it
    folder.mkdir(parents=True, exist_ok=True)
    found = outlook(job, processes=options.jobs, progress=progress_bar("projecting"))
    print(outlook_text(found, print_width()))
    write_text(folder / "outlook.csv", outlook_csv(found))
    print(f"\nwrote {folder / 'outlook.csv'}")
    if not options.no_figures:
        from convergence.plots import save_outlook_map, save_section_figures

        overview = save_outlook_map(found, folder / "outlook_map.png")
        figures = save_section_figures(found, folder / "figures", processes=options.jobs)
        print(f"wrote {overview} and {len(figures)} figures in {folder / 'figures'}")
    return 0
