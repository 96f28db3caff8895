"""Chainages of a table, from the site's to the continuous ones; what stands for no place or for two is told."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.job.intake import Intake
from convergence.job.rows import Floats
from convergence.job.stationing import Stationing
from convergence.job.tables import Table, numbers

Ints = npt.NDArray[np.int64]

#: The column that says in which region a chainage is; only looked for where the job has equations.
REGION = "chainage_region"


def region_columns(stationing: Stationing) -> tuple[str, ...]:
    """The optional columns that a table with chainages may have besides its own."""
    return (REGION,) if stationing else ()


def along_the_axis(intake: Intake, table: Table, site: Floats) -> tuple[Floats, Ints]:
    """Continuous chainages [m] of a table's rows, and how many places each of the site's stands for.

    Without equations the chainage stays as it is, bit for bit. A region that is no whole number, or that the job does
    not have, is no place.
    """
    stationing = intake.stationing
    if not stationing:
        return site, np.isfinite(site).astype(np.int64)
    text = table.text(REGION)
    written = numbers(text)[0]
    said = text != ""
    good = np.isin(written, np.arange(1, stationing.regions + 1))
    # a region outside of all there are finds nothing
    region = np.where(said, np.where(good, written, stationing.regions + 1), 0).astype(np.int64)
    return stationing.continuous(site, region)


def what_is_known(stationing: Stationing) -> str:
    """The equations in words, for messages."""
    known = ", ".join(f"{item.back:g} m back = {item.ahead:g} m ahead" for item in stationing.equations)
    return f"by the chainage equation{'s' if stationing.regions > 2 else ''} {known}"


def expected_of(stationing: Stationing, places: int) -> tuple[str, str]:
    """What was expected of a chainage that stands for no place or for several, and how to mend it."""
    known = what_is_known(stationing)
    if places:
        expected = f"a chainage that stands for one place ({known} it stands for {places})"
        return expected, f"name the region in a column {REGION}, 1 for below the first equation, 2 above it ..."
    expected = f"a chainage that exists ({known} there is no such place, or not in the region named)"
    return expected, f"correct the chainage, its {REGION}, or the equations"
