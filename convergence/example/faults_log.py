"""The faults planted in the round log of the invented job."""

from __future__ import annotations

from collections.abc import Sequence

from convergence.example import scenario
from convergence.example.planting import Planted
from convergence.example.record import Advance

FEET_PER_METRE = 1.0 / 0.3048


def stage_rows(advance: Sequence[Advance], stage: str) -> list[Advance]:
    """Rows of one stage in order of time."""
    return [row for row in advance if row.stage == stage]


def ahead_of_bench(advance: list[Advance]) -> list[Planted]:
    """Ten rounds of the invert written with a wrong chainage, ahead of the bench: impossible."""
    rows = [row for row in stage_rows(advance, "invert") if row.day > 62.0][:10]
    for row in rows:
        row.chainage = round(row.chainage + 70.0, 2)
    note = "the invert cannot be ahead of the bench; the rounds were written 70 m too far"
    return [
        Planted(
            "F07",
            "invert logged ahead of the bench",
            [row],
            "rows",
            "",
            "",
            row.day,
            "+70.00 m",
            "set aside",
            note,
        )
        for row in rows
    ]


def missing_rounds(advance: list[Advance]) -> list[Planted]:
    """Three rounds of the heading that nobody logged."""
    rows = stage_rows(advance, "heading")
    first = next(index for index, row in enumerate(rows) if row.day > 51.0)
    gone = rows[first : first + 3]
    advance[:] = [row for row in advance if row not in gone]
    around = [rows[first - 1], rows[first + 3]]
    size = f"3 rounds; {gone[-1].chainage - around[0].chainage:.2f} m"
    note = "the face steps by four rounds at once; the rounds between are not known"
    return [Planted("F13a", "rounds missing", around, "gap", "", "", gone[0].day, size, "reported", note)]


def two_times(advance: list[Advance]) -> list[Planted]:
    """One round logged twice, at two times."""
    row = next(item for item in stage_rows(advance, "heading") if item.day > 71.0)
    twin = Advance(row.day + 95.0 / 1440.0, stage="heading", chainage=row.chainage)
    place = next(index for index, item in enumerate(advance) if item.day > twin.day)
    advance.insert(place, twin)
    note = "the same chainage at two times; the first is the true one"
    return [Planted("F13b", "two times for one round", [twin], "rows", "", "", twin.day, "95 min", "reported", note)]


def without_offset(advance: list[Advance], clock_change: float) -> list[Planted]:
    """Local time without offset in the last round before and the first after the clock change."""
    rows = stage_rows(advance, "heading")
    chosen = [
        [row for row in rows if row.day < clock_change][-1],
        next(row for row in rows if row.day > clock_change),
    ]
    planted = []
    for row in chosen:
        row.cells["time"] = scenario.CLOCK.text(row.day)[:19]
        note = f"true time {scenario.CLOCK.text(row.day)}"
        planted.append(
            Planted(
                "F13c",
                "local time without offset",
                [row],
                "rows",
                "",
                "",
                row.day,
                "1 h open",
                "set aside",
                note,
            )
        )
    return planted


def feet(advance: list[Advance]) -> list[Planted]:
    """One round written in feet in the column of metres."""
    row = next(item for item in stage_rows(advance, "bench") if item.day > 57.0)
    true = row.chainage
    row.chainage = round(true * FEET_PER_METRE, 2)
    note = f"true chainage {true:.2f} m; the number is in feet and lies far beyond the alignment"
    size = f"{row.chainage:.2f} for {true:.2f}"
    return [Planted("F13d", "feet among metres", [row], "rows", "", "", row.day, size, "set aside", note)]


def plant_faults(advance: list[Advance], clock_change: float) -> list[Planted]:
    """Plant all faults of the round log, in place; `clock_change` is the day [d] summer time begins."""
    return [
        *ahead_of_bench(advance),
        *missing_rounds(advance),
        *two_times(advance),
        *without_offset(advance, clock_change),
        *feet(advance),
    ]
