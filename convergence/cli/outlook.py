"""convergence outlook JOB: fit, project, compare with the trigger levels."""

from __future__ import annotations

import argparse
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from convergence.cli.options import (
    Commands,
    add_log,
    add_past,
    add_run,
    opened_job,
    print_width,
    progress_bar,
)
from convergence.errors import ValueFault

if TYPE_CHECKING:
    from convergence.survey.job import Job


def add(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("outlook", help="fit, project, compare with the trigger levels")
    add_run(parser, "outlook", "outlook.csv and the figures")
    add_log(parser)
    parser.add_argument("--no-figures", action="store_true", help="write the table only")
    add_past(parser, 0)
    parser.set_defaults(run=_run)


def _past_forecasts(job: Job, asked: str | None, out: Path) -> str:
    """How past forecasts did, in words; empty where nobody asked and the results' folder holds none of this job."""
    from convergence.hindcasting.table import LOG_FILE, age_sentence, read_hindcast

    tunnel = job.settings.tunnel.name
    if asked is not None:
        return age_sentence(read_hindcast(asked), tunnel, job.now)
    if not (out / LOG_FILE).is_file():
        return ""
    try:
        past = read_hindcast(out)
    except ValueFault as error:
        # nobody asked for it, so it does not stop the day's work
        return str(error)
    return age_sentence(past, tunnel, job.now) if past.of_tunnel(tunnel) else ""


def _run(options: argparse.Namespace) -> int:
    # what a command needs is imported when it runs: the parser answers at once
    from convergence.hindcasting.forecast_log import LOG_NAME, append_forecast
    from convergence.report.files import write_text
    from convergence.report.past import past_forecasts
    from convergence.report.table import outlook_csv, outlook_text
    from convergence.triggers.csv_text import table_csv
    from convergence.triggers.kept import kept_outlook

    job, folder = opened_job(options)
    past = _past_forecasts(job, options.hindcast, folder)
    found = kept_outlook(job, options.jobs, progress_bar("projecting"))
    print(outlook_text(found, print_width()))
    if not past:
        dates, bar = options.past_dates, progress_bar("past dates")
        past = past_forecasts(
            job, nearby=folder, latest=found, dates=dates, processes=options.jobs, progress=bar
        ).sentence
    print("\n" + "\n".join(textwrap.wrap(past, print_width())))
    write_text(folder / "outlook.csv", outlook_csv(found))
    for name, table in (("passages", found.passages), ("changes", found.changes), ("settled", found.settled)):
        write_text(folder / f"{name}.csv", table_csv(table))
    print(f"\nwrote {folder / 'outlook.csv'}, passages.csv, changes.csv and settled.csv")
    if not options.no_log:
        log = append_forecast(found, options.log or folder / LOG_NAME)
        print(f"added this run's forecasts to {log}")
    if not options.no_figures:
        from convergence.plots import save_inverse_velocities, save_outlook_map, save_section_figures

        overview = save_outlook_map(found, folder / "outlook_map.png")
        figures = save_section_figures(found, folder / "figures", processes=options.jobs)
        moving = save_inverse_velocities(found, folder / "figures")
        told = f", {len(moving)} of them of inverse velocity" if moving else ""
        print(f"wrote {overview} and {len(figures) + len(moving)} figures in {folder / 'figures'}{told}")
    return 0
