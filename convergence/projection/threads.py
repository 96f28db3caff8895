"""One thread for linear algebra while many small matrices are worked on.

A projection factorises thousands of matrices of some sixty rows. A linear algebra library that shares each of them out
to several threads spends its time waiting for them: on a busy machine of two cores that took ten times as long.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

try:
    from threadpoolctl import threadpool_limits
except ImportError:  # the extra `threads` is not installed: OMP_NUM_THREADS=1 before Python starts does the same
    threadpool_limits = None


@contextmanager
def one_thread() -> Iterator[None]:
    """Keep linear algebra to one thread, where the extra ``threads`` is installed; change nothing without it."""
    if threadpool_limits is None:
        yield
        return
    with threadpool_limits(limits=1, user_api="blas"):
        yield
