"""convergence hindcast JOB: project again from every past date, score what came of it."""

from __future__ import annotations

import argparse

from convergence.cli.options import (
    Commands,
    add_run,
    opened_job,
    progress_bar,
)


def add(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("hindcast", help="project again from every past date, score what came of it")
    add_run(parser, "hindcast", "hindcast.csv, hindcast_levels.csv and the figure")
    parser.add_argument("--every", metavar="DAYS", type=_days, default=7.0, help="days between the dates (7)")
    parser.add_argument("--from", metavar="TIME", dest="start", type=_instant, help="no date before this instant")
    parser.add_argument("--to", metavar="TIME", dest="end", type=_instant, help="no date after this instant")
    parser.add_argument("--no-coupled", action="store_true", help="leave the slowest baseline out")
    parser.add_argument("--no-figures", action="store_true", help="write the tables only")
    parser.set_defaults(run=_run)


def _days(text: str) -> float:
    try:
        days = float(text)
    except ValueError:
        days = float("nan")
    # a date a minute would be a year's work, and is a slip
    if not 0.05 <= days <= 3660.0:
        raise argparse.ArgumentTypeError(f"'{text}' is no number of days from 0.05 to 3660")
    return days


def _instant(text: str) -> object:
    from convergence.job.times import FORM, parse_instant  # the parser of the other commands answers at once

    instant = parse_instant(text.strip())
    if instant is None:
        raise argparse.ArgumentTypeError(f"'{text}' is no instant: expected {FORM}")
    return instant


def _run(options: argparse.Namespace) -> int:
    # what a command needs is imported when it runs: the parser answers at once
    from convergence.hindcasting.hindcast import hindcast
    from convergence.hindcasting.table import LEVEL_FILE, LOG_FILE, hindcast_csv, hindcast_text, levels_csv
    from convergence.report.files import write_text

    job, folder = opened_job(options)
    found = hindcast(
        job,
        every=options.every,
        start=options.start,
        end=options.end,
        coupled=not options.no_coupled,
        processes=options.jobs,
        progress=progress_bar("dates"),
    )
    print(hindcast_text(found))
    write_text(folder / LOG_FILE, hindcast_csv(found))
    write_text(folder / LEVEL_FILE, levels_csv(found))
    print(f"\nwrote {folder / LOG_FILE} and {folder / LEVEL_FILE}")
    if not options.no_figures and len(found.scored):
        from convergence.plots.hindcast import save_hindcast

        print(f"wrote {save_hindcast(found, folder / 'hindcast.png')}")
    return 0
