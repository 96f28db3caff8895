"""Verdicts: claim by claim, figure by figure."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imsave

from convergence.publish import environment as code
from convergence.publish.causes import what_differs
from convergence.publish.claims import Claim
from convergence.publish.compare import compare_claims
from convergence.publish.environment import differences, environment, library_code
from convergence.publish.figures import compare_figures
from convergence.publish.fingerprints import Changes
from convergence.publish.notebook import Figure

NOTHING = Changes((), (), (), {})


@pytest.mark.parametrize(
    ("now", "verdict"),
    [
        (50.0, "same"),
        (50.0 + 4e-8, "same"),  # 1e-9 of 50 is 5e-8
        (50.0 + 6e-8, "within tolerance"),
        (50.5, "within tolerance"),
        (49.5, "within tolerance"),
        (50.500001, "different"),
    ],
)
def test_numbers(now: float, verdict: str) -> None:
    (found,) = compare_claims([Claim("a", 50.0, "mm", 0.5)], [Claim("a", now, "mm", 0.5)], "why")
    assert found.verdict == verdict
    assert found.why == ("" if verdict == "same" else "why")
    assert found.difference == now - 50.0


def test_without_a_tolerance_only_the_same_holds() -> None:
    (found,) = compare_claims([Claim("a", 31.0, "1", 0.0)], [Claim("a", 32.0, "1", 0.0)], "why")
    assert found.verdict == "different"


def test_texts() -> None:
    before = [Claim("a", "clear", "", 0.0), Claim("b", "past", "", 0.0)]
    found = compare_claims(before, [Claim("b", "past", "", 0.0), Claim("a", "past", "", 0.0)], "why")
    assert [(item.name, item.verdict, item.holds) for item in found] == [("a", "different", False), ("b", "same", True)]


@pytest.mark.parametrize(
    ("now", "told"),
    [
        (Claim("a", 50.0, "m", 0.5), "unit was mm and is m"),
        (Claim("a", 50.0, "mm", 5.0), "tolerance was 0.5 and is 5"),
        (Claim("a", "50", "mm", 0.0), "kind was number and is text"),
    ],
)
def test_a_claim_made_otherwise_is_different(now: Claim, told: str) -> None:
    (found,) = compare_claims([Claim("a", 50.0, "mm", 0.5)], [now], "why")
    assert found.verdict == "different"
    assert told in found.why


def test_claims_removed_and_added_are_named() -> None:
    found = compare_claims([Claim("a", 1.0, "mm", 0.5)], [Claim("b", 1.0, "mm", 0.5)], "why")
    assert [(item.name, item.verdict, item.holds) for item in found] == [("a", "missing", False), ("b", "new", False)]


def picture(grey: float, size: int = 10) -> bytes:
    image = np.full((size, 10), grey)
    image[0, 0] = 0.0
    stream = io.BytesIO()
    imsave(stream, image, cmap="gray", vmin=0.0, vmax=1.0, format="png")
    return stream.getvalue()


def test_figures() -> None:
    before = [Figure(3, 1, picture(0.5)), Figure(4, 1, picture(0.5)), Figure(5, 1, picture(0.5))]
    before.append(Figure(6, 1, b"\x89PNG\r\n\x1a\n broken"))
    now = [Figure(3, 1, picture(0.5)), Figure(4, 1, picture(0.7)), Figure(5, 2, picture(0.5)), Figure(6, 1, picture(1))]
    found = {(item.cell, item.number): (item.verdict, round(item.share, 3)) for item in compare_figures(before, now)}
    assert found == {
        (3, 1): ("same", 0.0),
        (4, 1): ("differs", 0.99),  # all of the hundred pixels but the black one
        (5, 1): ("missing", 1.0),
        (5, 2): ("new", 1.0),
        (6, 1): ("differs", 1.0),
    }


def test_a_picture_too_large_to_unpack_differs() -> None:
    huge = picture(0.5)[:16] + b"\x00\x01\x00\x00" * 2 + picture(0.5)[24:]
    (found,) = compare_figures([Figure(1, 1, picture(0.5))], [Figure(1, 1, huge)])
    assert (found.verdict, found.share) == ("differs", 1.0)


def test_figures_of_two_sizes_differ_in_all() -> None:
    (found,) = compare_figures([Figure(1, 1, picture(0.5))], [Figure(1, 1, picture(0.5, 12))])
    assert (found.verdict, found.share) == ("differs", 1.0)


def test_the_environment_names_versions_and_no_place() -> None:
    found = environment()
    assert found["packages"]["numpy"] == np.__version__
    assert len(found["library"]["code"]) == 64
    assert not [text for group in found.values() for text in group.values() if "/" in text]


def test_the_library_is_told_by_its_code(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "part").mkdir()
    for name, text in (("a.py", "x = 1\n"), ("part/b.py", "y = 2\n")):
        (tmp_path / name).write_text(text)
    monkeypatch.setattr(code, "__file__", str(tmp_path / "part" / "b.py"))
    before = library_code()
    (tmp_path / "a.py").write_bytes(b"x = 1\r\n")
    assert library_code() == before, "line ends differ between checkouts"
    (tmp_path / "a.py").write_text("x = 3\n")
    assert library_code() != before


def test_differences_of_the_environment_begin_with_what_numbers_come_from() -> None:
    before = {"packages": {"attrs": "1", "scipy": "1.12", "gone": "1"}, "library": {"code": "a" * 64}}
    now = {"packages": {"attrs": "2", "scipy": "1.17"}, "library": {"code": "b" * 64}}
    found = differences(before, now)
    assert [row[0] for row in found] == ["code of convergence", "scipy", "attrs", "gone"]
    assert found[3] == ("gone", "1", "-")
    assert differences(now, now) == ()


def test_what_may_have_moved_a_claim() -> None:
    inputs = Changes(("readings.csv",), (), (), {"readings.csv": (1, 2)})
    told = what_differs(inputs, ("a", "b"), "cell 2 edited", [("scipy", "1.12", "1.17"), ("attrs", "1", "2")])
    assert told == (
        "inputs (readings.csv); data read up to b, published up to a; the notebook (cell 2 edited); scipy 1.12 to 1.17"
    )
    assert "nothing recorded differs" in what_differs(NOTHING, ("a", "a"), "", [])
