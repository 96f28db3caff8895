"""What to put into files: edits of a good job that hit its form, and values that have broken readers before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from hypothesis import strategies as st

from tests.helpers import ALIGNMENT, job_files, settings_text
from tests.landxml_text import alignment_xml

#: Cells and values: numbers at the ends of what a machine holds, words for numbers, dates that are none, text that
#: means something to a parser, letters outside of ASCII, and names that are nearly known.
CELLS = (
    "", " ", "0", "-0", "-1", "1e308", "-1e308", "1e309", "1e-320", "5e-324", "9" * 400, "0x10", "1_000", "1,5", "1.5",
    "nan", "NaN", "inf", "-Infinity", "None", "true", "١٢٣", "１２", "½", "\u202e12", "é" * 50, "\ufeff", "\x00",
    "\x1a",
    "\u2028", "\x85", "\x0b", "\ud7ff", "\U0001f6a7", '"', '""', '"a', 'a"b', "'", "\\", "#", ";", "\t", "=cmd()",
    "[x]",
    "2031-05-05T00:00:00Z", "2031-05-05T00:00:00", "2031-02-30T00:00:00Z", "1700-01-01T00:00:00Z",
    "2200-12-31T23:59:59.999999999Z", "2262-04-12T00:00:00Z", "9999-12-31T23:59:59Z", "0000-00-00T00:00:00Z",
    "2031-05-05T24:00:00Z", "2031-05-05T23:59:60Z", "2031-05-05T00:00:00+99:99", "2031-05-05T00:00:00-14:00",
    "20310505",
    "A-CR", "a-cr", "A", "B", "heading", "bench", "crown", "left wall:right wall", "*", "station moved", "zero reading",
    "100.0", "112.0", "1e7", "-1e6", "106.0", "2.5", "<", "&", "&amp;", "INF", "../x.xml", "axis.xml", "/",
    "up-chainage",
)  # fmt: skip
#: Whole lines, rows of the wrong width and heads of tables among them.
LINES = (
    "", ",", ",,,,,,,,,,,,", '"', '"a', "[", "[[alignment]]", "[tunnel]", "[[trigger]]", "[[stage]]", 'name = "x"',
    "x = {", "x = [", "x = nan", "x = inf", "= 1", 'a.b.c = "', "levels = []",
    'levels = [{name = "a", value_mm = 1.0}]',
    "[[chainage_equation]]\nback_m = 106.0\nahead_m = 96.0", "[[chord]]\nfrom = \"crown\"\nto = \"left wall\"", "<a/>",
    "[[profile]]\nchainage_m = 100.0\nelevation_m = 1.0", "[plan.heading]\nround_length_m = 1.0", "]]>", "<!--", "\x00",
    "2031-05-05T00:00:00Z,A-CR,1.0,1.0,1.0", "2031-05-05T00:00:00Z,heading,100.0", "<!DOCTYPE a>", "</Alignment>",
    '2031-05-05T00:00:00Z,,,row corrected,"prisms.csv: A-CR,A,crown,100.0,0.0,7.0 => A-CR,A,crown,x,,7"',
    '2031-05-05T00:00:00Z,,,row corrected,"readings.csv: , => "', "2031-05-05T00:00:00Z,,,row corrected, => ",
    '2031-05-05T00:00:00Z,,,row corrected,"events.csv: 2031-05-05T00:00:00Z,,,row corrected, =>  => x"',
    "2031-05-11T00:00:00Z,,,round kept,", "2031-05-11T00:00:00Z,,,round kept,heading",
)  # fmt: skip
#: Ends of lines and marks of encodings.
BYTES = (
    b"\x00",
    b"\xff",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\r",
    b"\n",
    b"\r\n",
    b"\x80",
    b"\xc3",
    b"\xed\xa0\x80",
    b"PK\x03\x04",
)


def small_job() -> dict[str, dict[str, bytes]]:
    """Good jobs by name, small enough to be read many times: both forms of reading, with and without extras."""
    jobs = {}
    for form in ("movements", "coordinates"):
        files = job_files(form)
        for name, step in (("readings.csv", 5), ("advance.csv", 3)):
            head, *rows = files[name].splitlines()
            files[name] = "\n".join([head, *rows[::step]]) + "\n"
        files["events.csv"] = (
            "time,section,prism,event,note\n2031-05-12T00:00:00Z,A,,station moved,\n"
            "2031-05-14T00:00:00Z,,B-CR,prism disturbed,knocked\n2031-05-15T00:00:00Z,C,,ring closed,\n"
        )
        jobs[form] = files
    jobs["stationed"] = dict(jobs["movements"])
    jobs["stationed"]["tunnel.toml"] += "\n[[chainage_equation]]\nback_m = 130.0\nahead_m = 600.0\n"
    jobs["file"] = dict(jobs["coordinates"])
    jobs["file"]["tunnel.toml"] = settings_text() + '\n[alignment]\nfile = "axis.xml"\n'
    jobs["file"]["axis.xml"] = alignment_xml(ALIGNMENT, equations=[(180.0, 600.0, None)])
    return {name: {file: text.encode() for file, text in files.items()} for name, files in jobs.items()}


JOBS = small_job()


@dataclass(frozen=True)
class Edit:
    """One change of one file: what is done, where in the file (as shares of it), and with what."""

    kind: str
    place: float
    second: float
    text: str
    data: bytes


KINDS = (
    "cell",
    "cell",
    "cell",
    "line",
    "drop line",
    "double line",
    "swap lines",
    "bytes",
    "cut",
    "swap columns",
    "ends",
)


def edits() -> st.SearchStrategy[Edit]:
    """Changes of a file's form or of a value in it."""
    share = st.floats(0.0, 1.0, exclude_max=True)
    text = st.one_of(st.sampled_from(CELLS), st.sampled_from(LINES), st.text(max_size=12))
    data = st.one_of(st.sampled_from(BYTES), st.binary(max_size=8))
    return st.builds(Edit, st.sampled_from(KINDS), share, share, text, data)


def applied(data: bytes, edit: Edit, xml: bool) -> bytes:
    """The file after one change; never fails, whatever the file has become."""
    if edit.kind == "bytes":
        at = int(edit.place * (len(data) + 1))
        return data[:at] + edit.data + data[at + (edit.second < 0.5) :]
    if edit.kind == "cut":
        return data[: int(edit.place * (len(data) + 1))]
    if edit.kind == "ends":
        return data.replace(b"\n", (b"\r\n", b"\r", b"\n\n", b"\x0b")[int(edit.place * 4)])
    lines = data.split(b"\n")
    at, other = int(edit.place * len(lines)), int(edit.second * len(lines))
    new = edit.text.encode("utf-8", "surrogatepass")
    if edit.kind == "line":
        lines.insert(at, new)
    elif edit.kind == "drop line":
        del lines[at]
    elif edit.kind == "double line":
        lines.insert(other, lines[at])
    elif edit.kind == "swap lines":
        lines[at], lines[other] = lines[other], lines[at]
    elif edit.kind == "swap columns":
        lines = [_swapped(line, edit) for line in lines]
    else:
        mark = b'"' if xml else b"," if lines[at].count(b",") else b"="
        cells = lines[at].split(mark)
        cells[int(edit.second * len(cells))] = new
        lines[at] = mark.join(cells)
    return b"\n".join(lines)


def _swapped(line: bytes, edit: Edit) -> bytes:
    cells = line.split(b",")
    one, two = int(edit.place * len(cells)), int(edit.second * len(cells))
    cells[one], cells[two] = cells[two], cells[one]
    return b",".join(cells)


def edited_jobs() -> st.SearchStrategy[Mapping[str, bytes]]:
    """A good job with one to four changes in its files."""

    @st.composite
    def draw_job(draw: st.DrawFn) -> Mapping[str, bytes]:
        files = dict(JOBS[draw(st.sampled_from(sorted(JOBS)))])
        for _ in range(draw(st.integers(1, 4))):
            name = draw(st.sampled_from(sorted(files)))
            files[name] = applied(files[name], draw(edits()), name.endswith(".xml"))
        return files

    return draw_job()


def replaced_jobs() -> st.SearchStrategy[Mapping[str, bytes]]:
    """A good job of which one file is gone, or any bytes."""

    @st.composite
    def draw_job(draw: st.DrawFn) -> Mapping[str, bytes]:
        files = dict(JOBS[draw(st.sampled_from(sorted(JOBS)))])
        name = draw(st.sampled_from(sorted(files)))
        content = draw(st.one_of(st.none(), st.binary(max_size=300), st.text(max_size=200).map(_encoded)))
        if content is None:
            del files[name]
        else:
            files[name] = content
        return files

    return draw_job()


def _encoded(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")
