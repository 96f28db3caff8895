"""A run that can be stopped: Ctrl-C, or a request to end, shuts the kernel down at once and leaves nothing behind."""

from __future__ import annotations

import asyncio
import signal
import threading
from collections.abc import AsyncGenerator, Mapping
from contextlib import asynccontextmanager

from nbclient import NotebookClient

#: Ctrl-C, and what a system sends to a process that shall end.
SIGNALS = (signal.SIGINT, signal.SIGTERM)


class StoppableClient(NotebookClient):
    """Runs a notebook; a signal ends the kernel and cancels the run, where the library's own handling would fail."""

    #: Whether a signal has come.
    stopped = False

    def run(self, environment: Mapping[str, str]) -> None:
        """Execute every cell in a kernel with these environment variables.

        Raises
        ------
        KeyboardInterrupt
            A signal came; the kernel is gone.
        """
        try:
            self.execute(env=dict(environment))
        except BaseException:
            # what the run says when its kernel is taken away is not what happened
            if self.stopped:
                raise KeyboardInterrupt from None
            raise
        if self.stopped:
            raise KeyboardInterrupt

    # the library's own takes anything; this one takes what run gives it, and a typing mistake is one
    @asynccontextmanager
    async def async_setup_kernel(  # type: ignore[override]
        self, *, env: Mapping[str, str]
    ) -> AsyncGenerator[None, None]:
        """A kernel that is started, and gone when what is done with it is done, fails or is stopped."""
        loop, task = asyncio.get_running_loop(), asyncio.current_task()

        def stop() -> None:
            if not self.stopped and task is not None:
                self.stopped, self.shutdown_kernel = True, "immediate"
                task.cancel()

        # signals come to the main thread alone; a notebook that reviews a publication runs it in another
        heard = SIGNALS if threading.current_thread() is threading.main_thread() else ()
        before = {number: signal.getsignal(number) for number in heard}
        try:
            for number in heard:
                loop.add_signal_handler(number, stop)
        except NotImplementedError:
            # such a system raises KeyboardInterrupt where the loop stands
            before = {}
        try:
            await self.async_start_new_kernel(env=env)
            await self.async_start_new_kernel_client()
            yield
        finally:
            if self.km is not None:
                await self._async_cleanup_kernel()
            for number, handler in before.items():
                loop.remove_signal_handler(number)
                signal.signal(number, handler)
