"""Text of the job folder: every number with a fixed count of digits, every file with the same line end.

Line numbers are given to the rows here, so the list of planted faults can name them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from convergence.example import scenario
from convergence.example.record import Advance, Event, Reading, Record, Row
from convergence.example.truth import Truth

READING_COLUMNS = ("time", "prism", "easting_m", "northing_m", "elevation_m")
ADVANCE_COLUMNS = ("time", "stage", "chainage_m")
EVENT_COLUMNS = ("time", "section", "prism", "event", "note")


def write_text(path: Path, lines: Iterable[str]) -> None:
    """Write lines with a line feed each, on every system."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8", newline="\n")


def number(value: float, digits: int) -> str:
    """A number with a fixed count of digits and no minus before zero."""
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def write_rows(
    folder: Path, name: str, columns: Sequence[str], rows: Sequence[Row], texts: list[dict[str, str]]
) -> None:
    """Write one CSV file and tell each row its place; texts in `Row.cells` go before the usual ones."""
    lines = [",".join(columns)]
    for row, usual in zip(rows, texts, strict=True):
        row.file, row.line = name, len(lines) + 1
        lines.append(",".join(row.cells.get(column, usual[column]) for column in columns))
    write_text(folder / name, lines)


def reading_text(row: Reading) -> dict[str, str]:
    """Cells of a reading; coordinates to 0.1 mm."""
    east, north, up = (number(float(value), 4) for value in row.place)
    time = scenario.CLOCK.text(row.day)
    return {"time": time, "prism": row.prism, "easting_m": east, "northing_m": north, "elevation_m": up}


def advance_text(row: Advance) -> dict[str, str]:
    """Cells of a logged round; the face to the centimetre."""
    return {"time": scenario.CLOCK.text(row.day), "stage": row.stage, "chainage_m": number(row.chainage, 2)}


def event_text(row: Event) -> dict[str, str]:
    """Cells of an event."""
    time = scenario.CLOCK.text(row.day)
    return {"time": time, "section": row.section, "prism": row.prism, "event": row.event, "note": row.note}


def write_record(folder: Path, record: Record) -> None:
    """Write readings (a file a month), round log and events."""
    months: dict[str, list[Reading]] = {}
    for row in record.readings:
        months.setdefault(scenario.CLOCK.moment(row.day).strftime("%Y-%m"), []).append(row)
    for month, rows in sorted(months.items()):
        write_rows(folder, f"readings/{month}.csv", READING_COLUMNS, rows, [reading_text(row) for row in rows])
    write_rows(folder, "advance.csv", ADVANCE_COLUMNS, record.advance, [advance_text(row) for row in record.advance])
    write_rows(folder, "events.csv", EVENT_COLUMNS, record.events, [event_text(row) for row in record.events])


def write_prisms(folder: Path, truth: Truth) -> None:
    """Write the list of prisms."""
    lines = ["prism,section,position,chainage_m,offset_m,height_m"]
    for item in truth.prisms:
        place = ",".join(number(value, 2) for value in (item.chainage, item.offset, item.height))
        lines.append(f"{item.name},{item.section},{item.position},{place}")
    write_text(folder / "prisms.csv", lines)
