"""The broken job folders of ``test_broken``: what is changed in each, and what the message must say."""

from __future__ import annotations

from dataclasses import dataclass

from tests.helpers import edited, job_files, settings_text

FILES = job_files()
COORDINATES = job_files("coordinates")
TOML, PRISMS, ADVANCE, READINGS = (FILES[name] for name in ("tunnel.toml", "prisms.csv", "advance.csv", "readings.csv"))


def toml(*changes: tuple[str, str]) -> dict[str, str | bytes | None]:
    return {"tunnel.toml": edited(TOML, *changes)}


def prisms(*changes: tuple[str, str]) -> dict[str, str | bytes | None]:
    return {"prisms.csv": edited(PRISMS, *changes)}


def rows_head(text: str) -> str:
    """The header of a table with its line end."""
    return text.splitlines()[0] + "\n"


def column(text: str, number: int, value: str) -> str:
    """A table with every value of one column replaced."""
    rows = [line.split(",") for line in text.splitlines()[1:]]
    return rows_head(text) + "".join(",".join([*row[:number], value, *row[number + 1 :]]) + "\n" for row in rows)


@dataclass(frozen=True)
class Case:
    """One broken folder: what is changed, and what the message must say.

    ``place`` is "file", "file:line" or "file:line, column" as it must begin; ``value`` and ``says`` must
    stand in it.
    """

    changes: dict[str, str | bytes | None]
    place: str
    value: str = ""
    says: tuple[str, ...] = ()
    form: str = "movements"


SWAPPED = ADVANCE.replace("heading", "?").replace("bench", "heading").replace("?", "bench")
NO_OFFSET = READINGS.replace("+02:00", "")
EARLY = READINGS.replace("2031-05", "2031-04")
LEVELS = '[{name = "attention", value_mm = 20.0}, {name = "alarm", value_mm = 30.0}]'

CASES: dict[str, Case] = {
    # files that are not there, or not what their name says
    "no settings": Case({"tunnel.toml": None}, "tunnel.toml", says=("settings file tunnel.toml", "add the file")),
    "no prisms": Case({"prisms.csv": None}, "prisms.csv", says=("the file prisms.csv", "chainage_m")),
    "no advance": Case({"advance.csv": None}, "advance.csv", says=("the file advance.csv",)),
    "no readings": Case({"readings.csv": None}, "readings.csv", says=("readings/*.csv",)),
    "empty file": Case({"readings.csv": ""}, "readings.csv:1", says=("the file is empty", "export the file again")),
    "empty prisms": Case({"prisms.csv": ""}, "prisms.csv:1", says=("empty",)),
    "empty advance": Case({"advance.csv": ""}, "advance.csv:1", says=("empty",)),
    "only newlines": Case({"readings.csv": "\n\n\n\r\n"}, "readings.csv:1", says=("empty",)),
    "only a mark of byte order": Case({"prisms.csv": b"\xef\xbb\xbf\n"}, "prisms.csv:1", says=("empty",)),
    "empty settings": Case({"tunnel.toml": ""}, "tunnel.toml:1", says=("empty",)),
    "header only": Case({"readings.csv": rows_head(READINGS)}, "readings.csv", says=("usable reading", "no rows")),
    "prisms header only": Case({"prisms.csv": rows_head(PRISMS)}, "prisms.csv:1", says=("at least one prism",)),
    "advance header only": Case({"advance.csv": rows_head(ADVANCE)}, "advance.csv", says=("usable round", "no rows")),
    "binary": Case(
        {"readings.csv": bytes(range(256)) * 40}, "readings.csv:1", "NUL byte", ("UTF-8 text", "spreadsheet")
    ),
    "spreadsheet": Case({"prisms.csv": b"PK\x03\x04" + b"x" * 99}, "prisms.csv:1", "PK", ("spreadsheet",)),
    "utf-16": Case({"readings.csv": READINGS.encode("utf-16")}, "readings.csv:1", r"\\xff", ("UTF-8",)),
    "utf-16 without mark": Case(
        {"readings.csv": READINGS.encode("utf-16-le")}, "readings.csv:1", "NUL byte", ("UTF-16",)
    ),
    "latin-1": Case(
        {"prisms.csv": PRISMS.replace("left wall", "linke Ulme süd").encode("latin-1")},
        "prisms.csv:3",
        r"\\xfc",
        ("UTF-8 text", "save the file as UTF-8"),
    ),
    "latin-1 settings": Case(
        {"tunnel.toml": TOML.replace("Invented", "Süd").encode("latin-1")}, "tunnel.toml:2", r"\\xfc"
    ),
    "latin-1 far below": Case(
        {"readings.csv": READINGS.encode() + "2031-05-20T00:00:00+02:00,Süd,1,1,1\n".encode("latin-1")},
        f"readings.csv:{len(READINGS.splitlines()) + 1}",
        r"\\xfc",
    ),
    "nul in many rows": Case({"readings.csv": READINGS.replace("B-", "B\0")}, "readings.csv:21", "NUL byte"),
    "nul in the header": Case({"readings.csv": "\0" + READINGS}, "readings.csv:1", "NUL byte"),
    "nul in prisms": Case({"prisms.csv": PRISMS[:-20] + "\0" + PRISMS[-20:]}, "prisms.csv:", "NUL byte"),
    "nul in settings": Case({"tunnel.toml": TOML + "\0"}, "tunnel.toml", "", ("UTF-8",)),
    "header of 64 KiB": Case(
        {"readings.csv": "time," * 20000}, "readings.csv:1", "time", ("header line of at most 65536",)
    ),
    "semicolons": Case({"readings.csv": READINGS.replace(",", ";")}, "readings.csv:1", "time;prism", ("commas",)),
    "tabs": Case({"advance.csv": ADVANCE.replace(",", "\t")}, "advance.csv:1", r"\t", ("commas",)),
    "decimal commas": Case(
        {"advance.csv": ADVANCE.replace(".0\n", ",5\n")},
        "advance.csv:2",
        "too many fields",
        ("3", "points in decimals"),
    ),
    # columns
    "missing column": Case(
        {"readings.csv": edited(READINGS, (",prism,", ",target,"))},
        "readings.csv:1, prism",
        says=("a column prism", "add"),
    ),
    "misspelt column": Case(
        {"prisms.csv": edited(PRISMS, ("section", "sectoin"))}, "prisms.csv:1, section", says=("rename",)
    ),
    "no unit": Case(
        {"advance.csv": edited(ADVANCE, ("chainage_m", "chainage"))},
        "advance.csv:1, chainage",
        "chainage",
        ("_ftUS",),
    ),
    "unknown unit": Case(
        {"advance.csv": edited(ADVANCE, ("chainage_m", "chainage_yd"))},
        "advance.csv:1, chainage",
        "chainage_yd",
    ),
    "unknown unit of a reading": Case(
        {"readings.csv": edited(READINGS, ("settlement_mm", "settlement_cm"))},
        "readings.csv:1, settlement_mm",
        "settlement_cm",
    ),
    "two units": Case(
        {
            "advance.csv": "\n".join(
                f"{line},{'chainage_ft' if not n else 300}" for n, line in enumerate(ADVANCE.splitlines())
            )
        },
        "advance.csv:1, chainage",
        "chainage_m, chainage_ft",
        ("one unit",),
    ),
    "column twice": Case(
        {"prisms.csv": edited(PRISMS, ("position", "section"))}, "prisms.csv:1, section", "section", ("once",)
    ),
    "both forms": Case(
        {"readings.csv": edited(READINGS, ("longitudinal_mm", "easting_m"))},
        "readings.csv:1",
        "easting_m",
        ("split the file",),
    ),
    "half a form": Case(
        {"readings.csv": edited(READINGS, ("settlement_mm", "note"))},
        "readings.csv:1, settlement_mm",
        "transverse_mm",
    ),
    "no form": Case(
        {"readings.csv": "time,prism\n2031-05-10T00:00:00Z,A-CR\n"},
        "readings.csv:1",
        says=("easting", "settlement_mm"),
    ),
    "coordinates without alignment": Case(
        {"readings.csv": COORDINATES["readings.csv"]},
        "readings.csv:1, easting_m",
        "coordinates",
        ("[[alignment]]",),
    ),
    # prisms
    "prism twice": Case(prisms(("A-LW", "A-CR")), "prisms.csv:3, prism", "A-CR", ("line 2", "rename")),
    "nan in prisms": Case(prisms(("112.0", "nan")), "prisms.csv:5, chainage_m", "nan", ("finite number",)),
    "text in prisms": Case(prisms(("112.0", "112 m")), "prisms.csv:5, chainage_m", "112 m", ("finite number",)),
    "prism without section": Case(
        prisms(("A-LW,A,", "A-LW,,")), "prisms.csv:3, section", says=("name of the section",)
    ),
    "short row in prisms": Case(
        prisms(("B-CR,B,crown,112.0,0.0,7.0", "B-CR,B,crown")),
        "prisms.csv:5",
        "too few",
        ("correct the row",),
    ),
    "prism 100 m from its section": Case(
        prisms(("A-RW,A,right wall,100.0", "A-RW,A,right wall,200.0")),
        "prisms.csv:4, chainage",
        "200.00 m",
        ("section A", "within 5 m"),
    ),
    "offset in millimetres": Case(prisms((",-5.0,", ",-5000,")), "prisms.csv:3, offset_m", "-5000", ("200 m", "unit")),
    "chainage off the alignment": Case(
        {"prisms.csv": PRISMS.replace("124.0", "1124.0")},
        "prisms.csv:8, chainage",
        "1124.00 m",
        ("50.00 to 190.00 m",),
        "coordinates",
    ),
    # advance
    "stages swapped": Case({"advance.csv": SWAPPED}, "advance.csv:", "bench", ("behind heading", "exchange the two")),
    "unknown stages": Case(
        {"advance.csv": ADVANCE.replace("heading", "top")}, "advance.csv:2, stage", "top", ("heading, bench",)
    ),
    "advance off the alignment": Case(
        {"advance.csv": edited(COORDINATES["advance.csv"], ("chainage_m", "chainage_in"))},
        "advance.csv, chainage",
        "",
        ("50.00 to 190.00 m", "unit"),
        "coordinates",
    ),
    "advance without offset": Case(
        {"advance.csv": ADVANCE.replace("+02:00", "")}, "advance.csv:2, time", "2031-05-05T02", ("offset",)
    ),
    "advance of text": Case(
        {"advance.csv": column(ADVANCE, 2, "far")}, "advance.csv:2, chainage_m", "far", ("finite number",)
    ),
    # readings
    "no offset": Case(
        {"readings.csv": NO_OFFSET},
        "readings.csv:2, time",
        "2031-05-07T17:00:00",
        ("offset or Z", "export the times"),
    ),
    "dates as numbers": Case(
        {"readings.csv": column(READINGS, 0, "48000.25")}, "readings.csv:2, time", "48000.25", ("ISO 8601",)
    ),
    "all nan": Case({"readings.csv": column(READINGS, 4, "nan")}, "readings.csv:2, settlement_mm", "nan", ("finite",)),
    "all text": Case({"readings.csv": column(READINGS, 4, "no target")}, "readings.csv:2, settlement_mm", "no target"),
    "all infinite": Case({"readings.csv": column(READINGS, 4, "1e400")}, "readings.csv:2, settlement_mm", "1e400"),
    "unknown prisms only": Case(
        {"readings.csv": column(READINGS, 1, "Z-9")},
        "readings.csv:2",
        says=("usable reading", "279 no such prism"),
    ),
    "before the face only": Case(
        {"readings.csv": EARLY}, "readings.csv:2", "A-CR", ("279 of 279 were taken before", "check drive")
    ),
    "of another tube": Case(
        {"readings.csv": COORDINATES["readings.csv"].replace(",2", ",9")},
        "readings.csv:2",
        "",
        ("outside the alignment",),
        "coordinates",
    ),
    # events
    "unknown prism in events": Case(
        {"events.csv": "time,section,prism,event\n2031-05-10T00:00:00Z,A,A-XX,prism replaced\n"},
        "events.csv:2, prism",
        "A-XX",
    ),
    "unknown section in events": Case(
        {"events.csv": "time,section,prism,event\n2031-05-10T00:00:00Z,Q,,ring closed\n"},
        "events.csv:2, section",
        "Q",
        ("section of prisms",),
    ),
    "prism of another section in events": Case(
        {"events.csv": "time,section,prism,event\n2031-05-10T00:00:00Z,B,A-CR,prism replaced\n"},
        "events.csv:2, section",
        "B",
        ("section A",),
    ),
    # settings
    "no toml": Case({"tunnel.toml": TOML + "[oops\n"}, f"tunnel.toml:{len(TOML.splitlines()) + 1}", "[oops", ("TOML",)),
    "deep toml": Case({"tunnel.toml": "a = " + "[" * 30000 + "]" * 30000 + "\n"}, "tunnel.toml", says=("TOML",)),
    "huge whole number": Case(
        toml(("horizon_days = 365", "horizon_days = 1" + "0" * 400)),
        "tunnel.toml:18, projection.horizon_days",
        "1000",
    ),
    "whole number of 5000 digits": Case(
        toml(("horizon_days = 365", "horizon_days = 1" + "0" * 5000)), "tunnel.toml", says=("TOML",)
    ),
    "no tunnel": Case(
        {"tunnel.toml": TOML[TOML.index("[[stage]]") :]},
        "tunnel.toml, tunnel",
        says=("a table [tunnel]", "width_m"),
    ),
    "tunnel is a number": Case({"tunnel.toml": "tunnel = 5\n"}, "tunnel.toml:1, tunnel", "5", ("a table [tunnel]",)),
    "no width": Case(
        toml(("width_m = 11.0\n", "")),
        "tunnel.toml:1, tunnel.width_m",
        says=("a length width", "add width_m"),
    ),
    "negative width": Case(
        toml(("width_m = 11.0", "width_m = -11.0")),
        "tunnel.toml:3, tunnel.width_m",
        "-11.0",
        ("0.5 to 60 m",),
    ),
    "width without unit": Case(toml(("width_m", "width")), "tunnel.toml:3, tunnel.width", "11.0", ("unit in the key",)),
    "width in quotes": Case(
        toml(("width_m = 11.0", 'width_m = "11"')),
        "tunnel.toml:3, tunnel.width_m",
        "11",
        ("finite number", "quotes"),
    ),
    "width is true": Case(
        toml(("width_m = 11.0", "width_m = true")),
        "tunnel.toml:3, tunnel.width_m",
        "True",
        ("finite number",),
    ),
    "width is nan": Case(
        toml(("width_m = 11.0", "width_m = nan")), "tunnel.toml:3, tunnel.width_m", "nan", ("finite number",)
    ),
    "width in two units": Case(
        toml(("width_m = 11.0", "width_m = 11.0\nwidth_ft = 36.0")),
        "tunnel.toml:4, tunnel.width_ft",
        "36.0",
        ("one unit",),
    ),
    "drive": Case(
        toml(("up-chainage", "forwards")),
        "tunnel.toml:5, tunnel.drive",
        "forwards",
        ("up-chainage, down-chainage",),
    ),
    "drive is true": Case(toml(('"up-chainage"', "true")), "tunnel.toml:5, tunnel.drive", "True"),
    "time zone": Case(toml(("Etc/GMT-2", "../../etc/passwd")), "tunnel.toml:6, tunnel.time_zone", "passwd", ("IANA",)),
    "horizon 0": Case(
        toml(("horizon_days = 365", "horizon_days = 0")),
        "tunnel.toml:18, projection.horizon_days",
        "0",
        ("1 to 40000",),
    ),
    "confidence in per cent": Case(
        toml(("confidence = 0.9", "confidence = 90")),
        "tunnel.toml:19, projection.confidence",
        "90",
        ("0.90 for 90 %",),
    ),
    "stage twice": Case(
        toml(('name = "bench"', 'name = "heading"')), "tunnel.toml:13, stage.name", "heading", ("once",)
    ),
    "stage follows itself": Case(
        toml(('follows = "heading"', 'follows = "bench"')),
        "tunnel.toml:15, stage.follows",
        "bench",
        ("bench -> bench", "nobody"),
    ),
    "stages in a circle": Case(
        toml(("share = 0.6", 'share = 0.6\nfollows = "bench"')),
        "tunnel.toml:11, stage.follows",
        "bench",
        ("heading -> bench -> heading",),
    ),
    "follows an unknown stage": Case(
        toml(('follows = "heading"', 'follows = "top"')),
        "tunnel.toml:15, stage.follows",
        "top",
        ("heading, bench",),
    ),
    "shares above one": Case(
        toml(("share = 0.4", "share = 0.7")), "tunnel.toml:10, stage.share", "1.3", ("at most 1",)
    ),
    "unknown measure": Case(
        toml(('"settlement"', '"tilt"')),
        "tunnel.toml:22, trigger.measure",
        "tilt",
        ("settlement, transverse",),
    ),
    "unknown datum": Case(
        toml(('measure = "settlement"', 'measure = "settlement"\nsince = "Monday"')),
        "tunnel.toml:23, trigger.since",
        "Monday",
        ("excavation",),
    ),
    "levels unsorted": Case(
        toml((LEVELS, "[{value_mm = 30.0}, {value_mm = 20.0}]")),
        "tunnel.toml:23, trigger.levels",
        "[30.0, 20.0]",
        ("rising",),
    ),
    "level without unit": Case(
        toml((LEVELS, "[{value = 30.0}]")),
        "tunnel.toml:23, trigger.levels.value_mm",
        "value",
        ("value_mm_per_day",),
    ),
    "level zero": Case(
        toml((LEVELS, "[{value_mm = 0.0}]")), "tunnel.toml:23, trigger.levels.value_mm", "0.0", ("not zero",)
    ),
    "levels of two kinds": Case(
        toml((LEVELS, "[{value_mm = 5.0}, {value_percent = 1.0}]")),
        "tunnel.toml:23, trigger.levels",
        "strain",
    ),
    "levels missing": Case(
        toml((f"levels = {LEVELS}\n", "")), "tunnel.toml:21, trigger.levels", says=("at least one level",)
    ),
    "levels no tables": Case(
        toml((LEVELS, "[20.0, 30.0]")), "tunnel.toml:23, trigger.levels", "20.0", ("list of tables",)
    ),
    "confirm": Case(
        toml((LEVELS, LEVELS + '\nconfirm = "3 of 2"')),
        "tunnel.toml:24, trigger.confirm",
        "3 of 2",
        ("2 of 3",),
    ),
    "confirm is true": Case(toml((LEVELS, LEVELS + "\nconfirm = true")), "tunnel.toml:24, trigger.confirm", "True"),
    "trigger for an unknown section": Case(
        toml((LEVELS, LEVELS + '\nsections = ["Q"]')), "tunnel.toml:21, trigger.sections", "Q", ("A, B, C",)
    ),
    "chord to an unknown position": Case(
        {"tunnel.toml": TOML + '[[chord]]\nfrom = "crown"\nto = "moon"\n'},
        "tunnel.toml:24, chord.to",
        "moon",
        ("left wall",),
    ),
    "rest day": Case(
        {"tunnel.toml": TOML + '[calendar]\nrest_days = ["Sonntag"]\n'},
        "tunnel.toml:25, calendar.rest_days",
        "Sonntag",
    ),
    "working hours": Case(
        {"tunnel.toml": TOML + '[calendar]\nworking_hours = "6-22"\n'},
        "tunnel.toml:25, calendar.working_hours",
        "6-22",
    ),
    "stop without offset": Case(
        {"tunnel.toml": TOML + "[plan]\nstops = [{from = 2031-06-01T00:00:00, to = 2031-06-02T00:00:00Z}]\n"},
        "tunnel.toml:25, plan.stops.from",
        "2031-06-01",
        ("offset",),
    ),
    "stop in the year 1": Case(
        {"tunnel.toml": TOML + "[plan]\nstops = [{from = 0001-01-01T00:00:00+14:00, to = 2031-06-02T00:00:00Z}]\n"},
        "tunnel.toml:25, plan.stops.from",
        "0001-01-01",
        ("instant",),
    ),
    "alignment without length": Case(
        {"tunnel.toml": settings_text(alignment=True).replace("length_m = 80.0", "length_m = 0.0")},
        "tunnel.toml:35, alignment.length_m",
        "0.0",
        ("length from",),
        "coordinates",
    ),
    "radius 0": Case(
        {"tunnel.toml": settings_text(alignment=True).replace("radius_m = 150.0", "radius_m = 0")},
        "tunnel.toml:36, alignment.radius_m",
        "0",
        ("length from 10",),
        "coordinates",
    ),
    "profile falls back": Case(
        {"tunnel.toml": settings_text(alignment=True).replace("chainage_m = 190.0", "chainage_m = 10.0")},
        "tunnel.toml:44, profile.chainage_m",
        "10.0",
        ("rising chainage",),
        "coordinates",
    ),
}
