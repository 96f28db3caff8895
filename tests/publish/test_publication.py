"""What a publication holds, and that a failed one holds nothing."""

from __future__ import annotations

import json
import re
from pathlib import Path

import nbformat
import pytest

from convergence.errors import ConvergenceError
from convergence.publish.environment import environment
from convergence.publish.kernel import NotebookError, run_notebook
from convergence.publish.manifest import read_manifest
from convergence.publish.page import notebook_page
from convergence.publish.publication import Publication, publish_notebook
from tests.helpers import job_files, write_job
from tests.publish.conftest import CLAIM, PARAMETERS, READ, write_notebook


def files(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


OWN = {"manifest.json", "crown.ipynb", "crown.html", "claims.csv", "settings.json", "environment.json"}


def test_it_holds_everything_a_reviewer_needs(published: Publication) -> None:
    assert files(published.folder) == OWN | {f"inputs/job/{name}" for name in job_files()}
    manifest, fingerprint = read_manifest(published.folder)
    assert fingerprint == published.fingerprint == manifest.fingerprint
    assert manifest.title == "Crown of <A>"
    assert set(manifest.files) == OWN - {"manifest.json"}
    assert set(manifest.inputs) == set(job_files())
    assert [item.name for item in published.claims] == [
        "last <b>settlement</b> of A-CR",
        "readings of A-CR",
        "state of A-CR",
    ]


def test_settings_and_environment(published: Publication) -> None:
    settings = json.loads((published.folder / "settings.json").read_text(encoding="utf-8"))
    assert settings["parameters"] == {"JOB": "'inputs/job'", "AS_OF": "None", "SEED": "7"}
    assert settings["seeds"] == {"hash": "0", "SEED": "7"}
    assert settings["unseeded"] == {}
    assert settings["seeds of the library"]["projection.prior"] == "np.random.default_rng(7)"
    assert settings["job"]["tunnel.toml"] == job_files()["tunnel.toml"]
    assert float(settings["run"]["seconds"]) > 0.0
    environment = json.loads((published.folder / "environment.json").read_text(encoding="utf-8"))
    assert {"numpy", "scipy", "convergence"} <= set(environment["packages"])
    assert environment["platform"]["python"]


def test_the_environment_is_the_one_of_the_kernel(desk: Path, tmp_path: Path) -> None:
    # as an installation in a cell does, it puts a package where the kernel finds it and this process does not
    install = """import sys, tempfile, pathlib
folder = pathlib.Path(tempfile.mkdtemp())
told = folder / "alongside-4.2.dist-info"
told.mkdir()
(told / "METADATA").write_text("Metadata-Version: 2.1\\nName: Along_side\\nVersion: 4.2\\n")
sys.path.append(str(folder))"""
    made = publish_notebook(
        write_notebook(tmp_path / "x.ipynb", (READ, install, CLAIM)), tmp_path / "out", desk / "job"
    )
    told = json.loads((made.folder / "environment.json").read_text(encoding="utf-8"))
    assert told["packages"]["along-side"] == "4.2"
    assert "along-side" not in environment()["packages"]


def test_the_notebook_is_executed_with_the_job_given(published: Publication) -> None:
    notebook = nbformat.read(published.folder / "crown.ipynb", as_version=4)
    assert "JOB = 'inputs/job'" in notebook.cells[2].source
    assert [cell.execution_count for cell in notebook.cells if cell.cell_type == "code"] == [1, 2, 3, 4, 5]
    assert notebook.cells[-1].outputs[0].text == "all numbers hold\n"


def test_the_page_stands_alone(published: Publication) -> None:
    page = (published.folder / "crown.html").read_text(encoding="utf-8")
    assert "<title>Crown of &lt;A&gt;</title>" in page
    assert "default-src 'none'" in page
    assert "data:image/png;base64," in page
    assert not re.search(r"<script|<link|<iframe|src=\"http|url\(", page)
    assert "last &lt;b&gt;settlement&lt;/b&gt;" in page
    assert "support and never replace" in page


def test_the_page_runs_no_script_that_a_notebook_puts_out() -> None:
    cell = nbformat.v4.new_code_cell("1")
    html = "<script>alert(1)</script><META http-equiv='refresh' content='0;url=x'>"
    cell.outputs = [nbformat.v4.new_output("display_data", data={"text/html": html})]
    page = notebook_page(nbformat.v4.new_notebook(cells=[cell]), "</title><script>")
    # the policy forbids a browser to run it besides
    assert "&lt;script>alert(1)&lt;/script>" in page
    assert not re.search(r"<script|<meta[^>]*refresh", page, re.IGNORECASE)
    assert "refresh" in page
    assert "default-src 'none'" in page


def test_nothing_names_this_machine(published: Publication, desk: Path) -> None:
    places = {str(desk), str(published.folder.parent), str(Path.home()), str(Path(__file__).parents[2])} - {"/"}
    for path in published.folder.rglob("*"):
        if path.is_file():
            text = path.read_text(encoding="utf-8")
            assert not [place for place in places if place in text], path.name


def test_it_never_overwrites(published: Publication, desk: Path, tmp_path: Path) -> None:
    before = {name: (published.folder / name).read_bytes() for name in files(published.folder)}
    with pytest.raises(ConvergenceError, match="never overwrites"):
        publish_notebook(desk / "crown.ipynb", published.folder)
    assert {name: (published.folder / name).read_bytes() for name in files(published.folder)} == before
    (tmp_path / "file").write_text("mine")
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    for name in ("file", "link"):
        with pytest.raises(ConvergenceError, match="never overwrites"):
            publish_notebook(desk / "crown.ipynb", tmp_path / name)


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        ((READ, "settlement[-1] / 0", CLAIM), r"cell 4 failed, it begins 'settlement\[-1\] / 0'.\n  ZeroDivisionError"),
        ((READ, "import os\nos._exit(3)", CLAIM), "cell 4 failed, it begins 'import os'.\n  its kernel died"),
        ((READ, "1 + 1"), "cell 4, the last: shows no claims"),
        ((READ, f'cv.claim("state of A-CR", "x", "")\n{CLAIM}'), "'state of A-CR' is claimed 2 times"),
        ((READ, 'open(f"{JOB}/readings.csv", "a").write("x")', CLAIM), r"changes its inputs \(readings.csv\)"),
    ],
)
def test_a_failed_run_publishes_nothing_and_says_why(
    desk: Path, tmp_path: Path, cells: tuple[str, ...], told: str
) -> None:
    notebook = write_notebook(tmp_path / "crown.ipynb", cells)
    with pytest.raises(ConvergenceError, match=told):
        publish_notebook(notebook, tmp_path / "out" / "crown", desk / "job")
    assert not (tmp_path / "out").exists(), "neither a publication, nor half of one, nor the folder for it"


def test_a_cell_that_does_not_end_has_failed(tmp_path: Path) -> None:
    cell = nbformat.v4.new_code_cell("import time\ntime.sleep(60)")
    with pytest.raises(NotebookError, match=r"cell 1 failed.*\n  not done after 1 s"):
        run_notebook(nbformat.v4.new_notebook(cells=[cell]), tmp_path, "x.ipynb", cell_seconds=1)


def refused(desk: Path, tmp_path: Path, notebook: Path, job: Path | None = None, as_of: str | None = None) -> str:
    with pytest.raises(ConvergenceError) as caught:
        publish_notebook(notebook, tmp_path / "out", job, as_of)
    assert not (tmp_path / "out").exists()
    assert "To mend:" in str(caught.value)
    return str(caught.value)


def test_what_cannot_be_published_is_told(desk: Path, tmp_path: Path) -> None:
    notebook = desk / "crown.ipynb"
    assert "expected a notebook" in refused(desk, tmp_path, desk / "none.ipynb")
    assert "expected a job folder" in refused(desk, tmp_path, notebook, tmp_path)
    assert "as-of 'yesterday'" in refused(desk, tmp_path, notebook, as_of="yesterday")
    plain = write_notebook(tmp_path / "plain.ipynb", parameters="SEED = 1")
    assert "no cell tagged 'parameters' that gives JOB" in refused(desk, tmp_path, plain, desk / "job")
    undated = write_notebook(tmp_path / "undated.ipynb", parameters='JOB = "job"')
    assert "takes no AS_OF" in refused(desk, tmp_path, undated, desk / "job", "2031-05-20T00:00:00Z")
    named = write_notebook(tmp_path / "named.ipynb", parameters=PARAMETERS.replace('"job"', repr(str(desk / "job"))))
    assert "cell 2 names a folder of this machine" in refused(desk, tmp_path, named)


def test_a_link_in_the_job_is_refused(desk: Path, tmp_path: Path) -> None:
    job = write_job(tmp_path / "job")
    (tmp_path / "secret.csv").write_text("x")
    (job / "more.csv").symlink_to(tmp_path / "secret.csv")
    assert "a link or no plain file" in refused(desk, tmp_path, desk / "crown.ipynb", job)


def test_fingerprints_alone(desk: Path, tmp_path: Path) -> None:
    made = publish_notebook(desk / "crown.ipynb", tmp_path / "out", inputs="fingerprints", as_of="2031-05-20T00:00:00Z")
    assert files(made.folder) == OWN
    manifest, _ = read_manifest(made.folder)
    assert set(manifest.inputs) == set(job_files())
    assert not manifest.inputs_kept
    assert {item.name: item.value for item in made.claims}["readings of A-CR"] < 36
