"""The numbers of one section's outlook beside its figure, and what was noticed in its readings."""

from __future__ import annotations

import textwrap

import pandas as pd
from matplotlib.axes import Axes

from convergence.job.findings import Finding
from convergence.measures.rates import RATE_WINDOW, rate
from convergence.measures.series import Series
from convergence.plots.canvas import axes_box
from convergence.plots.edge import band_words
from convergence.plots.labels import cut, keep_inside, write
from convergence.plots.style import GREY, SMALL
from convergence.plots.view import SectionView, short_name

#: Lines of text the box holds, lines kept for notes, and characters a line of notes holds.
LINES, NOTE_LINES, CHARACTERS = 15, 3, 82
#: Where the columns stand, as shares of the width, and to which side their words run.
_COLUMNS = ((0.0, False), (0.5, True), (0.65, True), (0.675, False), (0.995, True))


def draw_numbers(ax: Axes, view: SectionView) -> None:
    """Write a line for each measure with a level, most urgent first, and below them what was noticed."""
    ax.set_axis_off()
    ax.set_xlim(0, 1)
    notes = _notes(view)
    rows = view.rows[(view.rows["trigger"] != "") & (view.rows["readings_used"] != 0)]
    heads = _heads(view) if len(rows) else [("no measure with a level",)]
    room = LINES - len(heads) - min(len(notes), NOTE_LINES)
    shown = rows if len(rows) <= room else rows.head(room - 1)
    lines = [*heads, *(_words(view, row) for _, row in shown.iterrows())]
    if len(shown) < len(rows):
        lines.append((f"and {len(rows) - len(shown)} more",))
    box = axes_box(ax)
    for place, cells in enumerate(lines):
        for (at, rightwards), words in zip(_COLUMNS, cells, strict=False):
            weight = "bold" if place < len(heads) else "normal"
            text = write(
                ax,
                at,
                _height(place),
                words,
                across="right" if rightwards else "left",
                size=SMALL,
                weight=weight,
            )
            if not at:
                # the number beside it needs about six letters
                keep_inside(text, right=box.x0 + (_COLUMNS[1][0] - 0.08) * box.width)
    left = LINES - len(lines)
    kept = notes if len(notes) <= left else [*notes[: left - 1], f"{notes[left - 1]} ..."]
    for place, words in enumerate(kept[:left], start=len(lines)):
        write(ax, 0.0, _height(place + 0.4), words, size=SMALL, colour=GREY)


def _height(line: float) -> float:
    """Middle of a line, as a share of the box."""
    return 1.0 - (line + 0.5) / (LINES + 0.4)


def _heads(view: SectionView) -> list[tuple[str, ...]]:
    """The two lines of the table's head."""
    return [
        ("measure [mm],", "now", "mm/day,", "at the horizon", "state"),
        (
            "since zero reading",
            "",
            f"{RATE_WINDOW:g} days \N{PLUS-MINUS SIGN}s.e.",
            f"({view.outlook.projection.confidence:.0%} band)",
        ),
    ]


def _words(view: SectionView, row: pd.Series) -> tuple[str, ...]:
    """One line of the table."""
    series = next(
        (item for item in view.series if (item.measure, item.prisms) == (row["measure"], row["prisms"])), None
    )
    name = f"{row['measure']} {short_name(series) if series is not None else row['prisms']}"
    return (
        cut(name, 60),
        _number(row["measured"], ".1f"),
        _rate(view, series),
        _band(row),
        str(row["outlook"]),
    )


def _number(value: object, form: str) -> str:
    if not isinstance(value, int | float) or value != value:
        return "-"
    words = format(float(value), form)
    return words.replace("-", "\N{MINUS SIGN}") if float(words) else words.replace("-", "").replace("+", "")


def _rate(view: SectionView, series: Series | None) -> str:
    """Rate over the last days with its standard error, as "+0.63 \N{PLUS-MINUS SIGN}0.31"."""
    if series is None:
        return "-"
    noise = view.outlook.projection.noise.scaled(series.measure)
    value, error, _ = rate(series.time, series.value, series.segment, noise)
    return f"{_number(value, '+.2f')} \N{PLUS-MINUS SIGN}{_number(error, '.2f')}" if error == error else "-"


def _band(row: pd.Series) -> str:
    values = [row["final"], row["final_low"], row["final_high"]]
    if not all(isinstance(value, int | float) and value == value for value in values):
        return "not projected"
    return band_words(*(float(value) for value in values))


def _notes(view: SectionView) -> list[str]:
    """What was noticed, wrapped to the box; findings that differ by prism only stand together."""
    found: dict[tuple[str, str, str], list[Finding]] = {}
    for item in view.findings:
        date = "" if pd.isna(item.start) else view.clock.date(view.outlook.job.days(item.start))
        found.setdefault((item.kind, date, item.action), []).append(item)
    words = [_note(kind, date, action, items) for (kind, date, action), items in found.items()]
    return textwrap.wrap("noted in the readings: " + "; ".join(words), CHARACTERS) if words else []


def _note(kind: str, date: str, action: str, items: list[Finding]) -> str:
    """Some findings of one kind, day and action in a few words."""
    prisms = [item.prism for item in items if item.prism]
    who = f" {prisms[0]}" if len(prisms) == 1 else f" of {len(prisms)} prisms" if prisms else ""
    size = max((item.size for item in items if item.size == item.size), default=float("nan"))
    unit = {
        "blind spell": "h",
        "no recent reading": "h",
        "prism silent": "h",
        "copied readings": "increments",
        "frozen readings": "readings",
        "copied sweeps": "readings",
        "zero reading lost": "d",
    }
    much = f", {size:.0f} {unit.get(kind, 'mm')}" if size == size else ""
    return f"{kind}{who}{f' {date}' if date else ''}{much}, {action}"
