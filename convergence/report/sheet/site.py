"""What happened on site: where the faces stand, events, what was noticed, and readings missing, late or set aside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from convergence.job.account import REASONS
from convergence.job.findings import UNDECIDED
from convergence.measures.tunnel import measure_section
from convergence.report.sheet.markup import Markup, bullets, element, join, table
from convergence.report.sheet.ranked import level_name, section_link, trigger_words
from convergence.report.sheet.view import SheetView
from convergence.report.sheet.words import MOST_ROWS, NOTHING, count_of, local_minute, number, own_units, small
from convergence.survey.decisions import by_sweep
from convergence.triggers.changes import TOLD_DAYS
from convergence.triggers.states import STATES

#: A reading is late after this many usual intervals, and never before this many hours.
LATE_INTERVALS, LATE_HOURS = 2.0, 6.0
#: Ways in which readings are missing, the gravest first, and names of prisms told in one cell.
_GRAVE, MOST_PRISMS = ("never read", "blind", "late"), 12


def face_table(view: SheetView) -> Markup:
    """Each stage's face: position, last round logged, advance since the comparison, plan for the next day."""
    job = view.job
    since, now = job.days(view.since), job.days(job.now)
    rows = []
    for stage in job.settings.stages:
        log, track = job.folder.advance.get(stage.name), view.outlook.projection.tracks.get(stage.name)
        if log is None or not len(log):
            left_out = "no round logged: no final value holds what it will cause"
            rows.append((stage.name, NOTHING, left_out, NOTHING, NOTHING, NOTHING))
            continue
        time, chainage = log.nodes(job.epoch)
        advance = abs(float(log.chainage[-1]) - float(np.interp(since, time, chainage)))
        rounds = int((log.time > view.since).sum())
        hours = 24.0 * (now - job.days(log.time[-1]))
        planned = NOTHING
        if track is not None:
            ahead = abs(float(np.diff(np.interp([now, now + 1.0], track.time, track.chainage))[0]))
            planned = f"{number(ahead)} m"
        rows.append(
            (
                stage.name,
                job.stationing.text(float(log.chainage[-1]), 2),
                local_minute(job, view.clock, log.time[-1]),
                f"{number(hours, 0)} h",
                f"{number(advance)} m in {count_of(rounds, 'round')}",
                planned,
            )
        )
    heads = (
        "stage",
        "face at chainage",
        "last round logged",
        "that is before the analysis",
        f"advance since {local_minute(job, view.clock, view.since)}",
        "planned, next 24 h",
    )
    return table(heads, rows, numbers=(1, 3, 5), kind="narrow")


def events(view: SheetView) -> Markup:
    """Rows of the event table since the spell began."""
    job = view.job
    found = [event for event in job.folder.events if view.spell < event.time <= job.now]
    when = local_minute(job, view.clock, view.spell)
    if not found:
        return element("p", f"No event is logged since {when}.")
    rows = [
        (
            local_minute(job, view.clock, event.time),
            section_link(view, event.section, ()) if event.section else "all",
            event.prism or "all",
            event.event,
            event.note,
        )
        for event in found[-MOST_ROWS:]
    ]
    told = table(("time", "section", "prism", "event", "note"), rows, kind="narrow")
    return join([element("p", f"Events logged since {when}:"), told, _more(len(found) - len(rows), "earlier event")])


def noticed(view: SheetView) -> Markup:
    """Findings in the data since the spell began, and those still to be decided."""
    job = view.job
    rows: list[object] = []
    decided: list[object] = []
    for row in view.recent_changes.to_dict("records"):
        where = f"{row['section']} {view.label(str(row['section']), str(row['measure']), str(row['prisms']))}"
        # the interval of false alarms is the same for all and stands once below the list
        told = view.clock.words(str(row["sentence"]).partition("; a false alarm of this series")[0])
        found = f"{told}; found {view.clock.words(str(row['found']))}"
        rows.append(join([element("b", f"{where}, {row['kind']}{', new' if row['new'] else ''}: "), found]))
    # the jumps of an array in one sweep are one thing to decide
    for item in by_sweep(job.findings):
        recent = (not np.isnat(item.end) and item.end > view.spell) or (
            not np.isnat(item.start) and item.start > view.spell
        )
        undecided = item.kind in UNDECIDED
        if recent or undecided:
            words = " (to be decided)" if undecided else ""
            told = join([element("b", f"{item.kind}, {item.action}{words}: "), view.clock.words(item.sentence)])
            (rows if undecided else decided).append(told)
    # what waits for a decision must not be cut off by what does not
    rows += decided
    if not rows:
        return element("p", "Nothing was noticed in the data of this spell.")
    return join([bullets(rows[:MOST_ROWS]), _more(len(rows) - MOST_ROWS, "finding"), _false_alarms(view)])


def _false_alarms(view: SheetView) -> Markup:
    """How often a change is found by chance; empty where none is told."""
    days = sorted({float(item) for item in view.recent_changes["false_alarm_days"]})
    if not days:
        return Markup("")
    often = " or ".join(f"{item:g}" for item in days)
    words = (
        f"Changes stay listed for {TOLD_DAYS:g} days after they were found, a fast last reading until the next one. In "
        f"each series one is found by chance in {often} days, on average."
    )
    return element("p", small(words))


@dataclass(frozen=True)
class Silence:
    """Prisms of one section whose readings are missing or late in the same way.

    ``last`` is the day of the newest of their last readings, ``hours`` the longest silence, ``usual`` the usual
    interval [hours]; NaN where never read.
    """

    section: str
    what: str
    prisms: tuple[str, ...]
    last: float
    hours: float
    usual: float


def silences(view: SheetView) -> tuple[Silence, ...]:
    """Prisms never read, blind or late, section by section in the order of the drive."""
    job = view.job
    now = job.days(job.now)
    table_ = view.outlook.table
    blind = set(zip(*(table_.loc[table_["outlook"] == "blind", name] for name in ("section", "prisms")), strict=True))
    # what is past a level stays past, and is no less silent for it; blind with too few readings is not silent
    silent = {(section, prisms) for section, _, prisms in view.outlook.silent}
    found: dict[tuple[str, str], list[tuple[str, float, float, float]]] = {}
    for section in job.sections:
        for series in measure_section(job, section):
            if series.measure != "settlement":
                continue
            last = float(series.time[-1]) if len(series.time) else float("nan")
            gaps = 24.0 * np.diff(series.time[-13:])
            usual = float(np.median(gaps)) if len(gaps) > 1 else float("nan")
            hours = 24.0 * (now - last)
            if not len(series.time) and (section, series.prisms) in blind:
                what = "never read"
            elif (section, series.prisms) in silent:
                what = "blind"
            elif hours > np.fmax(LATE_INTERVALS * usual, LATE_HOURS):
                what = "late"
            else:
                continue
            found.setdefault((section, what), []).append((series.prisms, last, hours, usual))
    return tuple(
        Silence(
            section,
            what,
            tuple(name for name, *_ in rows),
            max(last for _, last, _, _ in rows),
            max(hours for _, _, hours, _ in rows),
            float(np.fmax.reduce([usual for *_, usual in rows])),
        )
        for (section, what), rows in found.items()
    )


def missing(view: SheetView) -> Markup:
    """Readings missing and late."""
    found = silences(view)
    if not found:
        return element("p", "No prism is without a reading, blind or late.")
    order = {section: place for place, section in enumerate(dict.fromkeys(view.outlook.table["section"]))}
    found = tuple(sorted(found, key=lambda item: (_GRAVE.index(item.what), order.get(item.section, len(order)))))
    rows = [
        (
            section_link(view, item.section, ()),
            item.what,
            _prisms(item.prisms),
            NOTHING if np.isnan(item.last) else view.clock.minute(item.last),
            NOTHING if np.isnan(item.hours) else f"{item.hours:.0f} h",
            NOTHING if np.isnan(item.usual) else f"{item.usual:.0f} h",
        )
        for item in found[:MOST_ROWS]
    ]
    heads = ("section", "", "prisms", "last reading", "silent for", "usual interval")
    note = f"Late: silent for {LATE_INTERVALS:g} usual intervals and {LATE_HOURS:g} h at least."
    parts = [table(heads, rows, numbers=(4, 5), kind="narrow"), _others_missing(view, found[MOST_ROWS:])]
    return join([*parts, element("p", small(note))])


def _prisms(names: tuple[str, ...]) -> str:
    """Names of prisms, those of a large array by number from some on."""
    more = len(names) - MOST_PRISMS
    return ", ".join(names) if more <= 1 else f"{', '.join(names[:MOST_PRISMS])} and {more} more"


def _others_missing(view: SheetView, rest: tuple[Silence, ...]) -> Markup:
    """Where a list is too long for the page: the sections that are left, by name, so that none is missing from it."""
    parts = []
    for what in _GRAVE:
        sections = list(dict.fromkeys(item.section for item in rest if item.what == what))
        if sections:
            links = join((section_link(view, section, ()) for section in sections), ", ")
            count = element("b", f"... and {count_of(len(sections), 'more section')} {what}: ")
            parts.append(element("p", join([count, links, "."])))
    return join(parts)


def set_aside(view: SheetView) -> Markup:
    """Rows set aside: how many for each reason, and those of the spell one by one."""
    job = view.job
    account = job.account.table
    rows = job.set_aside
    rows = rows[rows["reason"] != "later than as_of"]
    used, read, later = (int(account[name].sum()) for name in ("used", "read", "later_than_as_of"))
    later_words = f" + {later} later than the analysis" if later else ""
    told = element("p", f"Rows read {read} = {used} used + {len(rows)} set aside{later_words}.")
    if not len(rows):
        return told
    instants = rows["time"].to_numpy(dtype="datetime64[ns]")
    fresh = rows[(instants > view.spell) & (instants <= job.now)]
    counts = rows["reason"].value_counts()
    new = fresh["reason"].value_counts()
    by_reason = [(reason, REASONS[str(reason)], count, int(new.get(reason, 0))) for reason, count in counts.items()]
    heads = ("reason", "that is", "in all", "in this spell")
    parts = [told, table(heads, by_reason, numbers=(2, 3), kind="narrow")]
    if len(fresh):
        parts.append(_rows_aside(view, fresh))
    return join(parts)


def _rows_aside(view: SheetView, rows: pd.DataFrame) -> Markup:
    cells = [
        (
            f"{row['file']}:{row['line']}",
            local_minute(view.job, view.clock, np.datetime64(row["time"])),
            row["section"] or NOTHING,
            row["prism"] or NOTHING,
            row["reason"],
            row["detail"],
        )
        for row in rows.head(MOST_ROWS).to_dict("records")
    ]
    heads = ("file, line", "time", "section", "prism", "set aside", "detail")
    return join([table(heads, cells, kind="narrow"), _more(len(rows) - len(cells), "row")])


def what_changed(view: SheetView, figures: tuple[str, ...]) -> Markup:
    """Levels newly past and states that changed since the comparison, and why."""
    if view.earlier is None:
        return element("p", f"There is no earlier state to compare with: {view.clock.words(view.no_earlier)}")
    return join([_newly_past(view, figures), _states_changed(view, figures)])


def _newly_past(view: SheetView, figures: tuple[str, ...]) -> Markup:
    """Every level of every trigger that was not past."""
    if not view.passed:
        return element("p", "No level of any trigger is newly past.")
    rows = [
        (
            section_link(view, item.section, figures),
            join([element("b", level_name(item.row)), f", since {item.row['since']}{trigger_words(item.row)}"]),
            _named(view, item.section, item.measures),
            element("span", view.clock.words(str(item.row["crossing"])), "kept"),
            own_units(item.row["value_text"]),
            ": ".join(str(item.row[name]) for name in ("owner", "action") if item.row[name]) or NOTHING,
        )
        for item in view.passed
    ]
    shown = rows[:MOST_ROWS]
    heads = ("section", "level newly past", "measures", "since", "now, same datum", "acts")
    words = "Every level of every trigger that was not past and is; more than one measure: since and now of the first."
    return join(
        [
            element("p", small(words), "lead"),
            table(heads, shown, kind="passed"),
            _more(len(rows) - len(shown), "level newly past"),
        ]
    )


def _named(view: SheetView, section: str, measures: tuple[tuple[str, str], ...]) -> str:
    """Measures of a section by label."""
    return ", ".join(view.label(section, measure, prisms).replace(":", " to ") for measure, prisms in measures)


def _states_changed(view: SheetView, figures: tuple[str, ...]) -> Markup:
    """Measures whose state, or the level it is told by, is another one."""
    if not view.changes:
        return element("p", "No measure changed its state.")
    heads = ("section", "from", "to", "measures", "why")
    rows = [
        (
            section_link(view, item.section, figures),
            item.before,
            element("b", item.after) if item.graver else item.after,
            _named(view, item.section, item.measures),
            view.reason(item.section, *item.measures[0], item.reason),
        )
        for item in view.changes
    ]
    shown = rows[:MOST_ROWS]
    return join([table(heads, shown, kind="changes"), _more(len(rows) - len(shown), "change")])


def state_counts(view: SheetView) -> str:
    """How many measures stand in each state, and how many did."""
    now = view.outlook.counts
    before = view.earlier.counts if view.earlier is not None else None
    told = []
    table_ = view.outlook.table
    # a measure no trigger looks at is undetermined by that alone, and asks for nothing
    idle = int(((table_["outlook"] == "undetermined") & (table_["trigger"] == "")).sum())
    for state in STATES:
        was = "" if before is None or before[state] == now[state] else f"was {before[state]}"
        aside = f"{idle} without a level" if state == "undetermined" and idle else ""
        remark = ", ".join(part for part in (was, aside) if part)
        told.append(f"{now[state]} {state}{f' ({remark})' if remark else ''}")
    return ", ".join(told)


def _more(count: int, what: str) -> Markup:
    return element("p", f"... and {count_of(count, f'more {what}')}.") if count > 0 else Markup("")
