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
from convergence.survey.job import read_job
from convergence.triggers import Outlook, outlook
from tests.helpers import edited, job_files, write_job

BROWSER = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), ""
)
PAGES, WORDS = shutil.which("pdftoppm"), shutil.which("pdftotext")
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


@pytest.fixture(scope="module")
def long_names(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Every name of the job as long as somebody may type it, with and without places to break."""
    files = job_files()
    prism, words = "prism_" + "x" * 90, "the section at the portal of the second tube, north side, behind the niche"
    changes: dict[str, str | bytes | None] = {
        name: text.replace("A-CR", prism) for name, text in files.items() if name != "tunnel.toml"
    }
    changes["prisms.csv"] = str(changes["prisms.csv"]).replace(f"{prism},A,", f'{prism},"{words}",')
    level = "the level from which on everybody is told who can be reached by telephone"
    changes["tunnel.toml"] = edited(
        files["tunnel.toml"], ('"Invented"', f'"{"a tunnel of " * 12}"'), ('"attention"', f'"{level}"'), ("20.0", "2.0")
    )
    found = outlook(read_job(write_job(tmp_path_factory.mktemp("names") / "job", changes)))
    earlier = replace(found, table=found.table.assign(outlook="clear"))
    return sheet_html(SheetView(found, earlier, found.job.now - np.timedelta64(1, "D")))


@pytest.mark.parametrize("paper", WIDTHS)
@pytest.mark.parametrize("names", ["page", "long_names"])
def test_nothing_runs_over_the_printed_page(
    names: str, tmp_path: Path, paper: str, request: pytest.FixtureRequest
) -> None:
    """A browser shrinks a page that is too wide, and small print becomes illegible."""
    page = request.getfixturevalue(names)
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


@pytest.fixture(scope="module", params=POINTS)
def printed(page: str, tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Path:
    """The page printed on each paper."""
    folder = tmp_path_factory.mktemp("printed")
    chosen = page.replace("size: landscape", f"size: {request.param} landscape")
    browse(folder, chosen, "--no-pdf-header-footer", f"--print-to-pdf={folder / 'sheet.pdf'}")
    return folder / "sheet.pdf"


@pytest.mark.skipif(not PAGES, reason="nothing here turns a PDF into pictures")
def test_printed_pages_are_full(printed: Path) -> None:
    """Pages are full but for their last fifth; room is left only where whole-page figures begin, and at the end."""
    subprocess.run([str(PAGES), "-r", "30", "-gray", "-png", printed, printed.with_suffix("")], check=True)
    depths = []
    for file in sorted(printed.parent.glob("sheet-*.png")):
        pixels = imread(file)
        grey = pixels if pixels.ndim == 2 else pixels[..., 0]
        # the number of the page stands in the lowest twentieth
        rows = np.flatnonzero((grey[: int(0.95 * len(grey))] < 0.6).any(axis=1))
        depths.append(float(rows.max()) / (0.95 * len(grey)) if len(rows) else 0.0)
    assert len(depths) >= 5
    assert sum(depth < 0.55 for depth in depths[:-1]) <= 1, depths
    assert float(np.median(depths[:-1])) > 0.85, depths


@pytest.mark.skipif(not WORDS, reason="nothing here reads the words of a PDF")
def test_heads_of_tables_stand_on_every_page_and_rows_are_whole(printed: Path) -> None:
    told = subprocess.run([str(WORDS), "-layout", printed, "-"], capture_output=True, text=True, check=True).stdout
    pages = told.split("\f")
    dates = re.findall(r"\d{4}-\d\d-\s", told)
    assert not dates, "a date breaks at the end of a line"
    ranked = [page for page in pages if re.search(r"^ *\d+ +. ?(past|heading|blind|undetermined) ", page, re.MULTILINE)]
    assert len(ranked) >= 2, "the table runs over several pages"
    assert all("P horizon" in page and "crossing" in page for page in ranked)
    # the line below a row begins with its reason: no page begins with one
    assert not any(re.match(r"\s*no reading for", page) for page in pages)


@pytest.mark.parametrize("sections", [100])
def test_a_long_page_opens_at_once(page: str, tmp_path: Path, sections: int) -> None:
    """A hundred sections' lines and six sections' figures: read and laid out within a few seconds."""
    start, end = page.index('<table class="sections">'), page.index("</table>", page.index('<table class="sections">'))
    bodies = re.findall(r"<tbody.*?</tbody>", page[start:end], re.DOTALL)
    more = re.sub(r' id="[^"]*"', "", "".join(bodies)) * (sections // len(bodies))
    script = (
        "<script>addEventListener('load', () => { const size = document.body.getBoundingClientRect().height; "
        "document.title = 'opened ' + Math.round(performance.now()) + ' of ' + Math.round(size); });</script></body>"
    )
    long = re.sub(r'<meta http-equiv="Content[^>]*>', "", page[:end] + more + page[end:]).replace("</body>", script)
    assert len(page.encode()) < 2.5e6
    told = browse(tmp_path, long, "--window-size=1400,1000", "--dump-dom")
    found = re.search(r"<title>opened (\d+) of (\d+)</title>", told)
    assert found is not None
    assert int(found.group(2)) > 5000, "all of it is laid out"
    # milliseconds; generous, for a loaded machine
    assert int(found.group(1)) < 3000
