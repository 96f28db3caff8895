"""The command line, a module a command. Exit codes: 0 done, 1 the input is at fault, 2 usage."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Callable, Sequence

from convergence.cli import check, example, hindcast, outlook, publish, report, rerun, score
from convergence.cli.outlet import Outlet
from convergence.errors import ConvergenceError

#: The commands, in the order the help lists them.
COMMANDS = (check, outlook, hindcast, score, report, publish, rerun, example)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    # the work is many small matrices: threads of the linear algebra would wait for each other more than they work; read
    # when numpy is first imported, which no command has done yet
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        outlet = Outlet(sys.stdout)
        with contextlib.redirect_stdout(outlet):
            code = _run(arguments)
        # what is still in the buffer goes now, while a reader that has gone can be told from a defect
        outlet.flush()
        return code
    except ConvergenceError as error:
        print(str(error), file=sys.stderr)
        return 1
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
    if getattr(options, "no_cache", True):
        return run(options)
    # loaded for the commands that keep results: the parser answers at once
    from convergence.cache.keeping import keep
    from convergence.cache.store import usual_store

    with keep(usual_store()):
        return run(options)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="convergence",
        description="Tunnel convergence: what each section has done, where it will end, and how sure that is.",
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for command in COMMANDS:
        command.add(commands)
    return parser
