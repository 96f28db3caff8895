"""Edges of publishing and reviewing: what surrounds a run, odd names and texts, places inside one another."""

from __future__ import annotations

import ast
import json
from dataclasses import replace
from pathlib import Path

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from convergence import cli
from convergence.errors import ConvergenceError
from convergence.publish.claims import MIME, Claim, claims_csv, read_claims
from convergence.publish.compare import compare_claims
from convergence.publish.fingerprints import Changes
from convergence.publish.kernel import NotebookError, run_notebook
from convergence.publish.manifest import Manifest
from convergence.publish.notebook import found_claims, title_of
from convergence.publish.parameters import give_parameters
from convergence.publish.privacy import Veil
from convergence.publish.publication import Publication, publish_notebook
from convergence.publish.rerun import review_publication
from convergence.publish.review import OTHER
from convergence.publish.sheet import review_sheet
from tests.helpers import write_job
from tests.publish.conftest import write_notebook


def test_the_kernel_asserts_and_draws_whatever_the_shell_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in (
        ("PYTHONOPTIMIZE", "1"),
        ("PYTHONWARNINGS", "error"),
        ("PYTHONSTARTUP", "x"),
        ("MPLBACKEND", "agg"),
    ):
        monkeypatch.setenv(name, value)
    shown = "(sys.flags.optimize, sys.warnoptions, os.environ.get('PYTHONSTARTUP'), os.environ['MPLBACKEND'])"
    cell = new_code_cell(f"import os, sys\n{shown}")
    run = run_notebook(new_notebook(cells=[cell]), tmp_path, "x.ipynb")
    assert run.notebook.cells == [cell], "what asks the kernel is taken out again"
    assert cell.outputs[0].data["text/plain"] == "(0, [], None, 'module://matplotlib_inline.backend_inline')"


def test_a_kernel_with_other_code_is_refused(tmp_path: Path) -> None:
    (tmp_path / "lmfit.py").write_text("x = 1\n")
    cell = new_code_cell("import sys\nsys.path.insert(0, '.')\nimport lmfit")
    with pytest.raises(NotebookError, match="loaded lmfit from another place"):
        run_notebook(new_notebook(cells=[cell]), tmp_path, "x.ipynb")


def test_a_cell_that_would_be_left_out_is_named(tmp_path: Path) -> None:
    cells = [new_code_cell("1"), new_code_cell("2", metadata={"tags": ["skip-execution"]})]
    with pytest.raises(NotebookError, match="cell 2 is tagged 'skip-execution'"):
        run_notebook(new_notebook(cells=cells), tmp_path, "x.ipynb")


@pytest.mark.parametrize(
    ("before", "now", "tolerance", "verdict"),
    [
        (0.8, 0.7, 0.1, "within tolerance"),  # the difference is 0.1 and a rounding
        (0.8, 0.6999999, 0.1, "different"),
        (1e-10, 5e-10, 0.0, "different"),  # four times the value
        (1e-10, 1e-10 * (1 + 1e-10), 0.0, "same"),
        (1e9, 1e9 + 0.5, 0.1, "different"),  # 5e-10 of the value, five times its tolerance
        (0.0, 0.0, 0.0, "same"),
        (3.0, 3.0 + 1e-8, 0.0, "different"),
    ],
)
def test_the_same_is_relative_and_never_beyond_the_tolerance(
    before: float, now: float, tolerance: float, verdict: str
) -> None:
    (found,) = compare_claims([Claim("a", before, "1", tolerance)], [Claim("a", now, "1", tolerance)], "")
    assert found.verdict == verdict


def test_a_fingerprint_that_nobody_told_is_said(copy: Path) -> None:
    (copy / "crown.ipynb").unlink()
    untold = review_publication(copy)
    assert "fingerprint not compared with one told to you" in repr(untold)
    assert "fingerprint not compared with one told to you" in review_sheet(untold)
    told = review_publication(copy, fingerprint=untold.fingerprint)
    assert "not compared" not in repr(told) + review_sheet(told)


def test_a_cell_too_long_for_a_table_is_told() -> None:
    with pytest.raises(ConvergenceError, match=r"claims\.csv: expected a table of claims"):
        read_claims(claims_csv([Claim("a", "x" * 140_000, "", 0.0)]), "claims.csv")


@pytest.mark.parametrize("tagged", [0, 2])
def test_an_edited_notebook_without_its_parameters_is_a_failure_that_is_told(copy: Path, tagged: int) -> None:
    path = copy / "crown.ipynb"
    notebook = nbformat.read(path, as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code" and "given" not in cell.id]
    code[0].metadata["tags"] = []
    for cell in code[:tagged]:
        cell.metadata["tags"] = ["parameters"]
    nbformat.write(notebook, path)
    review = review_publication(copy, run_edited=True)
    assert "tagged" in review.failure
    assert not review.holds
    assert "tagged" in review_sheet(review)


def test_parameters_are_not_given_to_a_notebook_without_the_cell() -> None:
    with pytest.raises(ConvergenceError, match="no cell tagged"):
        give_parameters(new_notebook(cells=[new_code_cell("1")]), {"JOB": "job"})


def test_a_title_steers_no_terminal_and_can_be_written(copy: Path) -> None:
    made = new_notebook(cells=[new_markdown_cell("# Crown \x1b[2J \ud800 of A")])
    assert title_of(made, "x") == "Crown  [2J   of A"
    assert len(Manifest("\ud800", "", "", "", (), {}, True, {}).fingerprint) == 64
    path = copy / "manifest.json"
    told = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps({**told, "title": "A\x1b[2J\ud800", "published": "\x07now"}), encoding="utf-8")
    (copy / "crown.ipynb").unlink()
    review = review_publication(copy)
    text = repr(review)
    assert text.startswith("A [2J  (copy), published  now")
    (copy.parent / "sheet.html").write_text(review_sheet(review), encoding="utf-8")
    assert "\x1b" not in text + review_sheet(review)


def test_a_notebook_under_another_ending_is_refused(desk: Path, tmp_path: Path) -> None:
    for name in ("manifest.json", "claims.csv", "crown.html", "inputs"):
        (tmp_path / name).write_bytes((desk / "crown.ipynb").read_bytes())
        with pytest.raises(ConvergenceError, match=r"ends in \.ipynb"):
            publish_notebook(tmp_path / name, tmp_path / "out", desk / "job")


def test_nothing_is_published_into_a_publication_or_a_job(copy: Path, tmp_path: Path) -> None:
    write_job(tmp_path / "job")
    notebook = write_notebook(tmp_path / "crown.ipynb")
    for place, told in (
        (copy / "more", "inside the publication copy"),
        (copy / "inputs" / "more", "inside the publication copy"),
        (tmp_path / "job" / "more", "inside the job folder"),
    ):
        with pytest.raises(ConvergenceError, match=told):
            publish_notebook(notebook, place)
        assert not place.exists()


def test_other_inputs_than_the_fingerprinted_ones_do_not_hold(desk: Path, tmp_path: Path) -> None:
    instant = "2031-05-20T00:00:00Z"
    made = publish_notebook(desk / "crown.ipynb", tmp_path / "out", inputs="fingerprints", as_of=instant)
    job = write_job(tmp_path / "job")
    with (job / "readings.csv").open("a", encoding="utf-8") as stream:
        stream.write("2031-05-27T06:00:00+02:00,A-CR,0.0,0.0,31.5\n")
    review = review_publication(made.folder, data=job, as_of=instant)
    assert review.dates == (instant, instant), "read up to the published instant"
    assert review.counts["same"] == 3
    assert not review.holds
    assert "OTHER DATA, CONCLUSIONS UNCHANGED: 3 same" in repr(review)
    assert review.reasons == (OTHER,)
    told: list[str] = []
    newer = review_publication(made.folder, data=job, announce=told.append)
    assert newer.dates == (instant, "the end of the data"), "other data are read to their end unless told otherwise"
    assert newer.outcome == "other data, conclusions changed"
    for text in ("\n".join(told), repr(newer), review_sheet(newer)):
        assert "what --data gives are not the files published, so they are read to their end" in text
        assert f"--as-of {instant} reads them up to the instant published" in text


def test_the_same_instant_written_otherwise_is_no_other_data(desk: Path, tmp_path: Path) -> None:
    made = publish_notebook(desk / "crown.ipynb", tmp_path / "out", as_of="2031-05-20T00:00:00Z")
    review = review_publication(made.folder, as_of="2031-05-20T02:00:00+02:00")
    assert review.holds
    assert not review.other


def test_an_instant_for_a_notebook_that_takes_none_is_refused(desk: Path, tmp_path: Path) -> None:
    cells = ('import convergence as cv\ncv.claim("a", 1.0, "mm")\ncv.claims()', "")
    notebook = write_notebook(tmp_path / "plain.ipynb", cells, 'JOB = "job"')
    made = publish_notebook(notebook, tmp_path / "out", desk / "job")
    assert [item.name for item in made.claims] == ["a"], "an empty cell at the end is no last cell"
    with pytest.raises(ConvergenceError, match="takes no AS_OF"):
        review_publication(made.folder, as_of="2031-05-20T00:00:00Z")


def test_only_an_empty_cell_is_passed_over() -> None:
    row = {"name": "final", "value": 1.0, "unit": "mm", "tolerance": 0.1, "times": 1}
    first = new_code_cell("cv.claims()", outputs=[new_output("display_data", data={MIME: {"claims": [row]}})])
    assert len(found_claims(new_notebook(cells=[first, new_code_cell(" \n")]), "x.ipynb")) == 1
    with pytest.raises(ConvergenceError, match=r"x\.ipynb: cell 2, the last"):
        found_claims(new_notebook(cells=[first, new_code_cell("1")]), "x.ipynb")


def test_a_part_of_a_longer_path_is_no_folder_of_this_machine(tmp_path: Path) -> None:
    veil = Veil({tmp_path: "[here]"}, "")
    assert veil.clear(f"/srv{tmp_path}/x") == f"/srv{tmp_path}/x"
    assert veil.clear(f"a='{tmp_path}/x' \\n{tmp_path} \x1b[0m{tmp_path}") == "a='[here]/x' \\n[here] \x1b[0m[here]"


def test_the_table_of_claims_is_left_as_it_is(tmp_path: Path) -> None:
    data = {MIME: {"claims": [{"name": f"settlement {tmp_path}"}]}, "text/plain": f"settlement {tmp_path}"}
    made = new_notebook(cells=[new_code_cell("1", outputs=[new_output("display_data", data=data)])])
    Veil({tmp_path: "[here]"}, "").clear_outputs(made)
    assert made.cells[0].outputs[0].data == data
    with pytest.raises(ConvergenceError, match="names a folder of this machine"):
        Veil({tmp_path: "[here]"}, "").refuse_claims([Claim(f"settlement {tmp_path}", 1.0, "mm", 0.1)], "x.ipynb")


def test_publish_prints_the_whole_command(
    published: Publication, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("convergence.publish.publication.publish_notebook", lambda *_: published)
    assert cli.main(["publish", "x.ipynb", "--out", "unused"]) == 0
    assert f"convergence rerun crown --fingerprint {published.fingerprint}\n" in capsys.readouterr().out


def test_everything_that_came_from_a_file_is_escaped_on_the_sheet(copy: Path) -> None:
    (copy / "crown.ipynb").unlink()
    review = review_publication(copy)
    evil = "<script>alert(1)</script><img src=x onerror=alert(2)>"
    claim = Claim(evil, evil, evil, 0.0)
    (compared,) = compare_claims([claim], [Claim(evil, "other", evil, 0.0)], evil)
    full = replace(
        review, name=evil, title=evil, published=evil, faults=(evil,), failure=evil, claims=(compared,), why=evil,
        environment=((evil, evil, evil),), stands_on={"python": evil}, dates=(evil, evil), unseeded=(evil,),
        inputs=Changes((), (evil,), (), {}), refused="",
    )  # fmt: skip
    for page in (review_sheet(full), full._repr_html_()):
        assert "&lt;script&gt;" in page
        assert "<script" not in page
        assert "<img" not in page


def test_nothing_that_could_run_code_is_read() -> None:
    package = Path(cli.__file__).parents[1]
    forbidden = {"pickle", "cPickle", "dill", "joblib", "marshal", "shelve", "cloudpickle"}
    for path in package.rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            names = {alias.name.split(".")[0] for alias in node.names} if isinstance(node, ast.Import) else set()
            names |= {str(node.module).split(".")[0]} if isinstance(node, ast.ImportFrom) else set()
            called = ast.unparse(node.func) if isinstance(node, ast.Call) else ""
            assert not names & forbidden, path
            assert called not in ("np.load", "pd.read_pickle", "np.loads", "eval", "exec"), path
