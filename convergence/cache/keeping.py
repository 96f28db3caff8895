"""Whether results are kept, and under which key: the digest of the package's text, its versions and what went in."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Callable, Iterator
from contextvars import ContextVar
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

from convergence.cache.codec import NotPlainError, decoded, encoded
from convergence.cache.store import Store

_STORE: ContextVar[Store | None] = ContextVar("store", default=None)
#: What the numbers hang on besides this package and the input.
VERSIONS = ("convergence", "numpy", "scipy", "pandas", "xarray", "lmfit")


def keeping() -> Store | None:
    """The store in use; None where nothing is kept, as in Python unless asked for."""
    return _STORE.get()


@contextlib.contextmanager
def keep(store: Store | None) -> Iterator[None]:
    """Keep results in a store while the block runs; with None nothing is kept."""
    token = _STORE.set(store)
    try:
        yield
    finally:
        _STORE.reset(token)


@cache
def code_digest() -> str:
    """Digest of the package's own text and of the versions of what it stands on: other code, other results."""
    total = hashlib.sha256()
    top = Path(__file__).parent.parent
    for path in sorted(top.rglob("*.py")):
        total.update(path.relative_to(top).as_posix().encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    for name in VERSIONS:
        total.update(f"{name} {metadata.version(name)}\n".encode())
    return total.hexdigest()


def key_of(what: str, item: object, without: frozenset[tuple[str, str]] = frozenset()) -> str | None:
    """Key of a result: what it is and everything it was made from; None where something is no plain data."""
    total = hashlib.sha256(f"{what}\n{code_digest()}\n".encode())
    try:
        for part in encoded(item, without):
            total.update(part)
    except NotPlainError:
        return None
    return total.hexdigest()


def kept(key: str | None, kind: type, work: Callable[[], Any]) -> Any:
    """The result kept under a key, or else worked out and kept.

    Parameters
    ----------
    key : str or None
        From ``key_of``; with None, and where nothing is kept, it is worked out.
    kind : type
        What the result is; anything else under the key is not used.
    work : callable
        Works it out; what it raises is raised and not kept.
    """
    store = keeping()
    if store is None or key is None:
        return work()
    data = store.get(key)
    if data is not None:
        with contextlib.suppress(NotPlainError):
            found = decoded(data)
            if isinstance(found, kind):
                return found
    found = work()
    with contextlib.suppress(NotPlainError):
        store.put(key, encoded(found))
    return found
