"""convergence report JOB: the daily sheet, one HTML file that prints."""

from __future__ import annotations

import argparse

from convergence.cli.options import Commands, add_log, add_past, add_run, opened_job, progress_bar


def add(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("report", help="write the daily sheet, one HTML file that prints")
    add_run(parser, "report", "sheet.html")
    parser.add_argument(
        "--since",
        metavar="TIME",
        help="tell what changed since this instant (ISO 8601 with an offset); a day before the analysis unless given",
    )
    add_past(parser, 6)
    add_log(parser)
    parser.set_defaults(run=_run)


def _run(options: argparse.Namespace) -> int:
    # what a command needs is imported when it runs: the parser answers at once
    from convergence.hindcasting.forecast_log import LOG_NAME, append_forecast
    from convergence.hindcasting.table import read_hindcast
    from convergence.report.past import past_forecasts
    from convergence.report.sheet.entry import earlier_instant, write_report
    from convergence.triggers.kept import kept_outlook

    job, folder = opened_job(options)
    # what was mistyped is told before the work, not after it
    earlier_instant(job, options.since)
    if options.hindcast is not None:
        read_hindcast(options.hindcast)
    found = kept_outlook(job, options.jobs, progress_bar("projecting"))
    past = past_forecasts(
        job,
        folder=options.hindcast,
        nearby=folder,
        latest=found,
        dates=options.past_dates,
        processes=options.jobs,
        progress=progress_bar("past dates"),
    )
    progress = progress_bar("the day before")
    file = write_report(
        found, folder / "sheet.html", since=options.since, past=past, processes=options.jobs, progress=progress
    )
    print(f"wrote {file}: the daily sheet at {job.now.astype('datetime64[s]')}Z; open it in a browser or print it")
    if not options.no_log:
        print(f"added this run's forecasts to {append_forecast(found, options.log or folder / LOG_NAME, 'report')}")
    return 0
