"""What is found in a folder before anything runs: beyond the manifest, beside links, and what is no fault."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import nbformat
import pytest

from convergence.errors import ConvergenceError
from convergence.publish import kernel
from convergence.publish.claimed_names import written_claims
from convergence.publish.environment import environment
from convergence.publish.fingerprints import mark_file
from convergence.publish.folders import list_files
from convergence.publish.manifest import read_manifest
from convergence.publish.names import hidden_name
from convergence.publish.page import notebook_page
from convergence.publish.publication import Publication, publish_notebook
from convergence.publish.rerun import review_publication
from convergence.publish.sheet import review_sheet
from convergence.publish.verify import Verified, verify_publication
from tests.helpers import job_files, write_job
from tests.publish.conftest import CLAIM, READ, write_notebook
from tests.publish.test_rerun import NOTEBOOK, edit, edit_code, forge, remove_claim, stopped


def looked_at(folder: Path, run_edited: bool = False) -> Verified:
    return verify_publication(folder, None, run_edited)


def test_an_untouched_folder_has_no_fault_and_no_note(published: Publication) -> None:
    found = looked_at(published.folder)
    assert (found.faults, found.notes, found.refused, found.edited) == ((), (), "", "")


def forge_page(folder: Path) -> None:
    edit(folder / "crown.html", "<td>20.00</td>", "<td>15.00</td>")
    forge(folder, "crown.html")


def forge_look(folder: Path) -> None:
    edit(folder / "crown.html", "max-width: 60em", "max-width: 61em")
    forge(folder, "crown.html")


def forge_picture(folder: Path) -> None:
    edit(folder / "crown.html", "data:image/png;base64,iVBOR", "data:image/png;base64,iVBOS")
    forge(folder, "crown.html")


def forge_kernel(folder: Path) -> None:
    edit(folder / "settings.json", '"LC_ALL": "C.UTF-8"', '"LC_ALL": "XX"')
    forge(folder, "settings.json")


def forge_seed(folder: Path) -> None:
    edit(folder / "settings.json", '"SEED": "7"', '"SEED": "8"')
    forge(folder, "settings.json")


def forge_toml(folder: Path) -> None:
    edit(folder / "settings.json", '"tunnel.toml": "', '"tunnel.toml": "# ')
    forge(folder, "settings.json")


def forge_cells(folder: Path) -> None:
    edit(folder / "settings.json", '"cells": "5"', '"cells": "4"')
    forge(folder, "settings.json")


def forge_environment(folder: Path) -> None:
    (folder / "environment.json").write_text("[]", encoding="utf-8")
    forge(folder, "environment.json")


def forge_title(folder: Path) -> None:
    edit(folder / "manifest.json", '"title": "Crown of <A>"', '"title": "Crown of B"')


@pytest.mark.parametrize(
    ("tamper", "told"),
    [
        (forge_page, "crown.html: does not show what the notebook shows ('15.00', in the notebook '20.00')"),
        (forge_look, "crown.html: not the page of the notebook, though it says the same"),
        (forge_picture, "crown.html: does not show what the notebook shows ('the picture data:image/png;base64,iVBOS"),
        (forge_kernel, "settings.json: not what the notebook and the inputs say (kernel, LC_ALL)"),
        (forge_seed, "settings.json: not what the notebook and the inputs say (parameters, SEED)"),
        (forge_toml, "settings.json: not what the notebook and the inputs say (job, tunnel.toml)"),
        (forge_cells, "settings.json: not what the notebook and the inputs say (run, cells)"),
        (forge_environment, "environment.json: cannot be read"),
        (forge_title, "manifest.json: its title is not the notebook's, 'Crown of <A>'"),
    ],
)
def test_a_forged_manifest_does_not_hide_what_can_be_worked_out_again(
    copy: Path, tamper: Callable[[Path], None], told: str
) -> None:
    tamper(copy)
    found = looked_at(copy)
    (fault,) = [line for line in found.faults if line.startswith(told.split(":")[0])]
    assert fault.startswith(told)
    assert found.refused == ""


def test_another_library_is_told_and_what_it_alone_knows_is_not_compared(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = environment()
    other = {**here, "library": {"code": "1" * 64}, "packages": {**here["packages"], "nbconvert": "0"}}
    monkeypatch.setattr("convergence.publish.verify.environment", lambda: other)
    forge_look(copy)
    forge_kernel(copy)
    found = looked_at(copy)
    assert found.faults == ()
    assert len(found.notes) == 2
    forge_page(copy)
    assert "crown.html: does not show" in looked_at(copy).faults[0]


def test_a_holding_verdict_says_what_it_stands_on(
    published: Publication, copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = "As far as this folder can tell by itself HOLDS: 3 same; fingerprint not compared"
    review = review_publication(copy)
    assert first in repr(review)
    assert first in review_sheet(review)
    monkeypatch.setattr("convergence.publish.rerun.run_given", stopped)
    assert "As far as" not in repr(review_publication(copy)), "what does not hold needs no such words"


def test_links_pipes_and_odd_names_hide_nothing(copy: Path) -> None:
    (copy / "zz").symlink_to("/etc/passwd")
    (copy / "more").symlink_to("/etc")
    os.mkfifo(copy / "pipe")
    (copy / "a<b>.txt").write_text("x")
    edit(copy / "claims.csv", "20.0", "15.0")
    found = looked_at(copy)
    told = "\n".join(found.faults)
    for name in ("zz", "more", "pipe"):
        assert f"{name}: a link or no plain file, not looked at" in found.faults
    assert "a<b>.txt: added (a name that not every system can keep)" in found.faults
    assert "claims.csv: changed" in told
    assert "claims.csv: not what the notebook shows" in told
    assert "empty" not in told
    assert found.refused == "not run: what goes through a link is not in the folder"


def test_a_file_that_cannot_be_read_is_a_fault_beside_the_others(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = Path.open

    def closed(self: Path, *arguments: object, **words: object) -> object:
        if self.name == "claims.csv":
            raise PermissionError(13, "Permission denied", str(self))
        return real(self, *arguments, **words)  # type: ignore[call-overload]

    edit(copy / "crown.html", "20.00", "15.00")
    monkeypatch.setattr(Path, "open", closed)
    told = "\n".join(looked_at(copy).faults)
    assert "claims.csv: cannot be read (Permission denied)" in told
    assert "crown.html: changed" in told


def test_what_a_file_manager_leaves_is_a_note(copy: Path) -> None:
    for name in (".DS_Store", "inputs/job/Thumbs.db", ".cache/x"):
        (copy / name).parent.mkdir(exist_ok=True)
        (copy / name).write_bytes(b"x")
    found = looked_at(copy)
    assert found.faults == ()
    assert len(found.notes) == 3
    assert all(note.endswith("left by a file manager or an editor, not looked at") for note in found.notes)
    assert hidden_name(".cache/x")
    assert "Thumbs.db" not in list_files(copy / "inputs/job", hidden=False), "nor does a notebook see it"


def test_line_ends_alone_are_told(copy: Path) -> None:
    for name in ("claims.csv", NOTEBOOK):
        (copy / name).write_bytes((copy / name).read_bytes().replace(b"\n", b"\r\n"))
    found = looked_at(copy)
    assert "claims.csv: changed (its line ends only, the content is the same)" in found.faults
    assert "its line ends were changed" in found.refused


def add_claim(folder: Path) -> None:
    edit(folder / NOTEBOOK, "cv.claims()", 'cv.claim(\\"more\\", 1, \\"mm\\")\\ncv.claims()')


def test_claims_taken_out_or_put_in_are_named_without_running(copy: Path) -> None:
    remove_claim(copy)
    add_claim(copy)
    found = looked_at(copy)
    assert "crown.ipynb: as it is written now it no longer claims readings of A-CR" in found.faults
    assert "crown.ipynb: as it is written now it also claims more" in found.faults
    assert "cell 5 edited" in found.refused


def test_names_that_are_put_together_are_known_by_what_is_written() -> None:
    cell = nbformat.v4.new_code_cell(
        '%time\ncv.claim(f"final of {section}, {n} mm", 1, "mm")\nclaim(name="whole", value=2)'
    )
    found = written_claims(nbformat.v4.new_notebook(cells=[cell]))
    assert [found.may_make(name) for name in ("final of S1, 3 mm", "whole", "lost of S1")] == [True, True, False]
    cell.source += '\ncv.claim(name, 1, "mm")'
    assert written_claims(nbformat.v4.new_notebook(cells=[cell])).may_make("anything")


def test_an_edited_notebook_run_as_told_is_a_fault(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("convergence.publish.rerun.run_given", stopped)
    edit_code(copy)
    review = review_publication(copy, run_edited=True)
    assert "crown.ipynb: cell 5 edited, run as told" in review.faults
    assert "cell 5 edited, run as told" in review_sheet(review)
    assert review.outcome == "does not hold"


def test_inputs_cannot_be_told_as_other_files(copy: Path) -> None:
    path = copy / "manifest.json"
    told = json.loads(path.read_text(encoding="utf-8"))
    moved = {f"inputs/job/{name}": mark for name, mark in told["inputs"].items()}
    path.write_text(json.dumps({**told, "inputs": {}, "files": {**told["files"], **moved}}), encoding="utf-8")
    with pytest.raises(ConvergenceError, match="stands among the inputs and is not told as one"):
        read_manifest(copy)
    path.write_text(json.dumps({**told, "inputs": {}}), encoding="utf-8")
    found = looked_at(copy)
    assert found.refused == "not run: the manifest tells no inputs, and crown.ipynb reads a job"


def test_sources_are_looked_for_before_anything_is_announced(copy: Path, tmp_path: Path) -> None:
    told: list[str] = []
    with pytest.raises(ConvergenceError, match="expected a job folder"):
        review_publication(copy, data=tmp_path / "none", announce=told.append)
    edit(copy / "manifest.json", '"inputs_kept": true', '"inputs_kept": false')
    review = review_publication(copy, announce=told.append)
    assert "give the job folder with --data" in review.refused
    assert "inputs/job/readings.csv: added" in review.faults
    assert told == []


def test_fingerprints_alone_do_not_tell_the_job(desk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    toml = job_files()["tunnel.toml"]
    made = publish_notebook(desk / NOTEBOOK, tmp_path / "out", inputs="fingerprints")
    text = (made.folder / "settings.json").read_text(encoding="utf-8")
    manifest, _ = read_manifest(made.folder)
    assert json.loads(text)["job"] == {"tunnel.toml": f"sha256 {manifest.inputs['tunnel.toml'].sha256}"}
    assert not [line for line in toml.splitlines() if len(line) > 20 and json.dumps(line)[1:-1] in text]
    assert looked_at(made.folder).faults == ()


def test_a_failed_publication_leaves_no_folder(desk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fails = write_notebook(tmp_path / "fails.ipynb", (READ, "1 / 0", CLAIM))
    with pytest.raises(kernel.NotebookError):
        publish_notebook(fails, tmp_path / "new" / "deep" / "crown", desk / "job")
    assert not (tmp_path / "new").exists()
    monkeypatch.setattr(Path, "mkdir", stopped)
    with pytest.raises(ConvergenceError, match="expected a job folder"):
        publish_notebook(fails, tmp_path / "new" / "crown", tmp_path / "none")


GREY, BLACK = "fill='grey'", "fill='black'"
DRAWN = f"""from IPython.display import display
display({{"image/svg+xml": "<svg {GREY}/>"}}, raw=True)"""


def test_figures_count_where_the_environment_is_the_same(tmp_path: Path) -> None:
    """A picture swapped by a forger who wrote the page and the manifest anew."""
    folder = publish_notebook(
        write_notebook(tmp_path / NOTEBOOK, (READ, DRAWN, CLAIM)), tmp_path / "out", write_job(tmp_path / "job")
    ).folder
    notebook = nbformat.read(folder / NOTEBOOK, as_version=4)
    (drawing,) = [cell for cell in notebook.cells if "svg" in cell.source]
    drawing.outputs[0].data["image/svg+xml"] = f"<svg {BLACK}/>"
    nbformat.write(notebook, folder / NOTEBOOK)
    (folder / "crown.html").write_text(notebook_page(notebook, "Crown of <A>"), encoding="utf-8")
    forge(folder, "crown.html")
    mark_alone(folder, NOTEBOOK)
    review = review_publication(folder)
    assert review.faults == ()
    assert "DOES NOT HOLD: 3 same; 1 of 1 figures differs, look" in repr(review)
    assert review.reasons == (
        "the environment is the one published and figures differ in cell 4 (100.0% of its elements)",
    )
    edit(folder / "environment.json", '"numpy": "', '"numpy": "9')
    forge(folder, "environment.json")
    elsewhere = review_publication(folder)
    assert "As far as this folder can tell by itself HOLDS: 3 same; 1 of 1 figures differs, look" in repr(elsewhere)


def mark_alone(folder: Path, name: str) -> None:
    """The mark of a file written anew, its cells left as they were."""
    told = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    mark = mark_file(folder / name)
    told["files"][name] = {"sha256": mark.sha256, "size": mark.size, "lines": mark.lines}
    (folder / "manifest.json").write_text(json.dumps(told), encoding="utf-8")
