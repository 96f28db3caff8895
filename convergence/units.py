"""Units of the inputs, read from the names of columns and keys, and their conversion to the inside units.

A column's unit is the last part of its name: ``chainage_m``, ``height_ft``, ``settlement_in``. Inside the
library geometry is in metres, movement in millimetres, time in days and stress in megapascals; the conversion
happens once, while reading.

References
----------
1. International foot and inch: 0.3048 m and 0.0254 m exactly, US Federal Register 24 FR 5348 (1959).
Published,
   from memory.
2. US survey foot: 1200/3937 m exactly (Mendenhall order, 1893; deprecated after 2022 but alive on older
grids).
   Published, from memory.
"""

from __future__ import annotations

from types import MappingProxyType

#: Metres in one of each unit of length a column may carry.
METRES: MappingProxyType[str, float] = MappingProxyType(
    {"m": 1.0, "mm": 1e-3, "ft": 0.3048, "in": 0.0254, "ftUS": 1200.0 / 3937.0}
)

#: The same in millimetres, exact for the metric units so that millimetres stay bit for bit what the file
#: says.
MILLIMETRES: MappingProxyType[str, float] = MappingProxyType(
    {"m": 1e3, "mm": 1.0, "ft": 304.8, "in": 25.4, "ftUS": 1200.0e3 / 3937.0}
)

LENGTH_SUFFIXES = ", ".join(f"_{unit}" for unit in METRES)


def split_unit(name: str) -> tuple[str, str | None]:
    """Split a column name into its quantity and its unit of length.

    Parameters
    ----------
    name : str
        Column or key as it stands in the file.

    Returns
    -------
    tuple of (str, str or None)
        Quantity and unit; the unit is None where the name ends in no unit of length.

    Examples
    --------
    >>> split_unit("chainage_ftUS")
    ('chainage', 'ftUS')
    >>> split_unit("prism")
    ('prism', None)
    """
    quantity, _, unit = name.rpartition("_")
    return (quantity, unit) if quantity and unit in METRES else (name, None)
