"""Names that trigger levels and chords of the settings refer to, held against the prisms."""

from __future__ import annotations

from convergence.job.intake import Intake
from convergence.job.near import is_meant
from convergence.job.prism_table import FILE
from convergence.job.schema import Prism, Settings


def check_names(intake: Intake, settings: Settings, prisms: tuple[Prism, ...]) -> None:
    """Sections and positions of triggers and chords, against the prisms; a fault for each that nobody knows."""
    sections = {prism.section for prism in prisms}
    positions = {prism.position for prism in prisms}
    ends = positions | {prism.name for prism in prisms}
    toml = "tunnel.toml"
    for trigger in settings.triggers:
        for section in trigger.sections:
            if section not in sections:
                expected = f"a section of {FILE}, one of {_some(sections)}"
                intake.fault(toml, trigger.line, "trigger.sections", section, expected, "correct the name")
        for position in trigger.positions:
            chord = trigger.measure in ("chord", "distortion")
            if position in positions or (chord and all(end in ends for end in position.split(":", 1))):
                continue
            ends_too = ', or a pair of them as "left wall:right wall"' if chord else ""
            expected = f"a position of {FILE}, one of {_some(positions)}{ends_too}{is_meant(position, positions)}"
            intake.fault(toml, trigger.line, "trigger.positions", position, expected, "correct the name")
    for pair in settings.chords:
        if pair.section != "*" and pair.section not in sections:
            expected = f'a section of {FILE}, one of {_some(sections)}, or "*"'
            intake.fault(toml, pair.line, "chord.section", pair.section, expected, "correct the name")
        for key, end in (("from", pair.start), ("to", pair.end)):
            if end and end not in ends:
                expected = f"a position or prism of {FILE}, one of {_some(positions)}"
                intake.fault(toml, pair.line, f"chord.{key}", end, expected, "correct the name")


def _some(names: set[str], most: int = 12) -> str:
    """Names for a message, not more than a reader takes in."""
    listed = sorted(names)
    return ", ".join(listed[:most]) + (f" ... ({len(listed)} in all)" if len(listed) > most else "")
