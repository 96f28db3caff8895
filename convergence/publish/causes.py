"""What differs between two runs of a notebook and may have moved a claim, in words."""

from __future__ import annotations

from collections.abc import Sequence

from convergence.publish.environment import NUMERICAL, PLATFORM
from convergence.publish.fingerprints import Changes

#: A list of files or versions in a sentence is cut after so many.
MOST_NAMED = 6


def named(names: Sequence[str]) -> str:
    """Names in a row, the first of them where they are many."""
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more


def what_differs(
    inputs: Changes,
    dates: tuple[str, str],
    edited: str,
    environment: Sequence[tuple[str, str, str]],
    unseeded: Sequence[str] = (),
) -> str:
    """What differs between two runs and may have moved a claim, the likeliest first."""
    found = []
    files = [*inputs.changed, *inputs.missing, *inputs.added]
    if files:
        found.append(f"inputs ({named(files)})")
    if dates[0] != dates[1]:
        found.append(f"data read up to {dates[1]}, published up to {dates[0]}")
    if edited:
        found.append(f"the notebook ({edited})")
    library = [row for row in environment if row[0] in ("code of convergence", "convergence")]
    if library:
        found.append("the library's own code")
    numbers = [f"{row[0]} {row[1]} to {row[2]}" for row in environment if row[0] in NUMERICAL[1:]]
    if numbers:
        found.append(named(numbers))
    stands = [row[0] for row in environment if row[0] in PLATFORM]
    if stands:
        found.append(f"platform ({named(stands)})")
    if unseeded:
        found.append(f"random numbers without a seed ({named(unseeded)})")
    if not found:
        return "nothing recorded differs: look in the notebook for random numbers, the clock or the network"
    return "; ".join(found)
