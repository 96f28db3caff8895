"""What the commands share: options that several have, the width to print in, a progress bar."""

from __future__ import annotations

import argparse
import contextlib
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from convergence.errors import ConvergenceError

if TYPE_CHECKING:
    from convergence.survey.job import Job

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"


def add_job(parser: argparse.ArgumentParser, as_of: bool = True) -> None:
    """The job folder, and the instant up to which it is read."""
    parser.add_argument("job", metavar="JOB", help="the job folder")
    if as_of:
        parser.add_argument(
            "--as-of", metavar="TIME", help="read nothing later than this instant (ISO 8601 with an offset)"
        )


def add_out(parser: argparse.ArgumentParser, default: str, holds: str) -> None:
    """The folder for results."""
    parser.add_argument(
        "--out", metavar="DIR", type=folder_name, default=default, help=f"folder for {holds} ({default})"
    )


def add_log(parser: argparse.ArgumentParser) -> None:
    """The log to which each run's forecasts are added."""
    parser.add_argument(
        "--log",
        metavar="FILE",
        type=folder_name,
        help="add the run's forecasts to this log (forecast_log.jsonl in --out)",
    )
    parser.add_argument("--no-log", action="store_true", help="log no forecasts")


def add_processes(parser: argparse.ArgumentParser) -> None:
    """The number of worker processes."""
    parser.add_argument(
        "--jobs", metavar="N", type=count, default=1, help="worker processes (1); the numbers do not depend on it"
    )


def add_run(parser: argparse.ArgumentParser, default: str, holds: str) -> None:
    """What every command that projects a job takes: the job, the instant, the folder for results, the workers."""
    add_job(parser)
    add_out(parser, default, holds)
    add_processes(parser)
    add_cache(parser)


def add_cache(parser: argparse.ArgumentParser) -> None:
    """Whether results are kept for the next run; a command without this option keeps none."""
    parser.add_argument(
        "--no-cache",
        action="store_true",
        help="keep no results for the next run and use none (the numbers are the same)",
    )


def add_past(parser: argparse.ArgumentParser, dates: int) -> None:
    """Where past forecasts are looked for, and how many are made again where none are found."""
    parser.add_argument(
        "--hindcast",
        metavar="DIR",
        type=folder_name,
        help="folder of a hindcast, to tell how past forecasts did; what lies in --out unless given",
    )
    parser.add_argument(
        "--past-dates",
        metavar="N",
        type=_count_or_none,
        default=dates,
        help=f"past dates to project again and score where no hindcast and no log is at hand ({dates}; 0 scores none)",
    )


def _count_or_none(text: str) -> int:
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"'{text}' is no count of 0 or more")
    return int(text)


def folder_name(text: str) -> str:
    """A folder's name as given, refused when empty."""
    if not text.strip():
        raise argparse.ArgumentTypeError("an empty name is no folder")
    return text


def count(text: str) -> int:
    """A count of 1 or more."""
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"'{text}' is no count of 1 or more")
    return int(text)


def opened_job(options: argparse.Namespace) -> tuple[Job, Path]:
    """The job read, and the folder for its results made: what cannot be written is told before the work, not after."""
    # the reader is imported when a command runs, so that the parser answers at once
    from convergence.survey.kept import kept_job

    folder = Path(options.out)
    refuse_job_folder(folder, Path(options.job))
    job = kept_job(options.job, options.as_of)
    folder.mkdir(parents=True, exist_ok=True)
    return job, folder


def refuse_job_folder(folder: Path, job: Path) -> None:
    """Results never go among the inputs: not into the job folder, nor where its readings are looked for."""
    with contextlib.suppress(OSError):
        if folder.resolve() in (job.resolve(), (job / "readings").resolve()):
            raise ConvergenceError(
                f"--out {folder}: expected another folder than the job's own. To mend: name a folder for the results."
            )


def print_width() -> int:
    """Columns to print in: the terminal's, within reason."""
    return max(80, min(160, shutil.get_terminal_size((120, 40)).columns))


def progress_bar(what: str) -> Callable[[int, int], None] | None:
    """A progress bar on a terminal, nothing in a pipe."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        filled = round(30 * done / max(total, 1))
        end = "\r" + " " * 60 + "\r" if done >= total else ""
        print(f"\r{what} [{'#' * filled}{'.' * (30 - filled)}] {done}/{total}", end=end, file=sys.stderr, flush=True)

    return show
