"""What a run stood on: Python, the platform, every package and the library's own code; nothing that names a machine."""

from __future__ import annotations

import hashlib
import importlib.metadata
import platform
import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np

#: Packages that numbers come from; a difference in one of these is told first.
NUMERICAL = ("convergence", "numpy", "scipy", "pandas", "xarray", "lmfit", "matplotlib")
PLATFORM = ("python", "implementation", "system", "machine", "c library", "linear algebra", "processor features")


def environment() -> dict[str, dict[str, str]]:
    """The environment of this process; a kernel is asked for its own when a notebook has run in it.

    Returns
    -------
    dict
        ``platform``: Python, system, machine, linear algebra; ``library``: fingerprint of the library's code, for a
        version number may stay while code changes; ``packages``: version of every installed package by name.
    """
    return {"platform": _platform(), "library": {"code": library_code()}, "packages": _packages()}


def library_code() -> str:
    """SHA-256 over every module of this library."""
    top = Path(__file__).parents[1]
    total = hashlib.sha256()
    for path in sorted(top.rglob("*.py"), key=lambda item: item.relative_to(top).as_posix()):
        # line ends differ between checkouts of the same code
        data = path.read_bytes().replace(b"\r\n", b"\n")
        total.update(path.relative_to(top).as_posix().encode() + b"\0" + hashlib.sha256(data).digest())
    return total.hexdigest()


def _platform() -> dict[str, str]:
    libc = " ".join(part for part in platform.libc_ver() if part)
    algebra, features = _linear_algebra()
    values = (
        platform.python_version(), platform.python_implementation(), platform.system(), platform.machine(), libc,
        algebra, features,
    )  # fmt: skip
    return dict(zip(PLATFORM, values, strict=True))


def _linear_algebra() -> tuple[str, str]:
    """Name and version of the linear algebra, and the processor features numpy found."""
    told = np.show_config(mode="dicts")
    if not isinstance(told, Mapping):
        return "", ""
    blas = told.get("Build Dependencies", {}).get("blas", {})
    found = told.get("SIMD Extensions", {}).get("found", [])
    return f"{blas.get('name', '')} {blas.get('version', '')}".strip(), " ".join(map(str, found))


def _packages() -> dict[str, str]:
    """Version of every installed package; of doubles the one that is imported."""
    found: dict[str, str] = {}
    for item in importlib.metadata.distributions():
        name = item.metadata["Name"]
        if name:
            found.setdefault(re.sub(r"[-_.]+", "-", name).lower(), item.version)
    return dict(sorted(found.items()))


def differences(
    before: Mapping[str, Mapping[str, str]], now: Mapping[str, Mapping[str, str]]
) -> tuple[tuple[str, str, str], ...]:
    """What differs, as (what, before, now): the library's code, numerical packages and the platform first."""
    found: list[tuple[str, str, str]] = []
    code = before.get("library", {}).get("code", ""), now.get("library", {}).get("code", "")
    if code[0] != code[1]:
        found.append(("code of convergence", code[0][:12] or "-", code[1][:12] or "-"))
    old, new = before.get("packages", {}), now.get("packages", {})
    names = [*NUMERICAL, *sorted((old.keys() | new.keys()) - set(NUMERICAL))]
    packages = [(name, old.get(name, "-"), new.get(name, "-")) for name in names]
    old, new = before.get("platform", {}), now.get("platform", {})
    stands = [(name, old.get(name, "-"), new.get(name, "-")) for name in PLATFORM]
    rows = [*packages[: len(NUMERICAL)], *stands, *packages[len(NUMERICAL) :]]
    return (*found, *(row for row in rows if row[1] != row[2]))
