"""convergence score JOB: what came of the forecasts that earlier runs logged."""

from __future__ import annotations

import argparse
from pathlib import Path

from convergence.cli.options import Commands, add_job, add_out, add_processes, folder_name, refuse_job_folder


def add(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("score", help="say what came of the forecasts that outlook and report logged")
    add_job(parser)
    parser.add_argument(
        "--log", metavar="FILE", type=folder_name, default="outlook",
        help="the forecast log, or the folder it lies in (outlook)",
    )  # fmt: skip
    add_out(parser, "score", "forecast_score.csv and forecast_chances.csv")
    add_processes(parser)
    parser.set_defaults(run=_run)


def _run(options: argparse.Namespace) -> int:
    # what a command needs is imported when it runs: the parser answers at once
    from convergence.hindcasting.forecast_log import read_forecasts
    from convergence.hindcasting.log_score import score_forecasts
    from convergence.hindcasting.table import hindcast_csv
    from convergence.report.files import write_text
    from convergence.survey.job import read_job
    from convergence.triggers.csv_text import table_csv

    folder = Path(options.out)
    refuse_job_folder(folder, Path(options.job))
    log = read_forecasts(options.log)
    job = read_job(options.job, options.as_of)
    # a folder that cannot be written is told before the work, not after it
    folder.mkdir(parents=True, exist_ok=True)
    found = score_forecasts(log, job, processes=options.jobs)
    print(found.text)
    write_text(folder / "forecast_score.csv", hindcast_csv(found.hindcast))
    write_text(folder / "forecast_chances.csv", table_csv(found.chances))
    print(f"\nwrote {folder / 'forecast_score.csv'} and {folder / 'forecast_chances.csv'}")
    return 0
