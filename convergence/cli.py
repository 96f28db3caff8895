"""The command line: check, outlook, example. Exit codes: 0 done, 1 the input is at fault, 2 usage."""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from convergence.errors import ConvergenceError


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    try:
        code = _run(arguments)
        # what is still in the buffer goes now, while a reader that has gone can be told from a defect
        sys.stdout.flush()
        return code
    except ConvergenceError as error:
        print(str(error), file=sys.stderr)
        return 1
    except BrokenPipeError:
        # the reader of the pipe has gone; point stdout elsewhere so that the interpreter's last flush says nothing
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        print(
            f"{error.filename or 'a file'}: {error.strerror or error}. To mend: check the path, its permissions and "
            "the space left.",
            file=sys.stderr,
        )
        return 1
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        return 1


def _run(arguments: Sequence[str] | None) -> int:
    try:
        options = _parser().parse_args(arguments)
    except SystemExit as stop:
        return int(stop.code or 0)
    run: Callable[[argparse.Namespace], int] = options.run
    return run(options)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="convergence",
        description="Tunnel convergence: what each section has done, where it will end, and how sure that is.",
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    check = commands.add_parser("check", help="what was read, what was set aside and why")
    check.add_argument("job", metavar="JOB", help="the job folder")
    check.add_argument("--as-of", metavar="TIME", help="read nothing later than this instant (ISO 8601 with an offset)")
    check.set_defaults(run=_check)
    outlook = commands.add_parser("outlook", help="fit, project, compare with the trigger levels")
    outlook.add_argument("job", metavar="JOB", help="the job folder")
    outlook.add_argument(
        "--as-of", metavar="TIME", help="read nothing later than this instant (ISO 8601 with an offset)"
    )
    outlook.add_argument(
        "--out", metavar="DIR", type=_folder, default="outlook", help="folder for outlook.csv and the figures (outlook)"
    )
    outlook.add_argument(
        "--jobs",
        metavar="N",
        type=_count,
        default=1,
        help="worker processes (1); the numbers do not depend on it",
    )
    outlook.add_argument("--no-figures", action="store_true", help="write the table only")
    outlook.set_defaults(run=_outlook)
    example = commands.add_parser("example", help="write the example job, an invented tunnel")
    example.add_argument("folder", metavar="DIR", help="a folder that does not exist or is empty")
    example.set_defaults(run=_example)
    return parser


def _folder(text: str) -> str:
    if not text.strip():
        raise argparse.ArgumentTypeError("an empty name is no folder")
    return text


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"'{text}' is no count of 1 or more")
    return int(text)


# Each command imports what it needs when it runs: the parser answers at once, and check needs no figures.


def _check(options: argparse.Namespace) -> int:
    from convergence.report.check import check_text
    from convergence.survey.job import read_job

    print(check_text(read_job(options.job, options.as_of), _width()))
    return 0


def _outlook(options: argparse.Namespace) -> int:
    from convergence.report.files import write_text
    from convergence.report.table import outlook_csv, outlook_text
    from convergence.survey.job import read_job
    from convergence.triggers.outlook import outlook

    folder = Path(options.out)
    _refuse_job_folder(folder, Path(options.job))
    job = read_job(options.job, options.as_of)
    # a folder that cannot be written is told before the work, not after it
    folder.mkdir(parents=True, exist_ok=True)
    found = outlook(job, processes=options.jobs, progress=_bar("projecting"))
    print(outlook_text(found, _width()))
    write_text(folder / "outlook.csv", outlook_csv(found))
    print(f"\nwrote {folder / 'outlook.csv'}")
    if not options.no_figures:
        from convergence.plots import save_outlook_map, save_section_figures

        overview = save_outlook_map(found, folder / "outlook_map.png")
        figures = save_section_figures(found, folder / "figures", processes=options.jobs)
        print(f"wrote {overview} and {len(figures)} figures in {folder / 'figures'}")
    return 0


def _example(options: argparse.Namespace) -> int:
    from convergence.example import write_example

    write_example(Path(options.folder))
    print(f"wrote the example job to {options.folder}; now: convergence outlook {options.folder}")
    return 0


def _refuse_job_folder(folder: Path, job: Path) -> None:
    """Results never go among the inputs: not into the job folder, nor where its readings are looked for."""
    with contextlib.suppress(OSError):
        if folder.resolve() in (job.resolve(), (job / "readings").resolve()):
            raise ConvergenceError(
                f"--out {folder}: expected another folder than the job's own. To mend: name a folder for the results."
            )


def _width() -> int:
    return max(80, min(160, shutil.get_terminal_size((120, 40)).columns))


def _bar(what: str) -> Callable[[int, int], None] | None:
    """A progress bar on a terminal, nothing in a pipe."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        filled = round(30 * done / max(total, 1))
        end = "\r" + " " * 60 + "\r" if done >= total else ""
        print(
            f"\r{what} [{'#' * filled}{'.' * (30 - filled)}] {done}/{total}",
            end=end,
            file=sys.stderr,
            flush=True,
        )

    return show


if __name__ == "__main__":
    sys.exit(main())
