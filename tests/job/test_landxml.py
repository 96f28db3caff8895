"""An alignment from a LandXML file: the same axis as from the tables, faults told, nothing outside the folder read."""

from __future__ import annotations

import math
import os
import re
import time
from pathlib import Path

import numpy as np
import pytest

from convergence.errors import JobError
from convergence.job.settings import read_settings
from convergence.survey import read_job
from convergence.survey.alignment import Alignment, Arc, Clothoid, ProfilePoint, Straight
from convergence.survey.laying import laid_on
from convergence.survey.reduction import build_alignment
from tests.helpers import ALIGNMENT, edited, job_files, settings_text, write_job
from tests.landxml_text import alignment_xml

#: Both turns, a clothoid that ends in a straight, one between two radii, arcs of more than half a circle, a profile.
AXIS = Alignment(
    4000.0, 512000.0, 5412000.0, 5.9,
    (
        Straight(120.0), Clothoid(60.0, 0.0, 1 / 250.0), Arc(900.0, 250.0), Clothoid(45.0, 1 / 250.0, 1 / 400.0),
        Arc(80.0, 400.0), Clothoid(50.0, 1 / 400.0, 0.0), Straight(35.0), Clothoid(70.0, 0.0, -1 / 300.0),
        Arc(150.0, -300.0),
    ),
    (ProfilePoint(4000.0, 410.0), ProfilePoint(4300.0, 413.0, 80.0), ProfilePoint(5500.0, 401.0)),
)  # fmt: skip
PLACES = np.linspace(AXIS.start_chainage, AXIS.end_chainage, 501)


def settings_of(entry: str = 'file = "axis.xml"') -> str:
    return settings_text() + f"\n[alignment]\n{entry}\n"


def read_axis(folder: Path, xml: str | bytes, entry: str = 'file = "axis.xml"') -> Alignment:
    """The alignment of a settings file that names the XML."""
    (folder / "tunnel.toml").write_text(settings_of(entry), encoding="utf-8")
    (folder / "axis.xml").write_bytes(xml.encode() if isinstance(xml, str) else xml)
    faults: list[object] = []
    settings = read_settings(folder, faults, [])  # type: ignore[arg-type]
    assert not faults, faults
    assert settings is not None
    assert settings.alignment is not None
    return build_alignment(settings.alignment)


def faults_of(folder: Path, xml: str | bytes, entry: str = 'file = "axis.xml"') -> str:
    folder.mkdir(exist_ok=True)
    changes = {"tunnel.toml": settings_of(entry), "axis.xml": xml}
    with pytest.raises(JobError) as caught:
        read_job(write_job(folder, changes, "coordinates"))
    assert all(fault.mend for fault in caught.value.faults)
    return str(caught.value)


@pytest.mark.parametrize("unit", ["meter", "foot", "USSurveyFoot", "millimeter"])
def test_the_axis_comes_back(tmp_path: Path, unit: str) -> None:
    """Twelve decimals of the unit: what is left is rounding of 5e6 m in double precision, 1e-9 m."""
    found = read_axis(tmp_path, alignment_xml(AXIS, unit))
    for one, two in zip(found.position(PLACES), AXIS.position(PLACES), strict=True):
        np.testing.assert_allclose(one, two, rtol=0.0, atol=5e-9)
    np.testing.assert_allclose(np.cos(found.azimuth(PLACES) - AXIS.azimuth(PLACES)), 1.0, rtol=0.0, atol=1e-12)
    np.testing.assert_allclose(found.curvature(PLACES), AXIS.curvature(PLACES), rtol=0.0, atol=1e-12)
    assert found.start_azimuth == pytest.approx(AXIS.start_azimuth, abs=1e-11)


def test_coordinates_to_the_millimetre_still_give_the_axis(tmp_path: Path) -> None:
    """Three decimals: each end is up to 0.7 mm off, and the fit over all of them is nowhere worse than 2 mm."""
    found = read_axis(tmp_path, alignment_xml(AXIS, digits=3))
    for one, two in zip(found.position(PLACES)[:2], AXIS.position(PLACES)[:2], strict=True):
        np.testing.assert_allclose(one, two, rtol=0.0, atol=2e-3)


def test_a_job_is_the_same_from_the_file_as_from_the_tables(tmp_path: Path) -> None:
    tables = read_job(write_job(tmp_path / "tables", form="coordinates"))
    changes = {"tunnel.toml": settings_of(), "axis.xml": alignment_xml(ALIGNMENT, "foot")}
    job = read_job(write_job(tmp_path / "file", changes, "coordinates"))
    for section in tables.sections:
        np.testing.assert_allclose(
            job.array(section)["movement"].values, tables.array(section)["movement"].values, rtol=0.0, atol=1e-5
        )
    other = write_job(tmp_path / "other", {**changes, "axis.xml": alignment_xml(ALIGNMENT) + "\n"}, "coordinates")
    assert read_job(other).folder.fingerprint != job.folder.fingerprint, "the file is part of what was read"


def test_equations_of_the_file_are_those_of_the_job(tmp_path: Path) -> None:
    """The axis of the invented job begins at 50; at 130 inside, beyond its sections, the site goes on with 600."""
    xml = alignment_xml(ALIGNMENT, equations=[(130.0, 600.0, 130.0)])
    changes = {"tunnel.toml": settings_of(), "axis.xml": xml}
    job = read_job(write_job(tmp_path, changes, "coordinates"))
    assert job.site_chainage(140.0) == 610.0
    rounds = job.set_aside
    # the heading is logged to 90 + 4 * 20.5 = 172 m, so beyond 130 its chainages stand for no place
    assert set(rounds["reason"]) == {"no such chainage"}
    assert any("count on through the chainage equations" in remark for remark in job.folder.remarks)


def test_back_may_be_left_out(tmp_path: Path) -> None:
    both = alignment_xml(ALIGNMENT, equations=[(130.0, 600.0, 130.0), (150.0, 20.0, 620.0)])
    neither = alignment_xml(ALIGNMENT, equations=[(130.0, 600.0, None), (150.0, 20.0, None)])
    found = []
    for xml in (both, neither):
        (tmp_path / "tunnel.toml").write_text(settings_of())
        (tmp_path / "axis.xml").write_text(xml)
        settings = read_settings(tmp_path, [], [])
        assert settings is not None
        found.append(settings.stationing)
    assert found[0] == found[1]
    assert [(item.back, item.ahead) for item in found[0].equations] == [(130.0, 600.0), (620.0, 20.0)]


XML = alignment_xml(AXIS)
TWICE = XML.replace("</Alignment></Alignments>", '</Alignment><Alignment name="other"/></Alignments>')
EQUATED = alignment_xml(AXIS, equations=[(4100.0, 600.0, None)])
BROKEN = {
    "no xml": ("not xml at all", "XML"),
    "cut": (XML[: len(XML) // 2], "XML"),
    "another root": (XML.replace("LandXML", "Land"), "LandXML as the root"),
    "no units": (XML.replace("<Units>", "<Other>").replace("</Units>", "</Other>"), "Metric or Imperial"),
    "unknown unit": (XML.replace('"meter"', '"cubit"'), "a unit of length"),
    "no alignment": (XML.replace("Alignments>", "Nothing>"), "an element Alignment"),
    "two alignments": (TWICE, "one alignment to take; the file has 'axis', 'other'"),
    "no geometry": (XML.replace("CoordGeom>", "Geometry>"), "one CoordGeom"),
    "other spiral": (XML.replace('spiType="clothoid"', 'spiType="bloss"', 1), "clothoid, the only spiral"),
    "no turn": (XML.replace('rot="cw"', "", 1), "cw or ccw"),
    "point by reference": (
        edited(XML, ("<Start>", '<Start pntRef="7"></Start><Nothing>'), ("</Start><End>", "</Nothing><End>")),
        "not by reference",
    ),
    "text for a number": (XML.replace('radius="250.0"', 'radius="wide"'), "a finite number"),
    "underscored number": (XML.replace('radius="250.0"', 'radius="2_50.0"'), "a finite number"),
    "endless number": (XML.replace('radius="250.0"', 'radius="1e999"'), "a finite number"),
    "small radius": (XML.replace('radius="250.0"', 'radius="2.5"'), "10 m or more"),
    "circular vertical curve": (
        XML.replace("<ParaCurve", '<CircCurve radius="5000.0"').replace("</ParaCurve>", "</CircCurve>"),
        "PVI or ParaCurve",
    ),
    "falling profile": (XML.replace("<PVI>5500.0", "<PVI>4100.0"), "rising order"),
    "falling stations": (
        edited(EQUATED, ("<StaEquation", '<StaEquation staIncrement="decreasing"')),
        "rise along the alignment",
    ),
    "equation off the axis": (alignment_xml(AXIS, equations=[(9000.0, 600.0, None)]), "a place on the alignment"),
    "equation that contradicts": (alignment_xml(AXIS, equations=[(4100.0, 600.0, 4200.0)]), "4100.000 m, which"),
    "empty": ("", "empty"),
    "another encoding that is unknown": (XML.replace("UTF-8", "no-such-code"), "XML"),
    "an encoding of several bytes": (XML.replace("UTF-8", "shift_jis"), "XML"),
}  # fmt: skip


@pytest.mark.parametrize("case", BROKEN.values(), ids=BROKEN.keys())
def test_what_cannot_be_used_is_told(case: tuple[str, str], tmp_path: Path) -> None:
    xml, says = case
    told = faults_of(tmp_path, xml)
    assert "axis.xml" in told
    assert says in told


@pytest.mark.parametrize(
    ("old", "new"), [('rot="cw"', 'rot="ccw"'), ('radius="150.0"', 'radius="151.0"'), ("<End>", "<End>1")]
)
def test_ends_away_from_where_lengths_and_radii_put_them_are_told(tmp_path: Path, old: str, new: str) -> None:
    told = faults_of(tmp_path, edited(alignment_xml(ALIGNMENT), (old, new)))
    assert re.search(r"axis\.xml:[0-9]+: an end of the element lies [0-9.]+ m from where the lengths and radii", told)
    assert "tunnel.toml" not in told
    assert "[[alignment]]" not in told
    assert "correct the element in the file" in told


@pytest.mark.parametrize(("off", "wrong"), [(0.0009, False), (0.0012, True), (-10.0, True)])
def test_a_line_as_long_as_it_says(tmp_path: Path, off: float, wrong: bool) -> None:
    """The first line of the axis is 60 m long by its ends; a millimetre is what its length is written to."""
    xml = edited(alignment_xml(ALIGNMENT), ("<Line", f'<Line length="{60.0 + off:.4f}"'))
    if not wrong:
        assert read_axis(tmp_path, xml).elements[0].length == pytest.approx(60.0, abs=1e-6)
        return
    told = faults_of(tmp_path, xml)
    assert re.search(r"axis\.xml:[0-9]+", told)
    assert "Line.length" in told
    assert "60.0000 m, which is how far its Start and End lie apart" in told


def test_one_of_several_alignments_and_profiles_is_named(tmp_path: Path) -> None:
    found = read_axis(tmp_path, TWICE, 'file = "axis.xml"\nname = "axis"\nprofile = "design"')
    assert found.end_chainage == pytest.approx(AXIS.end_chainage, abs=1e-9)
    assert "of that name" in faults_of(tmp_path / "a", TWICE, 'file = "axis.xml"\nname = "third"')
    assert "one profile to take" in faults_of(tmp_path / "b", TWICE, 'file = "axis.xml"\nname = "axis"\nprofile = "x"')


def test_a_lone_arc_or_clothoid_is_laid_too(tmp_path: Path) -> None:
    for number, element in enumerate((Arc(40.0, -60.0), Clothoid(50.0, 1 / 300.0, 0.0))):
        folder = tmp_path / str(number)
        folder.mkdir()
        axis = Alignment(0.0, 10.0, 20.0, 2.0, (element,))
        found = read_axis(folder, alignment_xml(axis))
        assert found.start_azimuth == pytest.approx(2.0, abs=1e-12)


BOMB = """<!DOCTYPE lolz [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">
<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;"><!ENTITY d "&c;&c;&c;&c;&c;&c;&c;&c;">]>
"""
OUTSIDE = '<!DOCTYPE x [<!ENTITY secret SYSTEM "file:///{place}">]>\n'


def test_no_document_type_and_so_no_entity(tmp_path: Path) -> None:
    told = faults_of(tmp_path / "a", alignment_xml(AXIS, before=BOMB, inside="<Note>&d;</Note>"))
    assert "document type" in told
    secret = tmp_path / "secret.txt"
    secret.write_text("the secret")
    before = OUTSIDE.format(place=str(secret).lstrip("/"))
    told = faults_of(tmp_path / "b", alignment_xml(AXIS, before=before, inside="<Note>&secret;</Note>"))
    assert "document type" in told
    assert "the secret" not in told
    wide = alignment_xml(AXIS, before=BOMB).replace("UTF-8", "UTF-16").encode("utf-16")
    assert "axis.xml" in faults_of(tmp_path / "c", wide), "told in any encoding"


def test_size_and_depth_are_bounded(tmp_path: Path) -> None:
    deep = alignment_xml(AXIS, inside="<a>" * 500 + "</a>" * 500)
    assert "nested at most" in faults_of(tmp_path / "a", deep)
    many = alignment_xml(AXIS, inside="<a/>" * 120_000)
    began = time.perf_counter()
    assert "elements of alignments" in faults_of(tmp_path / "b", many)
    assert time.perf_counter() - began < 5.0
    folder = write_job(tmp_path / "c", {"tunnel.toml": settings_of()}, "coordinates")
    with (folder / "axis.xml").open("wb") as stream:
        stream.write(b"<LandXML>\n" + b" " * 100_000)
        stream.truncate(70 * 1024**2)
    with pytest.raises(JobError, match="at most 67108864 bytes"):
        read_job(folder)


@pytest.mark.parametrize(
    "file",
    ["../axis.xml", "inner/../../axis.xml", "..\\\\axis.xml", "link.xml", "C:/axis.xml", ".", "", "a\\u0000b", "a\\nb"],
)
def test_the_path_cannot_leave_the_job_folder(tmp_path: Path, file: str) -> None:
    (tmp_path / "axis.xml").write_text(XML)
    folder = write_job(tmp_path / "job", {"tunnel.toml": settings_of(f'file = "{file}"')}, "coordinates")
    os.symlink(tmp_path / "axis.xml", folder / "link.xml")
    (folder / "inner").mkdir()
    with pytest.raises(JobError, match=r"alignment\.file"):
        read_job(folder)


def test_an_absolute_path_is_refused(tmp_path: Path) -> None:
    folder = write_job(tmp_path / "job", {"axis.xml": XML}, "coordinates")
    (folder / "tunnel.toml").write_text(settings_of(f'file = "{folder / "axis.xml"}"'))
    with pytest.raises(JobError, match="inside the job folder"):
        read_job(folder)


def test_a_file_in_a_folder_inside_is_taken_and_a_missing_one_is_told(tmp_path: Path) -> None:
    changes = {"tunnel.toml": settings_of('file = "plan/axis.xml"'), "plan/axis.xml": alignment_xml(ALIGNMENT)}
    assert read_job(write_job(tmp_path / "a", changes, "coordinates")).alignment is not None
    changes = {"tunnel.toml": settings_of('file = "no.xml"')}
    with pytest.raises(JobError, match=r"no\.xml: expected a readable file"):
        read_job(write_job(tmp_path / "b", changes, "coordinates"))


def test_the_file_and_tables_do_not_go_together(tmp_path: Path) -> None:
    more = "\n[[profile]]\nchainage_m = 1.0\nelevation_m = 2.0\n\n[[chainage_equation]]\nback_m = 1.0\nahead_m = 2.0\n"
    changes = {"tunnel.toml": settings_of() + more, "axis.xml": XML}
    with pytest.raises(JobError) as caught:
        read_job(write_job(tmp_path, changes, "coordinates"))
    assert len([fault for fault in caught.value.faults if "remove this table" in fault.mend]) == 2


def test_a_mistyped_key_of_a_table_is_no_file(tmp_path: Path) -> None:
    """Tables go on as they were: an [[alignment]] without a file is not taken for one."""
    job = read_job(write_job(tmp_path, job_files("coordinates"), "coordinates"))
    assert job.folder.settings.alignment is not None
    assert job.folder.settings.alignment.source == ""


def test_a_straight_is_laid_by_hand() -> None:
    """A straight of 100 m from E 0 N 0 to E 100 N 0: azimuth pi/2, start at the origin (by hand)."""
    ends = np.array([0.0, 100.0])
    found = laid_on(0.0, (Straight(100.0),), (), ends, ends, np.zeros(2), ("a", "b"))
    assert found.start_azimuth == pytest.approx(math.pi / 2, abs=1e-15)
    assert abs(found.start_easting) < 1e-13
    assert abs(found.start_northing) < 1e-13
