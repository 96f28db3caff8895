"""Pictures in prose: local ones go into the publication, remote ones are told and not fetched; figures of lines."""

from __future__ import annotations

import base64
import re
from pathlib import Path

import nbformat
import pytest
from nbformat import NotebookNode
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from convergence.errors import ConvergenceError
from convergence.publish.figures import compare_figures
from convergence.publish.notebook import Figure, figures
from convergence.publish.page import notebook_page
from convergence.publish.pictures import embed_pictures
from convergence.publish.privacy import Veil
from convergence.publish.publication import publish_notebook
from convergence.publish.rerun import review_publication
from convergence.publish.sheet import review_sheet
from tests.publish.conftest import CLAIM, READ, write_notebook
from tests.publish.test_compare import picture

NO_VEIL = Veil({}, "")
DRAWING = "<svg xmlns='http://www.w3.org/2000/svg'/>"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with two pictures."""
    (tmp_path / "plan (1).png").write_bytes(picture(0.5))
    (tmp_path / "section.svg").write_text(f"<?xml version='1.0'?>\n{DRAWING}", encoding="utf-8")
    return tmp_path


def prose(text: str) -> NotebookNode:
    return new_notebook(cells=[new_markdown_cell(text), new_code_cell("1")])


@pytest.mark.parametrize(
    "text",
    [
        "![plan](plan%20(1).png)",
        '![plan](<plan (1).png> "a title")',
        "![plan][one]\n\n[one]: section.svg",
        "![one]\n\n[one]: section.svg",
        "<img alt='plan' width=300 src='section.svg'>",
    ],
)
def test_local_pictures_are_put_in(folder: Path, text: str) -> None:
    notebook = prose(text)
    embed_pictures(notebook, folder, "x.ipynb", NO_VEIL)
    nbformat.validate(notebook)
    (folder / "section.svg").unlink()
    (folder / "plan (1).png").unlink()
    page = notebook_page(notebook, "x")
    assert re.findall(r'<img[^>]*src="([^",;]*)', page) in (["data:image/png"], ["data:image/svg+xml"])
    before = notebook.cells[0].source
    embed_pictures(notebook, folder, "x.ipynb", NO_VEIL)
    assert notebook.cells[0].source == before, "what is in already stays"


@pytest.mark.parametrize("text", ["`![plan](none.png)`", "```\n![plan](none.png)\n```", "[plan](none.png)"])
def test_what_is_no_picture_stays(folder: Path, text: str) -> None:
    notebook = prose(text)
    embed_pictures(notebook, folder, "x.ipynb", NO_VEIL)
    assert notebook.cells[0].source == text
    assert "attachments" not in notebook.cells[0]


def test_remote_pictures_are_told_and_not_fetched(folder: Path) -> None:
    text = (
        '![plan of <A>](https://example.org/plan.png) <img src="//example.org/x.png" alt="a > b"> <img src=file:///x>'
    )
    notebook = prose(text)
    embed_pictures(notebook, folder, "x.ipynb", NO_VEIL)
    assert notebook.cells[0].source == text
    notebook.cells[1].outputs = [new_output("display_data", data={"text/html": "<IMG SRC='http://example.org/y.png'>"})]
    page = notebook_page(notebook, "x")
    assert "[picture not in the publication: a &gt; b]" in page
    assert page.count("[picture not in the publication: ") == 4
    assert "<img" not in page.lower()
    assert "example.org" not in page


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("![x](none.png)", "cell 1 shows 'none.png', which is not there"),
        ("![x](/etc/hostname)", "expected a name from the notebook's folder"),
        ("![x](..\\x.png)", "expected a name from the notebook's folder"),
        ("![x](words.txt)", "which is no picture"),
        ("![x](attachment:none.png)", "which is not attached"),
    ],
)
def test_a_picture_that_cannot_be_shown_is_refused(folder: Path, text: str, told: str) -> None:
    (folder / "words.txt").write_text("a secret", encoding="utf-8")
    with pytest.raises(ConvergenceError, match=re.escape(told)) as caught:
        embed_pictures(prose(text), folder, "x.ipynb", NO_VEIL)
    assert "To mend" in str(caught.value)


def test_a_picture_that_names_a_folder_of_this_machine_is_refused(folder: Path) -> None:
    saved = f"<svg xmlns='http://www.w3.org/2000/svg' saved='{folder}/drawings/section.svg'/>"
    (folder / "section.svg").write_text(saved, encoding="utf-8")
    for text in ("![x](section.svg)", "<img src='section.svg'>"):
        with pytest.raises(ConvergenceError, match="names a folder of this machine"):
            embed_pictures(prose(text), folder, "x.ipynb", Veil({folder: "[here]"}, ""))


def test_a_published_notebook_carries_its_pictures(desk: Path, folder: Path, tmp_path: Path) -> None:
    path = write_notebook(folder / "x.ipynb", (READ, svg_cell("len(rows)"), CLAIM))
    notebook = nbformat.read(path, as_version=4)
    notebook.cells[0].source += "\n\n![plan](section.svg)"
    nbformat.write(notebook, path)
    made = publish_notebook(path, tmp_path / "out", desk / "job")
    plan = base64.b64encode((folder / "section.svg").read_bytes()).decode()
    assert f"data:image/svg+xml;base64,{plan}" in (made.folder / "x.html").read_text(encoding="utf-8")
    (folder / "section.svg").unlink()
    review = review_publication(made.folder)
    assert review.holds
    assert [item.verdict for item in review.figures] == ["same"], "another instant and other names are not drawn"
    later = review_publication(made.folder, as_of="2031-05-20T00:00:00Z")
    assert [item.verdict for item in later.figures] == ["differs"]
    assert review_sheet(later).count("src='data:image/svg+xml;base64,") == 2, "side by side"
    assert "20.0% of its elements differ" in review_sheet(later), "the text, of two tags and their ends"


def svg_cell(number: str) -> str:
    """A cell that draws a number, with an instant and a name that are others each time."""
    return f"""import time
from IPython.display import SVG, display
name = f"p{{time.time_ns()}}"
display(SVG(f'''<svg xmlns="http://www.w3.org/2000/svg"><metadata>{{name}}</metadata>
<text id="{{name}}">{{{number}}}</text></svg>'''))"""


def drawing(text: str) -> Figure:
    return Figure(1, 1, f'<?xml version="1.0"?><svg>{text}</svg>'.encode(), "image/svg+xml")


@pytest.mark.parametrize(
    ("one", "two", "verdict", "share"),
    [
        ('<g id="a1"/><use href="#a1"/>', '<g id="b7"/>\n <use\n href="#b7"/>', "same", 0.0),
        ('<g clip-path="url(#q)"/><clipPath id="q"/>', '<g clip-path="url(#r)"/><clipPath id="r"/>', "same", 0.0),
        ("<!-- made now --><g/>", "<metadata>later</metadata><g/>", "same", 0.0),
        ('<path d="M 0 1"/><g/>', '<path d="M 0 2"/><g/>', "differs", 0.25),  # of svg, path, g, /svg
        ("<a/><b/>", "<b/><a/>", "differs", 0.25),  # the same in another order
        ("", "<a/><b/>", "differs", 0.5),
    ],
)
def test_figures_of_lines(one: str, two: str, verdict: str, share: float) -> None:
    (found,) = compare_figures([drawing(one)], [drawing(two)])
    assert (found.verdict, found.share) == (verdict, share)


def test_a_figure_that_changed_its_kind_differs() -> None:
    (found,) = compare_figures([drawing("<g/>")], [Figure(1, 1, picture(0.5))])
    assert (found.verdict, found.share) == ("differs", 1.0)


def test_of_two_kinds_of_one_figure_one_is_compared() -> None:
    data = {"image/svg+xml": DRAWING, "image/png": base64.b64encode(picture(0.5)).decode()}
    made = new_notebook(cells=[new_code_cell("1", outputs=[new_output("display_data", data=data)])])
    assert [item.kind for item in figures(made)] == ["image/png"]
    made.cells[0].outputs[0].data.pop("image/png")
    assert [item.kind for item in figures(made)] == ["image/svg+xml"]
