"""The ranked table: what asks for attention, how near it is, who acts, and why."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from convergence.measures.rates import RATE_WINDOW
from convergence.plots.view import left_out_words
from convergence.report.sheet.markup import Markup, element, escape, join, link, table
from convergence.report.sheet.view import SheetView
from convergence.report.sheet.words import (
    MOST_ROWS,
    NOTHING,
    count_of,
    doubted,
    kept_name,
    number,
    own_units,
    percent,
    small,
    state_mark,
    two_lines,
    with_error,
)
from convergence.terms import TERMS, WARNED
from convergence.triggers.amounts import DECIMALS
from convergence.triggers.states import STATES


def ranked_table(view: SheetView, figures: tuple[str, ...]) -> Markup:
    """Rows past a level, heading for one, to be read again or blind, most urgent first.

    Parameters
    ----------
    view : SheetView
        The sheet.
    figures : tuple of str
        Sections that have figures on the page; their names lead there.
    """
    rows = view.urgent
    if not len(rows):
        return element("p", "Nothing is past a level, heading for one, to be read again or blind.")
    shown = rows.head(MOST_ROWS)
    confidence, horizon = view.outlook.projection.confidence, view.outlook.projection.horizon_days
    heads = (
        "",
        "state",
        two_lines("section", "chainage"),
        "measure",
        two_lines("level", "unit, datum"),
        two_lines("now", "same unit, datum"),
        two_lines("rate", f"over {RATE_WINDOW:g} d, ±s.e."),
        two_lines("final", final_head(view, confidence)),
        two_lines("P horizon", f"{horizon:g} d"),
        "P 24 h",
        "P 3 d",
        "P 7 d",
        two_lines("crossing", "median, early to late"),
        two_lines("stage", "lead"),
    )
    cells, under = [], []
    for place, row in enumerate(shown.to_dict("records"), start=1):
        own = _passage(view, row)
        cells.append([place, *_cells(view, row, own, figures)])
        under.append(_below(view, row, own))
    told = table(heads, cells, numbers=(0, 8, 9, 10, 11), under=under, kind="ranked")
    hidden = len(rows) - len(shown)
    more = element("p", f"... and {hidden} more that ask for attention: convergence outlook lists them.")
    return join([told, more if hidden else ""])


def _passage(view: SheetView, row: dict[object, object] | dict[str, object]) -> dict[str, object]:
    """What the passages say of the level a row is about; empty where no trigger applies."""
    cells = {str(name): value for name, value in row.items()}
    passages = view.outlook.passages
    found = passages[
        (passages["section"] == cells["section"])
        & (passages["measure"] == cells["measure"])
        & (passages["prisms"] == cells["prisms"])
        & (passages["trigger"] == cells["trigger"])
        & (passages["level"] == cells["level"])
    ]
    return {} if not len(found) else {str(name): value for name, value in found.iloc[0].items()}


def _cells(
    view: SheetView,
    row: dict[object, object] | dict[str, object],
    own: dict[str, object],
    figures: tuple[str, ...],
) -> list[object]:
    cells = {str(name): value for name, value in row.items()}
    section, measure, prisms = str(cells["section"]), str(cells["measure"]), str(cells["prisms"])
    unit = unit_of(measure)
    error = view.outlook.rate_errors.get((section, f"{measure} {prisms}"), float("nan"))
    rate = with_error(_float(cells["rate_per_day"]), error)
    low, high = number(cells["final_low"]), number(cells["final_high"])
    band = join(["" if low == NOTHING else f"{low} to {high}", Markup("<br>"), past_words(view, section, measure)])
    doubt = (section, measure, prisms) in view.on_one_reading
    final = two_lines(doubted(f"{number(cells['final'])} {unit}", doubt), band)
    speed = element("span", doubted(rate, doubt), "kept")
    return [
        state_mark(str(cells["outlook"])),
        two_lines(section_link(view, section, figures), view.chainage(section)),
        two_lines(view.label(section, measure, prisms).replace(":", " to "), prisms.replace(":", " to ")),
        _level(own),
        _now(cells, own, unit, doubt),
        rate if rate == NOTHING else two_lines(speed, f"{unit}/day"),
        final if number(cells["final"]) != NOTHING else NOTHING,
        _chance(view, cells, own, doubt),
        *(percent(own.get(name)) for name in ("probability_1d", "probability_3d", "probability_7d")),
        _crossing(view, own),
        two_lines(own.get("stage") or NOTHING, _lead(own)),
    ]


def _level(own: dict[str, object]) -> object:
    if not own:
        return NOTHING
    return two_lines(level_name(own), f"since {own['since']}{trigger_words(own)}")


def _chance(view: SheetView, cells: dict[str, object], own: dict[str, object], doubt: bool) -> object:
    """The probability within the horizon, and what it would be without an unconfirmed last reading."""
    told = percent(own.get("probability"))
    if not doubt or told == NOTHING:
        return told
    section, measure, prisms = (str(cells[name]) for name in ("section", "measure", "prisms"))
    levels = view.outlook.levels.get((section, view.label(section, measure, prisms)), ())
    key = (own["trigger"], own["level"])
    without = next((item.without_last for item in levels if (item.trigger.name, item.level.name) == key), float("nan"))
    words = percent(without)
    return two_lines(doubted(told, doubt), "" if words == NOTHING else element("span", f"without {words}", "kept"))


def _now(cells: dict[str, object], own: dict[str, object], unit: str, doubt: bool) -> object:
    """The value in the level's unit and datum, and how much of it is estimated."""
    if not own:
        return two_lines(doubted(f"{number(cells['measured'])} {unit}", doubt), "measured, since zero reading")
    estimated, decimals = _float(own["estimated"]), DECIMALS.get(str(own["unit"]), 2)
    told = doubted(own_units(own["value_text"]), doubt)
    if estimated and number(estimated, decimals) != NOTHING:
        return two_lines(told, f"of it {number(estimated, decimals)} lost, estimated")
    return two_lines(told, "measured" if own["quantity"] != "rate" else "")


def _crossing(view: SheetView, own: dict[str, object]) -> object:
    if not own:
        return NOTHING
    when = view.clock.day(str(own["crossing"]))
    if own["state"] == "past":
        return two_lines("past", f"since {when}" if when else "")
    if not when:
        return "not expected"
    early, late = (view.clock.day(str(own[name])) for name in ("crossing_early", "crossing_late"))
    return two_lines(when, f"{early or NOTHING} to {late or 'beyond the horizon'}")


def _lead(own: dict[str, object]) -> str:
    days = _float(own.get("lead_days"))
    return "" if number(days) == NOTHING or own.get("state") == "past" else f"{number(days)} d ahead"


def _below(view: SheetView, row: dict[object, object] | dict[str, object], own: dict[str, object]) -> Markup:
    """The reason, who acts, and what is wrong with the level itself."""
    cells = {str(name): value for name, value in row.items()}
    names = (str(cells[name]) for name in ("section", "measure", "prisms", "reason"))
    parts: list[object] = [view.reason(*names)]
    if cells["outlook"] == "blind":
        table_ = view.outlook.table
        others = table_[(table_["section"] == cells["section"]) & (table_["outlook"] == "blind")]
        if len(others) > 1:
            parts.append(f" ({count_of(len(others), 'measure')} of this section blind)")
    if view.unbegun and "no round" not in str(cells["reason"]) and np.isfinite(_float(cells["final"])):
        parts.append(f"; {left_out_words(view.unbegun)}")
    if own and (own["owner"] or own["action"]):
        # what is to be done at a level is said once it is past or headed for
        due = cells["outlook"] in ("past", "heading")
        acts = ": ".join(str(item) for item in (own["owner"], own["action"] if due else "") if item)
        parts += [Markup("<br>"), element("b", "Acts: " if due else "Owner: "), acts] if acts else []
    if own and own["warning"] and str(own["warning"]) not in str(cells["reason"]):
        parts += [Markup("<br>"), element("b", "Warning: "), view.clock.words(str(own["warning"]))]
    return join(parts)


def level_name(own: Mapping[str, object]) -> Markup:
    """A level by name and value, with a sign and a link to the sentence where something is wrong with it."""
    words = kept_name(f"{own['level']} {own_units(own['level_text'])}")
    return join([words, " ", link("levels", element("b", WARNED))]) if own["warning"] else words


def trigger_words(own: Mapping[str, object]) -> str:
    """The trigger, where its name says more than the measure does."""
    return "" if own["trigger"] == own["measure"] else f"; {own['trigger']}"


def final_head(view: SheetView, confidence: float) -> str:
    """What stands in the column of final values."""
    held = "; past bands that held" if view.past.hindcast is not None else ""
    return f"since zero reading, {confidence:.0%} band{held}"


def past_words(view: SheetView, section: str, measure: str) -> Markup:
    """How many of the past bands of forecasts like this one held."""
    found = view.hit_rate(section, measure)
    if found is None:
        return Markup("not scored") if view.past.hindcast is not None else Markup("")
    return element("span", f"held {percent(found.held)} of {found.forecasts}", "kept")


def section_link(view: SheetView, section: str, figures: tuple[str, ...]) -> Markup:
    """A section's name, leading to its figures or else to its line in the table of all sections."""
    if section not in view.place:
        return escape(section)
    return link(f"{'figures' if section in figures else 'section'}-{view.place[section]}", section)


def section_table(view: SheetView, figures: tuple[str, ...]) -> Markup:
    """A line for every section in the order of the drive: its most urgent measure."""
    job, outlook = view.job, view.outlook
    heads = (
        "section",
        "chainage",
        "state",
        two_lines("stage last past", "face distance [m]"),
        "most urgent measure",
        two_lines("measured", "since zero reading"),
        two_lines("lost", "before it, estimated"),
        two_lines("final", final_head(view, outlook.projection.confidence)),
        two_lines("P next level", "within the horizon"),
        two_lines("P settled", "least of its measures"),
        two_lines("last reading", f"local time ({view.clock.zone})"),
        "measures by state",
    )
    rows, anchors = [], []
    for section in job.sections:
        own = outlook.table[outlook.table["section"] == section]
        first = own.iloc[0]
        unit = unit_of(str(first["measure"]))
        final = number(first["final"])
        band = "" if final == NOTHING else f"{number(first['final_low'])} to {number(first['final_high'])}"
        label = view.label(section, str(first["measure"]), str(first["prisms"]))
        last = job.array(section)["time"].values
        counts = own["outlook"].value_counts()
        doubt = (section, str(first["measure"]), str(first["prisms"])) in view.on_one_reading
        measured = f"{number(first['measured'])} {unit}" if number(first["measured"]) != NOTHING else NOTHING
        rows.append(
            (
                section_link(view, section, figures) if section in figures else section,
                view.chainage(section),
                state_mark(str(first["outlook"])),
                two_lines(first["stage"] or NOTHING, number(first["face_distance_m"], 1, sign=True)),
                label.replace(":", " to "),
                doubted(measured, doubt and measured != NOTHING),
                f"{number(first['lost'])} {unit}" if number(first["lost"]) != NOTHING else NOTHING,
                two_lines(doubted(f"{final} ({band}) {unit}", doubt), past_words(view, section, str(first["measure"])))
                if band
                else NOTHING,
                _next_level(view, section, label, first, doubt),
                percent(_settled(view, section)),
                element("span", view.clock.minute(job.days(last[-1]))[:16], "kept") if len(last) else "never read",
                small(", ".join(f"{counts[state]} {state}" for state in STATES if state in counts)),
            )
        )
        anchors.append(f"section-{view.place[section]}")
    return table(heads, rows, numbers=(1, 5, 6, 8, 9), anchors=anchors, kind="sections")


def _next_level(view: SheetView, section: str, label: str, row: pd.Series, doubt: bool) -> object:
    """Probability and name of the first level not past, of the trigger a row is about."""
    if not row["trigger"]:
        return NOTHING
    own = [item for item in view.outlook.levels.get((section, label), ()) if item.trigger.name == row["trigger"]]
    last = max((item.place for item in own if item.past), default=-1)
    coming = next((item for item in own if item.place > last), None)
    if coming is None:
        return two_lines(NOTHING, "past the last level" if own else "")
    sign = join([" ", link("levels", element("b", WARNED))]) if coming.warning else ""
    return two_lines(doubted(percent(coming.probability), doubt), join([coming.level.name, sign]))


def _settled(view: SheetView, section: str) -> float:
    """The least probability that a measure of a section is settled; NaN where it is refused for any."""
    found = view.outlook.settled
    values = found.loc[found["section"] == section, "probability"].to_numpy(dtype=float)
    return float(np.min(values)) if len(values) else float("nan")


def unit_of(measure: str) -> str:
    """Unit of a measure's movement."""
    return TERMS[measure].unit if measure in TERMS else "mm"


def _float(value: object) -> float:
    return float(value) if isinstance(value, int | float) else float("nan")
