"""The daily sheet in a real browser: it opens, nothing runs over the page, it prints to A4 and Letter."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread

from convergence.report.sheet import SheetView, sheet_html
from convergence.triggers import Outlook

BROWSER = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), ""
)
pytestmark = pytest.mark.skipif(not BROWSER, reason="no Chromium on this machine")
#: Width of the printed page within its margins at 96 dots an inch: A4 and Letter across, 11 mm on either side.
WIDTHS = {"A4": (297 - 22) / 25.4 * 96, "letter": (279.4 - 22) / 25.4 * 96}
#: Points of the sheets across, 72 an inch.
POINTS = {"A4": (297 / 25.4 * 72, 210 / 25.4 * 72), "letter": (792.0, 612.0)}


@pytest.fixture(scope="module")
def page(early_outlook: Outlook) -> str:
    day_before = early_outlook.job.now - np.timedelta64(1, "D")
    # every measure changed its state and every section asks for attention: the longest page there can be
    blind = replace(early_outlook, table=early_outlook.table.assign(outlook="blind"))
    return sheet_html(SheetView(blind, early_outlook, day_before))


def browse(folder: Path, page: str, *options: str) -> str:
    """What the browser tells of a page; no profile or cache is shared with anybody."""
    file = folder / "page.html"
    file.write_text(page, encoding="utf-8")
    usual = (
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--hide-scrollbars",
        f"--user-data-dir={folder / 'profile'}",
    )
    done = subprocess.run(
        [BROWSER, *usual, *options, file.as_uri()], capture_output=True, text=True, timeout=180, check=True
    )
    return done.stdout


def test_it_opens(page: str, tmp_path: Path) -> None:
    browse(tmp_path, page, "--window-size=1400,1000", f"--screenshot={tmp_path / 'screen.png'}")
    pixels = imread(tmp_path / "screen.png")[..., :3]
    assert pixels.shape[:2] == (1000, 1400)
    grey = pixels @ np.array([0.2126, 0.7152, 0.0722])
    # ink on paper: mostly white, some black, and lines of words all down the page
    assert 0.6 < float((grey > 0.95).mean()) < 0.99
    assert float((grey < 0.3).mean()) > 0.003
    assert float((grey < 0.5).any(axis=1)[:900].mean()) > 0.3


@pytest.mark.parametrize("paper", WIDTHS)
def test_nothing_runs_over_the_printed_page(page: str, tmp_path: Path, paper: str) -> None:
    """A browser shrinks a page that is too wide, and small print becomes illegible."""
    script = (
        "<script>const room = document.documentElement.clientWidth; document.title = 'over ' + "
        "[...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > room + 1)"
        ".map(e => e.tagName + ' ' + e.className).slice(0, 9).join('; ') + ' of ' + room;</script></body>"
    )
    measured = re.sub(r'<meta http-equiv="Content[^>]*>', "", page).replace("@media print", "@media all")
    measured = measured.replace("</body>", script)
    told = browse(tmp_path, measured, f"--window-size={round(WIDTHS[paper])},900", "--dump-dom")
    found = re.search(r"<title>over (.*?) of (\d+)</title>", told)
    assert found is not None
    assert found.group(1).strip() == ""
    assert int(found.group(2)) <= WIDTHS[paper] + 1


@pytest.mark.parametrize("paper", POINTS)
def test_it_prints(page: str, tmp_path: Path, paper: str) -> None:
    """A page leaves the paper to the printer and only asks to lie across; the test chooses the paper for it."""
    assert "size: landscape" in page
    chosen = page.replace("size: landscape", f"size: {paper} landscape")
    browse(tmp_path, chosen, "--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'sheet.pdf'}")
    pdf = (tmp_path / "sheet.pdf").read_bytes()
    boxes = re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    assert 5 <= len(boxes) <= 40
    for across, up in boxes:
        # the browser rounds a page to whole pixels of 0.75 points
        assert float(across) == pytest.approx(POINTS[paper][0], abs=0.8)
        assert float(up) == pytest.approx(POINTS[paper][1], abs=0.8)
