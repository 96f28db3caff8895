"""``prisms.csv``: the prisms, held against the alignment and the opening they stand in."""

from __future__ import annotations

import numpy as np

from convergence.job.intake import Intake
from convergence.job.schema import Prism, Settings
from convergence.job.site_chainage import along_the_axis, expected_of, region_columns
from convergence.job.tables import in_metres, numbers
from convergence.units import METRES

FILE = "prisms.csv"
#: The prisms of one section stand within so many metres along the tunnel.
SECTION_LENGTH = 5.0
#: Largest chainage and largest offset or height [m] taken for possible.
FARTHEST_CHAINAGE, FARTHEST_ASIDE = 1e7, 200.0


def read_prisms(intake: Intake) -> tuple[Prism, ...]:
    """The prisms; a wrong row is a fault, for a prism in the wrong place misleads for the whole job."""
    lengths = ("chainage", "offset", "height")
    table = intake.table(FILE, ("prism", "section", "position"), lengths, region_columns(intake.stationing))
    if table is None:
        return ()
    before = len(intake.faults)
    aside = intake.account.rows_set_aside
    aside = aside[aside["reason"] != "set aside by an event"]
    for line, reason in zip(aside["line"], aside["reason"], strict=True):
        intake.fault(FILE, int(line), "", str(reason), "a value in each column of the header", "correct the row")
    if not len(table):
        intake.fault(FILE, 1, "", "", "at least one prism (the file has a header and no rows)", "add the prisms")
    values = {}
    for quantity in lengths:
        name, text = table.measured_text(quantity)
        found = in_metres(numbers(text)[0], table.units[quantity])
        limit = FARTHEST_CHAINAGE if quantity == "chainage" else FARTHEST_ASIDE
        for wrong in np.flatnonzero(~(np.abs(found) <= limit)):
            expected = f"a finite number within +-{limit:g} m"
            mend = "correct the value, or its unit in the column's name"
            intake.fault(FILE, int(table.line[wrong]), name, str(text[wrong]), expected, mend)
        if quantity == "chainage":
            impossible = ~(np.abs(found) <= limit)
            found, places = along_the_axis(intake, table, found)
            for wrong in np.flatnonzero((places != 1) & ~impossible):
                expected, mend = expected_of(intake.stationing, int(places[wrong]))
                intake.fault(FILE, int(table.line[wrong]), name, str(text[wrong]), expected, mend)
        values[quantity] = found
    prisms = []
    seen: dict[str, int] = {}
    for index, line in enumerate(int(number) for number in table.line):
        prism, section, position = (str(table.text(name)[index]) for name in ("prism", "section", "position"))
        for name, value in (("prism", prism), ("section", section)):
            if not value:
                intake.fault(FILE, line, name, "", f"a name of the {name}", "complete the row")
        if prism and prism in seen:
            expected = f"each prism once (it stands in line {seen[prism]} too)"
            intake.fault(FILE, line, "prism", prism, expected, "rename or remove one of the two rows")
        seen.setdefault(prism, line)
        chainage, offset, height = (float(values[name][index]) for name in lengths)
        prisms.append(Prism(prism, section, position or prism, chainage, offset, height, line))
    # the order of the rows says nothing: sums and searches run over the prisms, and must give the same numbers for any
    prisms.sort(key=lambda prism: (prism.section, prism.name))
    intake.section_of.update({prism.name: prism.section for prism in prisms})
    return tuple(prisms) if len(intake.faults) == before else ()


def check_places(intake: Intake, settings: Settings, prisms: tuple[Prism, ...]) -> None:
    """Places of the prisms against the alignment, their sections and the opening."""
    _check_on_alignment(intake, settings, prisms)
    _check_sections(intake, prisms)
    _check_on_the_wall(intake, settings, prisms)


def _check_on_alignment(intake: Intake, settings: Settings, prisms: tuple[Prism, ...]) -> None:
    if settings.alignment is None:
        return
    low, high = settings.alignment.start_chainage, settings.alignment.end_chainage
    text = settings.stationing.text
    for prism in prisms:
        if not low - 1e-6 <= prism.chainage <= high + 1e-6:
            expected = f"a chainage on the alignment, {settings.stationing.span(low, high)}"
            mend = "correct the chainage or its unit, or lengthen the [[alignment]]"
            intake.fault(FILE, prism.line, "chainage", text(prism.chainage), expected, mend)


def _check_sections(intake: Intake, prisms: tuple[Prism, ...]) -> None:
    members: dict[str, list[Prism]] = {}
    text = intake.stationing.text
    for prism in prisms:
        members.setdefault(prism.section, []).append(prism)
    for section, group in sorted(members.items()):
        chainages = [prism.chainage for prism in group]
        if max(chainages) - min(chainages) > SECTION_LENGTH:
            middle = float(np.median(chainages))
            far = max(group, key=lambda prism: abs(prism.chainage - middle))
            expected = (
                f"the prisms of section {section} within {SECTION_LENGTH:g} m along the tunnel (median {text(middle)})"
            )
            mend = "correct the chainage, or give the prism a section of its own"
            intake.fault(FILE, far.line, "chainage", text(far.chainage), expected, mend)


def _check_on_the_wall(intake: Intake, settings: Settings, prisms: tuple[Prism, ...]) -> None:
    """Prisms sit on the opening's wall; a fault a column where some stand far outside of it."""
    tunnel = settings.tunnel
    limits = {"offset": 0.75 * tunnel.width + 0.5, "height": 1.5 * tunnel.height + 1.0}
    for quantity, limit in limits.items():
        far = [prism for prism in prisms if abs(getattr(prism, quantity)) > limit]
        if not far:
            continue
        value = float(getattr(far[0], quantity))
        fits = all(abs(getattr(prism, quantity)) * METRES["ft"] <= limit for prism in far)
        hint = "; in feet they fit" if fits else ""
        names = ", ".join(prism.name for prism in far[:6]) + (" ..." if len(far) > 6 else "")
        expected = (
            f"the prisms on the wall of the opening, within {limit:.2f} m of the reference for a tunnel of "
            f"{tunnel.width:g} m by {tunnel.height:g} m ({len(far)} of {len(prisms)} are not: {names}{hint})"
        )
        mend = f"correct the value, the unit in the column's name, as {quantity}_ft, or width and height in tunnel.toml"
        intake.fault(FILE, far[0].line, quantity, f"{value:.2f} m", expected, mend)
