"""Walking a TOML table key by key: types, units and ranges checked, unknown keys remarked."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence

from convergence.errors import Fault
from convergence.job.near import near_name
from convergence.job.toml_lines import toml_lines
from convergence.units import LENGTH_SUFFIXES, METRES

FILE = "tunnel.toml"
#: No number in the settings is larger than this; TOML allows whole numbers too large for a float.
LARGEST = 1e12
#: Instants of a plan lie in these years; others do not fit into nanoseconds or are mistyped.
FIRST_YEAR, LAST_YEAR = 1900, 2199


class Keys:
    """One table of the settings file.

    Every ``get`` marks its key as known; ``close`` tells the keys nobody asked for.

    Parameters
    ----------
    values : mapping
        The table.
    name : str
        Dotted name for messages, "trigger" say.
    index : int
        Which of the tables of that name, from 0.
    text : str
        The whole settings file, to find lines in.
    faults, remarks : list
        Receive what is wrong and what is not used.
    inside : Keys, optional
        The table this one stands in; tells the line where this one has none of its own.
    """

    def __init__(
        self,
        values: Mapping[str, object],
        name: str,
        index: int,
        text: str,
        faults: list[Fault],
        remarks: list[str],
        inside: Keys | None = None,
    ) -> None:
        self.values = values
        self.name = name
        self.index = index
        self._text = text
        self._faults = faults
        self._remarks = remarks
        self._inside = inside
        self._known: set[str] = set()
        self._spare: set[str] = set()

    def inner(self, values: Mapping[str, object], key: str, index: int = 0) -> Keys:
        """A table inside this one, under a key."""
        return Keys(values, f"{self.name}.{key}", index, self._text, self._faults, self._remarks, self)

    def line(self, key: str) -> int | None:
        """Line of a key of this table, or of the table's head; None where it cannot be found."""
        found = toml_lines(self._text).find(self.name, self.index, key)
        if found is None and self._inside is not None:
            return self._inside.line(self.name.rpartition(".")[2])
        return found

    def fault(self, key: str, value: object, expected: str, mend: str) -> None:
        """Note a fault of one key."""
        shown = "" if value is None else str(value)
        self._faults.append(Fault(FILE, self.line(key), f"{self.name}.{key}".strip("."), shown, expected, mend))

    def has(self, key: str) -> bool:
        """Whether the key stands in the table; marks it as known."""
        self._known.add(key)
        return key in self.values

    def knows(self, key: str) -> bool:
        """Whether anybody has asked for the key."""
        return key in self._known

    def alternatives(self, keys: Sequence[str]) -> list[str]:
        """Those of the keys that stand in the table, of which one is enough; marks all of them as known."""
        found = [key for key in keys if self.has(key)]
        if found:
            self._spare.update(keys)
        return found

    def text(self, key: str, default: str | None = None, choices: Sequence[str] = ()) -> str:
        """A text; required where no default is given."""
        if not self.has(key):
            if default is None:
                expected = f"a text for {key}" + (f", one of {', '.join(choices)}" if choices else "")
                ways = " or ".join(f'"{choice}"' for choice in choices or ("...",))
                self.fault(key, None, expected, f"add {key} = {ways} to [{self.name}]")
                return ""
            return default
        value = self.values[key]
        if not isinstance(value, str) or not value.strip():
            self.fault(key, value, "a text that is not empty", f'write {key} = "..."')
            return default or ""
        if choices and value not in choices:
            near = near_name(value, choices, 0.6)
            ways = " or ".join(f'"{choice}"' for choice in ([near] if near else choices))
            self.fault(key, value, f"one of {', '.join(choices)}", f"write {key} = {ways}")
            return default or ""
        return value.strip()

    def number(
        self,
        key: str,
        default: float | None = None,
        low: float = -math.inf,
        high: float = math.inf,
        required: bool = False,
        mend: str = "correct the value, or its unit",
    ) -> float | None:
        """A finite number within [low, high]."""
        if not self.has(key):
            if required:
                self.fault(key, None, f"a number for {key}", f"add {key} = ... to [{self.name}]")
            return default
        value = self.values[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < math.inf:
            self.fault(key, value, "a finite number", f"write {key} = a number without quotes")
            return default
        if not low <= value <= high or abs(value) > LARGEST:
            expected = f"a number from {max(low, -LARGEST):g} to {min(high, LARGEST):g}"
            self.fault(key, value, expected, mend)
            return default
        return float(value)

    def length(
        self,
        quantity: str,
        default: float | None = None,
        low: float = -math.inf,
        high: float = math.inf,
        required: bool = False,
    ) -> float | None:
        """A length under a key that carries its unit, in metres; the range is in metres too."""
        carried = self.alternatives([f"{quantity}_{unit}" for unit in METRES])
        if len(carried) > 1:
            self.fault(
                carried[1],
                self.values[carried[1]],
                f"{quantity} in one unit",
                f"keep one of {', '.join(carried)}",
            )
            return default
        if not carried:
            if self.has(quantity):
                expected = f"{quantity} with its unit in the key, one of {LENGTH_SUFFIXES}"
                mend = f"rename the key to {quantity}_m, or whichever unit it has"
                self.fault(quantity, self.values[quantity], expected, mend)
            elif required:
                expected = f"a length {quantity} with its unit in the key"
                self.fault(f"{quantity}_m", None, expected, f"add {quantity}_m = ... to [{self.name}]")
            return default
        before = len(self._faults)
        value = self.number(carried[0])
        if value is None or len(self._faults) > before:
            return default
        inside = value * METRES[carried[0][len(quantity) + 1 :]]
        if not low <= inside <= high:
            self.fault(carried[0], value, f"a length from {low:g} to {high:g} m", "correct the value, or its unit")
            return default
        return inside

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts, or one text; empty where absent."""
        if not self.has(key):
            return ()
        value = self.values[key]
        if isinstance(value, str):
            return (value,)
        if isinstance(value, list) and all(isinstance(item, str) for item in value):
            return tuple(value)
        self.fault(key, value, "a list of texts", f'write {key} = ["...", "..."]')
        return ()

    def tables(self, key: str) -> list[Mapping[str, object]]:
        """A list of tables; empty where absent."""
        if not self.has(key):
            return []
        value = self.values[key]
        if isinstance(value, list) and all(isinstance(item, dict) for item in value):
            return list(value)
        self.fault(key, value, "a list of tables", f"write {key} = [{{...}}, {{...}}]")
        return []

    def instant(self, key: str) -> datetime.datetime | None:
        """An instant with an offset, as TOML date-time or text."""
        if not self.has(key):
            self.fault(key, None, "an instant with an offset", f"add {key} = 2031-05-04T06:00:00+02:00")
            return None
        value = self.values[key]
        if isinstance(value, str):
            try:
                value = datetime.datetime.fromisoformat(value)
            except ValueError:
                value = None
        if (
            not isinstance(value, datetime.datetime)
            or value.tzinfo is None
            or not FIRST_YEAR <= value.year <= LAST_YEAR
        ):
            self.fault(key, self.values[key], "an instant with an offset", f"write {key} = 2031-05-04T06:00:00+02:00")
            return None
        return value

    def close(self) -> None:
        """Tell the keys nobody asked for.

        One that looks like a key that is not there is a fault, for the default in its place would change what is
        computed; any other is remarked.
        """
        absent = self._known - self._spare - set(self.values)
        for key in self.values:
            if key in self._known:
                continue
            meant = near_name(key, absent)
            if meant:
                expected = f"a key of [{self.name}] (is {meant} meant?)"
                self.fault(key, key, expected, f"write {meant} in place of {key}, or remove the key")
            else:
                near = near_name(key, self._known, 0.6)
                hint = f"; is {near} meant?" if near else ""
                line = self.line(key)
                self._remarks.append(f"{FILE}:{line if line else '?'}: key {self.name}.{key} not used{hint}")
