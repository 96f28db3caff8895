"""The faults planted in the record of the invented job, each of them known to happen on real sites.

Every function plants one fault and says what it did: kind, rows, section and prism, time, size, and how a
careful reader should treat it. `set aside`: the rows must not reach a fit. `reported`: the rows are real
readings or their absence, and the reader must point at them. `error-free`: it only looks like a fault and
must survive.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

import numpy as np

from convergence.example import faults_log, scenario
from convergence.example.planting import Planted, Site, insert, remove, shift, size_text
from convergence.example.record import Event, Reading, Record, absolute
from convergence.example.truth import Truth


def knocked(site: Site) -> list[Planted]:
    """A prism knocked by a machine, with no note: it stays where it is from then on."""
    name, day, move = "S1136-RW", 74.31, (-16.0, 19.0, 3.0)
    rows = site.rows(name, day)
    shift(rows, site.prism(name).chainage, move)
    note = "no event written; movement before and after is sound, the jump is none: start a new stretch there"
    return [
        Planted(
            "F01",
            "prism knocked, no note",
            rows,
            "span",
            "S1136",
            name,
            day,
            size_text(move),
            "reported",
            note,
        )
    ]


def replaced(site: Site) -> list[Planted]:
    """A prism replaced after damage, with its event."""
    name, day, move = "S1160-LS", 84.4, (58.0, -31.0, 54.0)
    rows = site.rows(name, day)
    shift(rows, site.prism(name).chainage, move)
    event = Event(
        day,
        section="S1160",
        prism=name,
        event="prism replaced",
        note="damaged by spraying; new bolt beside it",
    )
    site.record.events.append(event)
    note = "the event names it; the new prism continues the movement of the old one"
    return [
        Planted("F02", "prism replaced", [event], "rows", "S1160", name, day, size_text(move), "reported", note),
        Planted("F02", "prism replaced", rows, "span", "S1160", name, day, size_text(move), "reported", note),
    ]


def spike(site: Site) -> list[Planted]:
    """A single reading off by a centimetre."""
    name, move = "S1172-CR", (2.0, -1.5, 10.0)
    row = site.rows(name, 88.4)[0]
    shift([row], site.prism(name).chainage, move)
    note = "the next reading and the neighbours do not confirm it"
    return [
        Planted(
            "F03",
            "one-reading spike",
            [row],
            "rows",
            "S1172",
            name,
            row.day,
            size_text(move),
            "reported",
            note,
        )
    ]


def genuine_drop(site: Site) -> list[Planted]:
    """The loosened wedge in the weak zone: no fault; physics made it, and no filter may take it away."""
    wedge = scenario.LOOSENING
    start = site.truth.passage(wedge.section) + wedge.after_passage
    planted = []
    for number, prism in enumerate(site.truth.prisms):
        if prism.section != wedge.section or prism.position not in (
            "crown",
            "left shoulder",
            "right shoulder",
        ):
            continue
        moved = site.truth.movement(number, [start, start + 3.0])
        size = f"settlement {moved[1, 2] - moved[0, 2]:+.1f} mm in 3 days"
        rows = site.rows(prism.name, start, start + 3.0)
        note = "genuine: the whole upper array takes part; no reading of it may be set aside"
        planted.append(
            Planted(
                "F04",
                "genuine fast movement",
                rows,
                "span",
                wedge.section,
                prism.name,
                start,
                size,
                "error-free",
                note,
            )
        )
    return planted


def mistyped_dates(site: Site) -> list[Planted]:
    """Two dates wrong by years."""
    planted = []
    for name, day, wrong in (("S1054-LW", 47.2, "2013"), ("S1184-RS", 97.3, "2032")):
        row = site.rows(name, day)[0]
        text = scenario.CLOCK.text(row.day)
        row.cells["time"] = wrong + text[4:]
        note = f"true date {text}"
        size = f"year {wrong} for {text[:4]}"
        section = name.split("-")[0]
        planted.append(Planted("F05", "date mistyped", [row], "rows", section, name, row.day, size, "set aside", note))
    return planted


def other_tube(site: Site) -> list[Planted]:
    """Readings of a prism of the other tube in the same file: its name is in no list."""
    planted = []
    for host in site.rows("S1123-CR", 79.1)[:4]:
        noise = site.generator.normal(0.0, 0.6, 3)
        place = absolute(1123.4, (-40.0, 7.9), noise)
        row = Reading(host.day + 120.0 / 86400.0, prism="T2-1123-CR", section="", place=place)
        insert(site.record.readings, row)
        note = "prism of the other tube, 40 m to the left; in no list of this job"
        planted.append(
            Planted("F06", "unknown prism", [row], "rows", "", row.prism, row.day, "40 m aside", "set aside", note)
        )
    return planted


def before_it_existed(site: Site) -> list[Planted]:
    """Readings dated before the face had reached the section."""
    day = site.truth.passage("S1208") - 5.2
    planted = []
    for order, code in enumerate(("CR", "LS", "RS")):
        prism = site.prism(f"S1208-{code}")
        place = absolute(prism.chainage, (prism.offset, prism.height), site.generator.normal(0.0, 3.0, 3))
        at = round((day + order * 65.0 / 86400.0) * 86400.0) / 86400.0
        row = Reading(at, prism=prism.name, section="S1208", place=place)
        insert(site.record.readings, row)
        note = "the face was still ahead of the section: no prism can have been there; this is no zero reading"
        size = "5.2 days before the heading passed"
        planted.append(
            Planted(
                "F08",
                "reading before the prism existed",
                [row],
                "rows",
                "S1208",
                prism.name,
                at,
                size,
                "set aside",
                note,
            )
        )
    return planted


def copied(site: Site) -> list[Planted]:
    """A stretch of one series copied to another with an offset: the same increments, to the last digit."""
    source, target, day = "S1196-LW", "S1196-RW", 85.2
    given, taking = site.rows(source, day), site.rows(target, day)
    paired = {row: host for row in taking for host in given if abs(host.day - row.day) < 0.02}
    # Both series must be complete over the stretch, or the increments would not follow each other in both.
    count = 14
    first = next(
        index
        for index, row in enumerate(taking[:-count])
        if row in paired
        and [paired.get(item) for item in taking[index : index + count]]
        == given[given.index(paired[row]) : given.index(paired[row]) + count]
    )
    pairs = [(paired[row], row) for row in taking[first : first + count]]
    # Whole tenths of a millimetre, so that the increments agree in the file as well.
    start = np.round(pairs[0][1].place, 4)
    base = np.round(pairs[0][0].place, 4)
    for from_row, row in pairs:
        row.place = start + (np.round(from_row.place, 4) - base)
    note = f"increments equal those of {source} from reading to reading; report it neutrally"
    size = f"{len(pairs) - 1} equal increments"
    rows = [row for _, row in pairs]
    return [Planted("F09", "copied readings", rows, "span", "S1196", target, rows[0].day, size, "reported", note)]


def blind_after_blast(site: Site) -> list[Planted]:
    """A section close to the face unread for a day and a half from a blast on."""
    blasts = site.truth.logs["heading"].blasts
    start = float(blasts[blasts > site.truth.passage("S1248") + 2.3][0])
    note = "dust after blasting: no reading while the face stood close; the rows around the gap are named"
    rows = remove(site, "S1248", start, start + 1.5)
    return [Planted("F10", "blind spell after blasting", rows, "gap", "S1248", "", start, "36 h", "reported", note)]


def station_drift(site: Site) -> list[Planted]:
    """A station that moves for four days and is then set up again: three sections seem to move together."""
    first, last, peak = 58.2, 62.3, np.array([1.6, -2.1, 1.6])
    planted = []
    for name in ("S1012", "S1026", "S1040"):
        rows = site.section_rows(name, first, last)
        for row in rows:
            share = min((row.day - first) / 2.6, 1.0)
            shift([row], 1026.1, share * peak)
        note = "all prisms read from that station move alike, then return: not the ground"
        size = "up to " + size_text([float(value) for value in peak])
        planted.append(Planted("F11", "station drift", rows, "span", name, "", first, size, "reported", note))
    return planted


def daily_cycle(site: Site) -> list[Planted]:
    """The daily cycle that all readings carry."""
    note = "in all readings; about 0.2 mm in transverse and settlement; no reason to set a row aside"
    rows = [row for row in site.record.readings if row.section]
    return [Planted("F12", "daily cycle", rows, "span", "", "", 0.0, "0.2 mm", "error-free", note)]


def duplicates(site: Site) -> list[Planted]:
    """Two rows that stand in the file twice."""
    planted = []
    for name, day in (("S1068-LS", 55.4), ("S1110-CR", 66.6)):
        row = site.rows(name, day)[0]
        twin = Reading(row.day, prism=name, section=row.section, station=row.station, place=row.place)
        insert(site.record.readings, twin)
        note = "same instant, same prism, same numbers: one of the two counts"
        planted.append(
            Planted("F14", "duplicate row", [twin], "rows", row.section, name, row.day, "", "set aside", note)
        )
    return planted


def unreadable(site: Site) -> list[Planted]:
    """Cells that hold no number."""
    planted = []
    cases = (("S1082-RS", 60.2, "northing_m", "nan"), ("S1148-LS", 90.2, "elevation_m", "inf"))
    for name, day, column, text in (*cases, ("S1218-RW", 110.2, "easting_m", "no target")):
        row = site.rows(name, day)[0]
        row.cells[column] = text
        note = f"{column} holds {text}"
        planted.append(
            Planted(
                "F15",
                "value that is no number",
                [row],
                "rows",
                row.section,
                name,
                row.day,
                text,
                "set aside",
                note,
            )
        )
    return planted


def renewed_zero(site: Site) -> list[Planted]:
    """A section read from a new set-up: all coordinates step; the zero reading is renewed with an event."""
    section, day, move = "S1096", 69.4, (6.0, -9.0, 4.0)
    rows = site.section_rows(section, day, np.inf)
    shift(rows, 1096.5, move)
    text = "control points re-measured; coordinates step"
    event = Event(day, section=section, event="zero reading renewed", note=text)
    site.record.events.append(event)
    note = "the whole section steps at the event; the movement before it must not be lost"
    return [
        Planted(
            "F16",
            "zero reading renewed",
            [event],
            "rows",
            section,
            "",
            day,
            size_text(move),
            "reported",
            note,
        ),
        Planted("F16", "zero reading renewed", rows, "span", section, "", day, size_text(move), "reported", note),
    ]


def dead_prism(site: Site) -> list[Planted]:
    """A prism that is never read again while its neighbours are."""
    name, day = "S1258-LS", 120.6
    rows = remove(site, "S1258", day, np.inf, name)
    size = f"last {scenario.RECORD_END - day:.1f} days"
    note = "no reading any more while the other prisms of the section are read: blind"
    return [Planted("F17", "prism lost", rows, "gap", "S1258", name, day, size, "reported", note)]


def blind_section(site: Site) -> list[Planted]:
    """A section close behind the face without a reading in the last days of the record."""
    day = scenario.RECORD_END - 3.7
    rows = remove(site, "S1268", day, np.inf)
    note = "a section still moving, unread for the last days of the record: blind"
    return [
        Planted(
            "F18",
            "section unread at the end",
            rows,
            "gap",
            "S1268",
            "",
            day,
            "last 3.7 days",
            "reported",
            note,
        )
    ]


READING_FAULTS: tuple[Callable[[Site], list[Planted]], ...] = (
    # Copying comes first so that nothing else lies in the copied stretch.
    copied,
    knocked,
    replaced,
    spike,
    genuine_drop,
    mistyped_dates,
    other_tube,
    before_it_existed,
    blind_after_blast,
    station_drift,
    duplicates,
    unreadable,
    renewed_zero,
    dead_prism,
    blind_section,
    daily_cycle,
)


def plant_faults(truth: Truth, record: Record, generator: np.random.Generator) -> list[Planted]:
    """Plant all faults in a record, in place; returns what was planted, ordered by id."""
    site = Site(truth, record, generator)
    planted = [item for plant in READING_FAULTS for item in plant(site)]
    clock_change = scenario.CLOCK.day(datetime(2023, 3, 26, 2, 30))
    planted += faults_log.plant_faults(record.advance, clock_change)
    record.events.sort(key=lambda row: row.day)
    return sorted(planted, key=lambda item: item.id)
