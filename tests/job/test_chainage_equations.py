"""Chainage equations: what jumps on site is continuous inside, and comes out again as the site writes it.

The worked numbers follow from the definition of back and ahead (route surveying, from memory) by hand.
"""

from __future__ import annotations

import csv
import io
import pickle
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from convergence.errors import JobError, ValueFault
from convergence.job.stationing import PLAIN, ChainageEquation, Stationing
from convergence.measures import measure_section
from convergence.measures.distance import face_passages
from convergence.survey import read_job
from tests.helpers import SECTIONS, edited, job_files, write_job

GAP = Stationing((ChainageEquation(106.0, 500.0),))
OVERLAP = Stationing((ChainageEquation(106.0, 96.0),))
TWO = Stationing((ChainageEquation(106.0, 96.0), ChainageEquation(110.0, 1000.0)))


def equations_text(stationing: Stationing) -> str:
    return "".join(
        f"\n[[chainage_equation]]\nback_m = {item.back}\nahead_m = {item.ahead}\n" for item in stationing.equations
    )


def rewritten(text: str, change: Callable[[float], tuple[float, int]], region: bool) -> str:
    """A table with its chainages changed, and with the column of regions."""
    rows = list(csv.DictReader(io.StringIO(text)))
    for row in rows:
        site, place = change(float(row["chainage_m"]))
        row["chainage_m"] = repr(round(site, 9))
        if region:
            row["chainage_region"] = str(place)
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def on_site(
    folder: Path, stationing: Stationing, form: str = "movements", region: bool = True, mirror: float | None = None
) -> Path:
    """The invented job with its chainages as the site writes them; ``mirror`` turns the tunnel round."""
    files = job_files(form)

    def change(chainage: float) -> tuple[float, int]:
        site, place = stationing.site(chainage if mirror is None else mirror - chainage)
        return float(site), int(place)

    changes: dict[str, str | bytes | None] = {
        name: rewritten(files[name], change, region) for name in ("prisms.csv", "advance.csv")
    }
    settings = files["tunnel.toml"]
    if mirror is not None:
        settings = edited(settings, ("up-chainage", "down-chainage"))
    if form == "coordinates":
        # the profile ends beyond the equations
        site, place = stationing.site(190.0)
        key = f"chainage_m = {float(site)}\nchainage_region = {int(place)}"
        settings = edited(settings, ("chainage_m = 190.0", key))
        first = stationing.continuous(50.0)[1]
        if int(first) > 1:
            settings = edited(settings, ("chainage_m = 50.0", "chainage_m = 50.0\nchainage_region = 1"))
    changes["tunnel.toml"] = settings + equations_text(stationing)
    return write_job(folder, changes, form)


def test_there_and_back_by_hand() -> None:
    """106 back = 96 ahead: 120 on site is 24 m past the equation, so 106 + 24 = 130 along the tunnel."""
    x, places = OVERLAP.continuous([90.0, 100.0, 120.0])
    np.testing.assert_array_equal(places, [1, 2, 1])
    np.testing.assert_array_equal(x, [90.0, np.nan, 130.0])
    np.testing.assert_array_equal(OVERLAP.continuous(100.0, [1, 2])[0], [100.0, 110.0])
    np.testing.assert_array_equal(OVERLAP.site([90.0, 105.9, 106.0, 130.0])[0], [90.0, 105.9, 96.0, 120.0])
    np.testing.assert_array_equal(OVERLAP.site([90.0, 105.9, 106.0, 130.0])[1], [1, 1, 2, 2])


def test_a_gap_holds_no_place_and_its_ends_are_one() -> None:
    x, places = GAP.continuous([106.0, 300.0, 500.0, 512.0])
    np.testing.assert_array_equal(places, [1, 0, 1, 1])
    np.testing.assert_array_equal(x, [106.0, np.nan, 106.0, 118.0])


def test_a_place_outside_of_the_region_named_is_none() -> None:
    np.testing.assert_array_equal(OVERLAP.continuous([120.0, 90.0], [1, 2])[1], [0, 0])


def test_rounding_beyond_the_end_of_a_region_is_taken_for_its_end() -> None:
    np.testing.assert_array_equal(GAP.continuous([106.0 + 9e-7, 106.0 + 3e-6])[1], [1, 0])


def test_several_equations_add_up() -> None:
    """106 = 96, then 110 = 1000: along the tunnel the second is 14 m past the first, at 120."""
    np.testing.assert_array_equal(TWO.places, [106.0, 120.0])
    assert float(TWO.continuous(1004.0)[0]) == 124.0
    chainage = np.linspace(0.0, 300.0, 4001)
    site, region = TWO.site(chainage)
    back, places = TWO.continuous(site, region)
    np.testing.assert_array_equal(places, 1)
    np.testing.assert_allclose(back, chainage, rtol=0.0, atol=1e-9)
    assert np.unique(region).tolist() == [1, 2, 3]


def test_text_names_the_region_only_where_the_number_does_not_tell() -> None:
    assert OVERLAP.text(90.0) == "90.00 m"
    assert OVERLAP.text(110.0) == "100.00 m (region 2)"
    assert OVERLAP.span(90.0, 130.0) == "90.00 to 120.00 m"


def test_it_is_plain_data() -> None:
    assert pickle.loads(pickle.dumps(TWO)) == TWO
    assert not PLAIN
    assert TWO


@pytest.mark.parametrize(
    "make",
    [
        lambda: ChainageEquation(float("nan"), 1.0),
        lambda: Stationing((ChainageEquation(10.0, 50.0), ChainageEquation(40.0, 0.0))),
        lambda: Stationing((ChainageEquation(10.0, 50.0), ChainageEquation(50.0, 0.0))),
    ],
)
def test_what_cannot_be_is_refused(make: Callable[[], object]) -> None:
    with pytest.raises(ValueFault, match="To mend"):
        make()


@pytest.mark.parametrize("form", ["movements", "coordinates"])
@pytest.mark.parametrize("stationing", [GAP, OVERLAP, TWO], ids=["gap", "overlap", "two"])
def test_a_job_is_the_same_tunnel_however_its_chainages_are_written(
    tmp_path: Path, stationing: Stationing, form: str
) -> None:
    plain = read_job(write_job(tmp_path / "plain", form=form))
    job = read_job(on_site(tmp_path / "site", stationing, form))
    assert job.sections == plain.sections
    for section in plain.sections:
        for name in ("movement", "face_distance", "chainage"):
            np.testing.assert_allclose(
                job.array(section)[name].values, plain.array(section)[name].values, rtol=0.0, atol=1e-6
            )
        expected = float(stationing.site(SECTIONS[section])[0])
        for series in measure_section(job, section):
            assert series.chainage == pytest.approx(expected, abs=1e-9)
    table, other = face_passages(job), face_passages(plain)
    np.testing.assert_allclose(table["face_distance_m"], other["face_distance_m"], rtol=0.0, atol=1e-6)
    assert set(table["chainage_m"]) == {float(stationing.site(place)[0]) for place in SECTIONS.values()}


def test_a_drive_down_chainage_counts_true_lengths_too(tmp_path: Path) -> None:
    """The invented tunnel turned round: its sections at 250 - 100, 112, 124 m, with an equation between."""
    stationing = Stationing((ChainageEquation(134.0, 700.0),))
    plain = read_job(write_job(tmp_path / "plain"))
    job = read_job(on_site(tmp_path / "site", stationing, mirror=250.0, region=False))
    assert job.settings.tunnel.drive == -1
    assert job.sections == plain.sections
    for section in plain.sections:
        np.testing.assert_allclose(
            job.array(section)["face_distance"].values, plain.array(section)["face_distance"].values, atol=1e-6
        )
    assert [measure_section(job, name)[0].chainage for name in job.sections] == [716.0, 704.0, 126.0]


def test_without_regions_an_overlap_is_refused_and_a_gap_is_not(tmp_path: Path) -> None:
    read_job(on_site(tmp_path / "gap", GAP, region=False))
    with pytest.raises(JobError) as caught:
        read_job(on_site(tmp_path / "overlap", OVERLAP, region=False))
    told = [str(fault) for fault in caught.value.faults]
    prism = next(text for text in told if text.startswith("prisms.csv:2"))
    assert "106 m back = 96 m ahead" in prism
    assert "stands for 2" in prism
    assert "chainage_region" in prism
    rounds = [text for text in told if text.startswith("advance.csv")]
    assert len(rounds) == 1, "one fault for all rounds"
    assert "so for" in rounds[0]


def test_a_round_in_the_gap_is_set_aside_and_a_prism_there_is_a_fault(tmp_path: Path) -> None:
    folder = on_site(tmp_path / "round", GAP)
    text = (folder / "advance.csv").read_text()
    rows = text.splitlines()
    rows[5] = ",".join([*rows[5].split(",")[:2], "300.0", "1"])
    (folder / "advance.csv").write_text("\n".join(rows) + "\n")
    job = read_job(folder)
    aside = job.set_aside
    assert aside["reason"].tolist() == ["no such chainage"]
    assert aside["line"].tolist() == [6]
    folder = on_site(tmp_path / "prism", GAP)
    text = (folder / "prisms.csv").read_text()
    (folder / "prisms.csv").write_text(edited(text, ("506.0", "300.0")))
    with pytest.raises(JobError, match="there is no such place"):
        read_job(folder)


@pytest.mark.parametrize("region", ["3", "0", "1.5", "north", "-1"])
def test_a_region_that_is_none_is_a_fault(tmp_path: Path, region: str) -> None:
    folder = on_site(tmp_path, OVERLAP)
    rows = (folder / "prisms.csv").read_text().splitlines()
    rows[1] = ",".join([*rows[1].split(",")[:-1], region])
    (folder / "prisms.csv").write_text("\n".join(rows) + "\n")
    with pytest.raises(JobError, match=r"prisms\.csv:2, chainage_m"):
        read_job(folder)


def test_messages_speak_the_site_s_chainages(tmp_path: Path) -> None:
    """A round logged twice, beyond the equation: its chainage is told as it stands in the file."""
    folder = on_site(tmp_path, GAP)
    text = (folder / "advance.csv").read_text()
    last = text.splitlines()[-1]
    (folder / "advance.csv").write_text(text + last + "\n")
    detail = read_job(folder).set_aside["detail"].tolist()
    site = float(last.split(",")[2])
    assert site > 500.0
    assert f"at {site:.2f} m, as line" in detail[0]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[[chainage_equation]]\nback_m = 106.0\n", "ahead"),
        ("[[chainage_equation]]\nback = 106.0\nahead_m = 500.0\n", "unit"),
        ("[[chainage_equation]]\nback_m = 106.0\nahead_m = nan\n", "finite"),
        (equations_text(TWO).replace("110.0", "95.0"), "in the order they are met"),
        ("chainage_equation = 3\n", "[[chainage_equation]]"),
    ],
)
def test_faulty_equations_are_told(tmp_path: Path, text: str, says: str) -> None:
    settings = job_files()["tunnel.toml"]
    whole = text + settings if not text.strip().startswith("[") else settings + "\n" + text
    with pytest.raises(JobError) as caught:
        read_job(write_job(tmp_path, {"tunnel.toml": whole}))
    assert says in str(caught.value)


def test_an_equation_off_the_alignment_is_told(tmp_path: Path) -> None:
    settings = job_files("coordinates")["tunnel.toml"]
    settings += "\n[[chainage_equation]]\nback_m = 400.0\nahead_m = 500.0\n"
    with pytest.raises(JobError, match=r"a place on the alignment, 50\.00 to 190\.00 m"):
        read_job(write_job(tmp_path, {"tunnel.toml": settings}, "coordinates"))
