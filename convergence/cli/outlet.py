"""Standard output whose reader may go away, as `head` does, while the command keeps its own exit code."""

from __future__ import annotations

import io
import os
from typing import TextIO


class Outlet(io.TextIOBase):
    """Passes text on; once the reader of the pipe has gone, the rest goes nowhere and the command goes on."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    @property
    def encoding(self) -> str:  # type: ignore[override]  # the base class has a plain attribute
        """Of the stream below."""
        return self._stream.encoding

    def fileno(self) -> int:
        """Of the stream below."""
        return self._stream.fileno()

    def isatty(self) -> bool:
        """Whether a person sees the stream below."""
        return self._stream.isatty()

    def writable(self) -> bool:
        """Always."""
        return True

    def write(self, text: str) -> int:
        """Pass the text on."""
        try:
            self._stream.write(text)
        except BrokenPipeError:
            self._left()
        return len(text)

    def flush(self) -> None:
        """Pass on what waits in the buffer."""
        try:
            self._stream.flush()
        except BrokenPipeError:
            self._left()

    def _left(self) -> None:
        """Point the stream elsewhere, so that the interpreter's last flush says nothing either."""
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, self._stream.fileno())
        os.close(nowhere)
