"""convergence check JOB: what was read, what was set aside and why."""

from __future__ import annotations

import argparse

from convergence.cli.options import Commands, add_cache, add_job, print_width


def add(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser("check", help="what was read, what was set aside and why")
    add_job(parser)
    add_cache(parser)
    parser.set_defaults(run=_run)


def _run(options: argparse.Namespace) -> int:
    # what a command needs is imported when it runs: the parser answers at once
    from convergence.report.check import check_text
    from convergence.survey.kept import kept_job

    print(check_text(kept_job(options.job, options.as_of), print_width()))
    return 0
