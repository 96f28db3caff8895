"""Plain data as bytes and back, to the last bit: numbers, text, containers, arrays, tables, the package's dataclasses.

Nothing in the bytes is ever run: a name in them is looked up among the dataclasses of this package and nowhere else,
and an array is numbers, text or dates. What is not plain data is refused (``NotPlainError``) and then simply not kept.

    length of the head, 8 bytes | head: JSON | arrays one after the other, each from a multiple of 16

Objects and arrays met twice are written once, so that what is shared stays shared.
"""

from __future__ import annotations

import dataclasses
import importlib
import json
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

PACKAGE = "convergence"
#: Kinds of arrays whose bytes are all there is to them.
PLAIN_KINDS = "biufMmU"
ALIGNMENT = 16


class NotPlainError(Exception):
    """Something that cannot be written, or bytes that are none of ours."""


class _Writer:
    """One pass over the data: the head grows as lists, the arrays stand beside it."""

    def __init__(self, without: frozenset[tuple[str, str]]) -> None:
        self.without = without
        self.arrays: list[npt.NDArray[Any]] = []
        self.seen: dict[int, int] = {}
        # what is met must live as long as its address is remembered
        self.held: list[object] = []

    def written(self, item: object) -> object:
        """The part of the head for one item: itself for JSON's own kinds, else a list that begins with a letter."""
        if item is None or isinstance(item, bool | str) or type(item) in (int, float):
            return item
        if isinstance(item, np.generic):
            return ["n", self._array(np.asarray(item))]
        if isinstance(item, tuple | list):
            return ["t" if isinstance(item, tuple) else "l", *(self.written(part) for part in item)]
        if isinstance(item, frozenset | set):
            return ["s" if isinstance(item, frozenset) else "S", *(self.written(part) for part in sorted(item))]
        if isinstance(item, dict):
            return ["d", *([self.written(key), self.written(value)] for key, value in item.items())]
        number = self.seen.get(id(item))
        if number is not None:
            return ["r", number]
        found = self._object(item)
        self.seen[id(item)] = len(self.held)
        self.held.append(item)
        return found

    def _object(self, item: object) -> list[object]:
        if isinstance(item, np.ndarray):
            return ["a", self._array(item), item.flags.writeable]
        if isinstance(item, pd.DataFrame):
            columns = [[self.written(name), *self._column(item[name])] for name in item.columns]
            return ["f", self._index(item), *columns]
        if isinstance(item, xr.Dataset):
            parts = [
                [str(name), name in item.coords, list(map(str, one.dims)), self.written(one.values),
                 self.written(dict(one.attrs))]
                for name, one in item.variables.items()
            ]  # fmt: skip
            return ["x", self.written(dict(item.attrs)), *parts]
        kind = type(item)
        if dataclasses.is_dataclass(kind) and kind.__module__.partition(".")[0] == PACKAGE:
            names = [one.name for one in dataclasses.fields(kind) if (kind.__name__, one.name) not in self.without]
            return [
                "c",
                kind.__module__,
                kind.__qualname__,
                *([name, self.written(getattr(item, name))] for name in names),
            ]
        raise NotPlainError(f"{kind.__module__}.{kind.__qualname__}")

    def _array(self, array: npt.NDArray[Any]) -> object:
        if array.dtype == object:
            return ["o", list(array.shape), [self.written(part) for part in array.ravel().tolist()]]
        if array.dtype.kind not in PLAIN_KINDS or array.dtype.byteorder == ">":
            raise NotPlainError(f"an array of {array.dtype}")
        self.arrays.append(np.ascontiguousarray(array))
        return [array.dtype.str, list(array.shape)]

    def _column(self, column: pd.Series[Any]) -> list[object]:
        """Kind and values of a column; text is given value by value, missing ones among them."""
        if isinstance(column.dtype, np.dtype) and column.dtype != object:
            return [str(column.dtype), self._array(column.to_numpy())]
        if str(column.dtype) not in ("str", "object"):
            raise NotPlainError(f"a column of {column.dtype}")
        values = [None if value is None else self._cell(value) for value in column.tolist()]
        return [str(column.dtype), values]

    def _cell(self, value: object) -> object:
        if value is pd.NaT or value is pd.NA:
            raise NotPlainError("a missing value of pandas")
        return self.written(value)

    def _index(self, table: pd.DataFrame) -> int:
        if not (isinstance(table.index, pd.RangeIndex) and table.index.equals(pd.RangeIndex(len(table)))):
            raise NotPlainError("a table with names of its own for rows")
        return len(table)


def encoded(item: object, without: frozenset[tuple[str, str]] = frozenset()) -> list[bytes | memoryview]:
    """The parts of the bytes of an item, to be joined.

    Parameters
    ----------
    item : object
        Plain data.
    without : frozenset of (class, field)
        Fields left out, for keys that must not hang on them; such bytes cannot be read back.

    Raises
    ------
    NotPlainError
        Something in it is no plain data.
    """
    writer = _Writer(without)
    try:
        head = json.dumps(writer.written(item), ensure_ascii=True, separators=(",", ":")).encode("ascii")
    except (TypeError, ValueError, RecursionError) as error:
        raise NotPlainError(str(error)) from error
    parts: list[bytes | memoryview] = [len(head).to_bytes(8, "little"), head, _gap(8 + len(head))]
    for array in writer.arrays:
        data = array.reshape(-1).view(np.uint8).data if array.nbytes else b""
        parts += [data, _gap(len(data))]
    return parts


def _gap(length: int) -> bytes:
    return b"\0" * (-length % ALIGNMENT)


def decoded(data: bytes) -> Any:
    """The item that some bytes hold.

    Raises
    ------
    NotPlainError
        They are none of ``encoded``.
    """
    try:
        length = int.from_bytes(data[:8], "little")
        head = json.loads(data[8 : 8 + length].decode("ascii"))
        return _Reader(data, 8 + length + -(8 + length) % ALIGNMENT).read(head)
    except NotPlainError:
        raise
    except Exception as error:
        # whatever is wrong with bytes from outside, they are not used
        raise NotPlainError(f"{type(error).__name__}: {error}") from error


class _Reader:
    """One pass over the head; arrays are taken from the bytes in the order in which they were written."""

    def __init__(self, data: bytes, begin: int) -> None:
        self.data, self.at = data, begin
        self.seen: list[object] = []

    def read(self, part: Any) -> Any:
        if not isinstance(part, list):
            return part
        letter, rest = part[0], part[1:]
        simple: dict[str, Callable[[Any], object]] = {"t": tuple, "l": list, "s": frozenset, "S": set}
        if letter in simple:
            return simple[letter](self.read(item) for item in rest)
        if letter == "d":
            return {self.read(key): self.read(value) for key, value in rest}
        if letter == "n":
            return self._array(rest[0])[()]
        if letter == "r":
            return self.seen[rest[0]]
        found = self._object(letter, rest)
        self.seen.append(found)
        return found

    def _object(self, letter: str, rest: list[Any]) -> object:
        if letter == "a":
            array = self._array(rest[0])
            array.flags.writeable = bool(rest[1])
            return array
        if letter == "f":
            columns = {self.read(name): self._column(kind, values) for name, kind, values in rest[1:]}
            return pd.DataFrame(columns, index=pd.RangeIndex(rest[0]), columns=list(columns))
        if letter == "x":
            attrs = self.read(rest[0])
            parts = [
                (name, own, (dims, self.read(values), self.read(told))) for name, own, dims, values, told in rest[1:]
            ]
            data = {name: part for name, coordinate, part in parts if not coordinate}
            return xr.Dataset(data, {name: part for name, coordinate, part in parts if coordinate}, attrs)
        if letter == "c":
            return self._instance(rest[0], rest[1], rest[2:])
        raise NotPlainError(f"'{letter}'")

    def _array(self, told: list[Any]) -> npt.NDArray[Any]:
        if told[0] == "o":
            found = np.empty(len(told[2]), dtype=object)
            found[:] = [self.read(item) for item in told[2]]
            return found.reshape(told[1])
        kind, shape = np.dtype(told[0]), tuple(told[1])
        if kind.kind not in PLAIN_KINDS or any(not isinstance(size, int) or size < 0 for size in shape):
            raise NotPlainError(f"an array of {kind}")
        size = int(np.prod(shape, dtype=np.int64)) * kind.itemsize
        if self.at + size > len(self.data):
            raise NotPlainError("cut short")
        found = np.frombuffer(self.data, kind, int(np.prod(shape, dtype=np.int64)), self.at).reshape(shape).copy()
        self.at += size + -size % ALIGNMENT
        return found

    def _column(self, kind: str, values: Any) -> object:
        if kind in ("str", "object"):
            return pd.Series([self.read(value) for value in values], dtype=kind if kind == "str" else object)
        return self._array(values)

    def _instance(self, module: str, name: str, fields: list[Any]) -> object:
        if module.partition(".")[0] != PACKAGE:
            raise NotPlainError(module)
        kind = getattr(importlib.import_module(module), name)
        if not (isinstance(kind, type) and dataclasses.is_dataclass(kind) and kind.__module__ == module):
            raise NotPlainError(f"{module}.{name}")
        values = {key: self.read(value) for key, value in fields}
        if list(values) != [one.name for one in dataclasses.fields(kind)]:
            raise NotPlainError(f"other fields of {name}")
        # as it was, without its checks: they copy and round nothing, and have been passed once
        found = object.__new__(kind)
        for key, value in values.items():
            object.__setattr__(found, key, value)
        return found
