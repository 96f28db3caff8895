"""The page put together: what changed, the faces, the ranked table, where to sign, the figures, the account."""

from __future__ import annotations

from importlib.metadata import version

from convergence.job.times import shown
from convergence.plots.view import left_out_words
from convergence.report.sheet.markup import Markup, bullets, element, escape, join, keep_together, link, table
from convergence.report.sheet.pictures import chosen_sections, image, section_picture, tunnel_pictures, vector_pictures
from convergence.report.sheet.ranked import (
    level_name,
    ranked_table,
    section_link,
    section_table,
    trigger_words,
)
from convergence.report.sheet.register import register
from convergence.report.sheet.settled import settled_table
from convergence.report.sheet.site import (
    events,
    face_table,
    missing,
    noticed,
    set_aside,
    state_counts,
    what_changed,
)
from convergence.report.sheet.style import CSS
from convergence.report.sheet.view import SheetView
from convergence.report.sheet.words import (
    ON_ONE_READING,
    count_of,
    local_minute,
    own_units,
    percent,
    small,
    state_mark,
)
from convergence.terms import CAUTION, TERMS, WARNED
from convergence.triggers.reason_words import WORTH_TELLING

#: Nothing is fetched and nothing is run, whatever the names in the job hold.
_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
#: Rows left to sign in.
_SIGNATURES = 3
#: So many levels within reach are listed at most.
MOST_LEVELS = 60
#: What is told as less than one in a hundred.
NEXT_TO_NOTHING = 0.005


def sheet_html(view: SheetView) -> str:
    """The daily sheet as one HTML page; it needs no other file, no network and no script.

    Parameters
    ----------
    view : SheetView
        The outlook and what it is compared with.

    Returns
    -------
    str
        The page.
    """
    figures = chosen_sections(view)
    title = f"{view.job.settings.tunnel.name}: daily sheet, {local_minute(view.job, view.clock, view.job.now)}"
    body = join(
        [
            _head(view),
            _part("changed", _changed_title(view), what_changed(view, figures)),
            _part("site", "Faces and events", join([face_table(view), events(view)])),
            _part("ranked", "What asks for attention", join([_how_to_read(view), ranked_table(view, figures)])),
            _sign(),
            _part("reach", "Levels within reach", _reach(view, figures)),
            _part("noticed", "Noticed in the data", noticed(view)),
            _part("missing", "Readings missing and late", missing(view)),
            _part("aside", "Rows set aside", set_aside(view)),
            _part("levels", "Triggers and their levels in force", register(view)),
            _part("settled", "Settled, or why not", settled_table(view)),
            _part("sections", "Every section", section_table(view, figures)),
            _foot(view),
            _part("vectors", "Vectors of the sections that matter", _vectors(view), "pictures"),
            _part("tunnel", "Along the tunnel", _tunnel(view), "pictures"),
            *(_section(view, section) for section in figures),
        ]
    )
    body = keep_together(f"<div>{body}</div>")
    head = join(
        [
            Markup('<meta charset="utf-8">'),
            Markup(f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'),
            Markup('<meta name="viewport" content="width=device-width, initial-scale=1">'),
            element("title", title),
            Markup(f"<style>{CSS}</style>"),
        ]
    )
    return f'<!DOCTYPE html>\n<html lang="en"><head>{head}</head>\n<body>{body}</body></html>\n'


def _part(anchor: str, title: str, content: object, kind: str = "") -> Markup:
    return Markup(f"\n{element('section', join([element('h2', title), content]), kind, anchor)}")


def _head(view: SheetView) -> Markup:
    job, projection = view.job, view.outlook.projection
    nav = (
        ("changed", "What changed"),
        ("site", "Faces and events"),
        ("ranked", "Attention"),
        ("sign", "Sign"),
        ("reach", "Levels within reach"),
        ("noticed", "Noticed"),
        ("missing", "Missing and late"),
        ("aside", "Set aside"),
        ("levels", "Levels"),
        ("settled", "Settled"),
        ("sections", "Every section"),
        ("vectors", "Vectors"),
        ("tunnel", "Along the tunnel"),
    )
    facts = (
        f"Analysed at {local_minute(job, view.clock, job.now)} ({shown(job.now)}); data until "
        f"{view.clock.minute(projection.data_until)}. {count_of(len(job.sections), 'section')}, "
        f"{count_of(len(view.outlook.table), 'measure')}: {state_counts(view)}. Times are local ({view.clock.zone})."
    )
    return join(
        [
            element("h1", f"{job.settings.tunnel.name}: daily sheet"),
            element("p", facts),
            element("p", CAUTION, "caution"),
            element("nav", join(link(anchor, words) for anchor, words in nav)),
        ]
    )


def _changed_title(view: SheetView) -> str:
    return f"What changed since {local_minute(view.job, view.clock, view.since)}"


def _how_to_read(view: SheetView) -> Markup:
    signs = "; ".join(f"{name} {TERMS[name].sign}" for name in ("settlement", "transverse", "longitudinal", "chord"))
    words = (
        f"Signs: {signs}. Movements since the zero reading unless a datum says otherwise; lost is what moved before "
        "it, estimated and never measured. P: probability of passing the level within the horizon, 24 h, 3 and 7 days. "
        "Compared states were projected anew from what had been read by then."
    )
    if view.unbegun:
        words = f"{words} {left_out_words(view.unbegun).capitalize()}."
    if view.on_one_reading:
        words = (
            f"{words} {ON_ONE_READING}: the last reading is far off what those before it led to expect and nothing "
            "confirms it; it is in the numbers so marked and in the probabilities and dates beside them, until it is "
            "read again; without: the probability had it not been made."
        )
    states = join([state_mark(state) for state in view.outlook.counts], " ")
    return join(
        [
            element("p", states, "lead"),
            element("p", small(words), "lead"),
            element("p", join([element("b", "Past forecasts: "), view.past.sentence])),
        ]
    )


def _sign() -> Markup:
    rows = [("", "", "", "")] * _SIGNATURES
    return _part(
        "sign",
        "Reviewed by",
        table(("name", "decision (readings, work, support, levels)", "date and time", "signature"), rows, kind="sign"),
    )


def _tunnel(view: SheetView) -> Markup:
    found = tunnel_pictures(view)
    if not found:
        return element("p", "No reading, so nothing is drawn.")
    return join(image(item) for item in found)


def _section(view: SheetView, section: str) -> Markup:
    anchor = f"figures-{view.place[section]}"
    first = view.outlook.table[view.outlook.table["section"] == section].iloc[0]
    rate = view.hit_rate(section, str(first["measure"]))
    told = element("p", small(rate.sentence if rate is not None else view.past.sentence))
    return Markup(f"\n{element('section', join([image(section_picture(view, section), 'page'), told]), 'one', anchor)}")


def _vectors(view: SheetView) -> Markup:
    told = join(image(item, "half") for item in vector_pictures(view))
    hidden = len(view.sections_that_matter) - len(chosen_sections(view))
    sections = count_of(hidden, "more section")
    more = f"Figures of {sections} that matter are not on this page: convergence outlook draws all."
    words = element("p", more, "lead") if hidden > 0 else ""
    share = view.outlook.projection.confidence
    key = f"Looking up-chainage. Arrow: from zero to last reading; line: its way; circle: {share:.0%} error."
    return (
        join([words, element("p", small(key), "lead"), told])
        if told
        else element("p", "No section asks for attention, so none is drawn.")
    )


def _reach(view: SheetView, figures: tuple[str, ...]) -> Markup:
    """Levels of the sections that matter which are past or have a probability worth telling."""
    passages = view.outlook.passages
    own = passages[passages["section"].isin(view.sections_that_matter)]
    # of a measure to be read again, levels far out of its reach tell nothing
    doubted = own["unconfirmed"].astype(bool) & ~(own["probability"] < NEXT_TO_NOTHING)
    own = own[(own["state"] == "past") | (own["probability"] >= WORTH_TELLING) | doubted]
    rows = [
        (
            section_link(view, str(row["section"]), figures),
            view.label(str(row["section"]), str(row["measure"]), str(row["prisms"])).replace(":", " to "),
            join([level_name(row), f", since {row['since']}{trigger_words(row)}"]),
            own_units(row["value_text"]),
            state_mark(str(row["state"])),
            percent(row["probability"]),
            *(percent(row[name]) for name in ("probability_1d", "probability_3d", "probability_7d")),
            "yes: read again" if row["unconfirmed"] else "",
        )
        for row in ({str(name): value for name, value in item.items()} for item in own.to_dict("records"))
    ]
    heads = (
        "section",
        "measure",
        "level",
        "now, same datum",
        "state",
        "P horizon",
        "P 24 h",
        "P 3 d",
        "P 7 d",
        "unconfirmed",
    )
    words = f"is past or has a probability of {WORTH_TELLING:.0%} or more within the horizon"
    if not rows:
        return element("p", f"No level of the sections that matter {words}.")
    shown_rows = rows[:MOST_LEVELS]
    more = f" ... and {len(rows) - len(shown_rows)} more" if len(rows) > len(shown_rows) else ""
    told = element("p", small(f"Every level of the sections that matter which {words}.{more}"))
    warned = list(
        dict.fromkeys(str(row["warning"]) for row in own.head(MOST_LEVELS).to_dict("records") if row["warning"])
    )
    return join(
        [
            told,
            table(heads, shown_rows, numbers=(3, 5, 6, 7, 8), kind="narrow"),
            bullets([join([element("b", f"{WARNED} "), view.clock.words(words)]) for words in warned])
            if warned
            else "",
        ]
    )


def _foot(view: SheetView) -> Markup:
    projection = view.outlook.projection
    words = (
        f"Made with convergence {version('convergence')} from data {projection.fingerprint[:16]}; horizon "
        f"{projection.horizon_days:g} days after the first stage's passage of a section, bands "
        f"{projection.confidence:.0%}, noise of a reading {projection.noise.total:.2f} mm; "
        f"{projection.timing_text}."
    )
    return element("footer", join([element("p", CAUTION, "caution"), element("p", small(escape(words)))]))
