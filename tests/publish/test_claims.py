"""Claims: what may be claimed, what is refused, and how they are written and read back."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
import xarray as xr

import convergence as cv
from convergence.errors import ConvergenceError, ValueFault
from convergence.publish.claims import (
    MIME,
    Claim,
    claims_csv,
    claims_from_output,
    forget_claims,
    read_claims,
    shown_value,
)


@pytest.fixture(autouse=True)
def fresh() -> Iterator[None]:
    forget_claims()
    yield
    forget_claims()


@pytest.mark.parametrize(
    ("value", "kept"),
    [(1.5, 1.5), (3, 3.0), (np.float32(0.5), 0.5), (np.array([2.0]), 2.0), (xr.DataArray(4.0), 4.0), ("past", "past")],
)
def test_one_number_or_one_text_is_kept(value: object, kept: object) -> None:
    assert cv.claim("final", value, "mm").value == kept
    assert [row.name for row in cv.claims().rows] == ["final"]


@pytest.mark.parametrize(
    ("value", "unit", "tolerance", "told"),
    [
        (float("nan"), "mm", 0.1, "finite number"),
        (float("inf"), "mm", 0.1, "finite number"),
        (True, "", 0.0, "finite number"),
        ([1.0, 2.0], "mm", 0.1, "finite number"),
        (None, "mm", 0.1, "finite number"),
        (1.0, "mm", -0.1, "tolerance"),
        (1.0, "mm", float("nan"), "tolerance"),
        (1.0, 3, 0.1, "unit"),
        ("past", "", 0.1, "without a tolerance"),
        ("two\nlines", "", 0.0, "one printable line"),
    ],
)
def test_what_is_no_claim_is_refused(value: object, unit: str, tolerance: float, told: str) -> None:
    with pytest.raises(ValueFault, match=told):
        cv.claim("final", value, unit, tolerance)
    assert len(cv.claims()) == 0


@pytest.mark.parametrize("name", ["", "  ", "two\nlines", "x" * 201])
def test_a_name_is_one_line(name: str) -> None:
    with pytest.raises(ValueFault, match="claim name"):
        cv.claim(name, 1.0, "mm", 0.1)


def test_made_again_it_replaces_and_is_counted() -> None:
    cv.claim("final", 1.0, "mm", 0.1)
    cv.claim("other", 5.0, "mm", 0.1)
    cv.claim("final", 2.0, "mm", 0.1)
    assert [(row.name, row.value, row.times) for row in cv.claims().rows] == [("final", 2.0, 2), ("other", 5.0, 1)]


def test_a_publication_refuses_a_name_claimed_twice() -> None:
    cv.claim("final", 1.0, "mm", 0.1)
    cv.claim("final", 2.0, "mm", 0.1)
    with pytest.raises(ConvergenceError, match="'final' is claimed 2 times"):
        claims_from_output(cv.claims()._repr_mimebundle_()[MIME], "cell 4")


def test_the_output_of_a_cell_gives_them_back() -> None:
    cv.claim("final", 0.1 + 0.2, "mm", 0.1)
    cv.claim("state", "past", "")
    assert claims_from_output(cv.claims()._repr_mimebundle_()[MIME], "cell 4") == cv.claims().rows


@pytest.mark.parametrize("data", [None, {}, {"claims": 3}, {"claims": ["x"]}, {"claims": [{"name": "a"}]}])
def test_an_output_that_is_none_is_refused(data: object) -> None:
    with pytest.raises(ConvergenceError):
        claims_from_output(data, "cell 4")


def test_csv_reads_back_to_the_last_digit() -> None:
    rows = (Claim('a, "b"', 0.1 + 0.2, "mm", 1e-3), Claim("state", "past", "", 0.0), Claim("tiny", -5e-324, "1", 0.0))
    assert read_claims(claims_csv(rows), "claims.csv") == rows


@pytest.mark.parametrize(
    ("old", "new"),
    [("name,kind", "kind,name"), ("number", "guess"), ("1.5", "nan"), ("1.5", "one"), ("0.1", "-0.1"), (",mm", "")],
)
def test_a_table_that_was_edited_badly_is_refused(old: str, new: str) -> None:
    text = claims_csv([Claim("final", 1.5, "mm", 0.1)])
    assert old in text
    with pytest.raises(ConvergenceError, match=r"claims\.csv"):
        read_claims(text.replace(old, new, 1), "claims.csv")


def test_a_table_with_a_name_twice_is_refused() -> None:
    text = claims_csv([Claim("final", 1.5, "mm", 0.1)])
    with pytest.raises(ConvergenceError, match="twice"):
        read_claims(text + text.splitlines()[1] + "\n", "claims.csv")


@pytest.mark.parametrize(
    ("value", "tolerance", "shown"),
    [
        (37.0, 0.0, "37"),
        (0.1, 0.0, "0.1"),
        (69.3149, 1.0, "69.3"),
        (69.3149, 0.5, "69.31"),
        (1234.5, 100.0, "1234"),
        (-0.001, 1.0, "0.0"),
        ("past", 0, "past"),
    ],
)
def test_a_value_is_shown_to_a_tenth_of_its_tolerance(value: float | str, tolerance: float, shown: str) -> None:
    assert shown_value(value, tolerance) == shown


def test_the_table_shows_itself_and_escapes_names() -> None:
    cv.claim("<script>alert(1)</script>", 69.31, "mm", 1.0)
    assert "<script>" not in cv.claims()._repr_html_()
    assert "&lt;script&gt;" in cv.claims()._repr_html_()
    assert "69.3 ± 1 mm" in repr(cv.claims())
