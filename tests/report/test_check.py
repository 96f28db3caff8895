"""What `check` prints: the account balances in print too, and every row set aside and every finding stands there."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from convergence.job.account import REASONS
from convergence.report.check import check_text
from convergence.survey.job import Job, read_job


@pytest.fixture(scope="module")
def job(sample_folder: Path) -> Job:
    return read_job(sample_folder)


@pytest.fixture(scope="module")
def text(job: Job) -> str:
    return check_text(job, 120)


def account_lines(text: str) -> dict[str, list[int]]:
    """Counts of each line of the account, by file."""
    lines = re.findall(r"^(\S+)((?: +\d+){4})$", text, flags=re.MULTILINE)
    return {name: [int(number) for number in counts.split()] for name, counts in lines}


def test_every_line_of_the_account_balances(text: str, job: Job) -> None:
    found = account_lines(text)
    assert set(found) == {*job.account.read, "all"}
    for read, used, aside, later in found.values():
        assert read == used + aside + later
    files = [counts for name, counts in found.items() if name != "all"]
    assert found["all"] == [sum(column) for column in zip(*files, strict=True)]


def test_it_balances_at_a_date_too(early_job: Job) -> None:
    found = account_lines(check_text(early_job, 120))
    read, used, aside, later = found["all"]
    assert read == used + aside + later
    assert later > 20_000
    assert "later than as_of (" not in check_text(early_job, 120), "rows of the future are counted, not listed"


def test_every_row_set_aside_is_listed_with_its_reason(text: str, job: Job) -> None:
    for row in job.set_aside.to_dict("records"):
        assert f"{row['file']}:{row['line']}" in text
        assert f"set aside, {row['reason']} (" in text
        assert REASONS[row["reason"]] in text


def test_long_lists_are_cut_and_counted(job: Job) -> None:
    text = check_text(job, 120, most=2)
    most = int(job.set_aside["reason"].value_counts().iloc[0])
    assert f"   ... and {most - 2} more" in text


def test_every_finding_is_told(text: str, job: Job) -> None:
    assert f"findings ({len(job.findings)}):" in text
    flat = " ".join(text.split())
    for finding in job.findings:
        assert " ".join(finding.sentence.split()) in flat


def test_it_begins_with_the_job(text: str, job: Job) -> None:
    assert text.startswith(repr(job))


def test_a_key_nobody_reads_is_named(cut_folder: Path, tmp_path: Path, text: str) -> None:
    folder = tmp_path / "job"
    shutil.copytree(cut_folder, folder)
    settings = folder / "tunnel.toml"
    given = settings.read_text(encoding="utf-8")
    settings.write_text(given.replace("width_m = 12.0", "width_m = 12.0\ncolour = 'grey'"), encoding="utf-8")
    found = check_text(read_job(folder), 120)
    assert "not used:" not in text
    assert "not used:" in found
    assert "colour" in found.split("not used:")[1]
