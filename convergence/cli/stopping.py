"""Commands that run somebody's code for a while and can be stopped: one line, nothing left behind, exit code 130."""

from __future__ import annotations

import argparse
import signal
import sys
import threading
from collections.abc import Callable
from types import FrameType

#: What a shell takes for a command that was stopped by Ctrl-C.
STOPPED = 130


def stoppable(run: Callable[[argparse.Namespace], int]) -> Callable[[argparse.Namespace], int]:
    """A command that ends on a request to end as on Ctrl-C: what it began is cleaned up on the way out."""

    def guarded(options: argparse.Namespace) -> int:
        main = threading.current_thread() is threading.main_thread()
        before = signal.signal(signal.SIGTERM, _interrupt) if main else None
        try:
            return run(options)
        except KeyboardInterrupt:
            # a bar that stands on the terminal makes room
            print("\r" + " " * 60 + "\rstopped" if sys.stderr.isatty() else "stopped", file=sys.stderr)
            return STOPPED
        finally:
            if main:
                signal.signal(signal.SIGTERM, before)

    return guarded


def _interrupt(_: int, __: FrameType | None) -> None:
    raise KeyboardInterrupt
