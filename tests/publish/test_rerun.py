"""Reruns: what holds, and every way of tampering found and named."""

from __future__ import annotations

import hashlib
import json
import pickle
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import nbformat
import pytest

from convergence import cli
from convergence.cli.rerun import CODES
from convergence.errors import ConvergenceError
from convergence.publish.fingerprints import Changes
from convergence.publish.kernel import NotebookError
from convergence.publish.notebook import cell_marks
from convergence.publish.publication import Publication, publish_notebook
from convergence.publish.rerun import review_publication
from convergence.publish.review import OTHER, Review
from convergence.publish.sheet import review_sheet
from tests.helpers import write_job
from tests.publish.conftest import READ, write_notebook

Capture = pytest.CaptureFixture[str]
NOTEBOOK, INPUT = "crown.ipynb", "inputs/job/readings.csv"


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text, f"{old!r} is not in {path.name}"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def forge(folder: Path, *names: str) -> None:
    """Write the fingerprints of changed files into the manifest, as a careful forger does."""
    path = folder / "manifest.json"
    manifest = json.loads(path.read_text(encoding="utf-8"))
    for name in names:
        data = (folder / name).read_bytes()
        mark = {"sha256": hashlib.sha256(data).hexdigest(), "size": len(data), "lines": data.count(b"\n")}
        kind, key = ("inputs", name.removeprefix("inputs/job/")) if name.startswith("inputs/") else ("files", name)
        manifest[kind][key] = mark
    if NOTEBOOK in names:
        manifest["cells"] = cell_marks(nbformat.read(folder / NOTEBOOK, as_version=4))
    path.write_text(json.dumps(manifest, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def test_an_untouched_publication_holds(published: Publication, tmp_path: Path) -> None:
    before = {path: path.read_bytes() for path in published.folder.rglob("*") if path.is_file()}
    told: list[str] = []
    review = review_publication(published.folder, fingerprint=published.fingerprint[:16].upper(), announce=told.append)
    assert review.holds
    assert review.counts == {"same": 3, "within tolerance": 0, "different": 0, "missing": 0, "new": 0}
    assert [item.verdict for item in review.figures] == ["same"]
    assert review.environment == ()
    assert len(told) == 1
    assert "runs the code of crown.ipynb (5 cells)" in told[0]
    assert {path: path.read_bytes() for path in published.folder.rglob("*") if path.is_file()} == before
    sheet = review_sheet(review)
    assert "HOLDS: 3 same" in sheet
    assert "date and signature" in sheet
    assert "last &lt;b&gt;settlement" in sheet
    assert "<b>settlement" not in sheet


def change_input(folder: Path) -> None:
    edit(folder / INPUT, "A-CR", "A-LW")


def remove_input(folder: Path) -> None:
    (folder / "inputs/job/prisms.csv").unlink()


def add_input(folder: Path) -> None:
    (folder / "inputs/job/events.csv").write_text("time,section,prism,event,note\n")


def edit_code(folder: Path) -> None:
    edit(folder / NOTEBOOK, "settlement[-1], ", "settlement[-1] - 5, ")


def edit_output(folder: Path) -> None:
    edit(folder / NOTEBOOK, '"value": 20.0', '"value": 15.0')


def remove_claim(folder: Path) -> None:
    edit(folder / NOTEBOOK, 'cv.claim(\\"readings of A-CR\\", len(settlement), \\"1\\", 0)\\n', "\\n")


def edit_claims(folder: Path) -> None:
    edit(folder / "claims.csv", "20.0", "15.0")


def edit_page(folder: Path) -> None:
    edit(folder / "crown.html", "20.00", "15.00")


def edit_environment(folder: Path) -> None:
    edit(folder / "environment.json", '"numpy": "', '"numpy": "9')


def edit_settings(folder: Path) -> None:
    edit(folder / "settings.json", '"SEED": "7"', '"SEED": "8"')


def remove_notebook(folder: Path) -> None:
    (folder / NOTEBOOK).unlink()


def add_file(folder: Path) -> None:
    (folder / "sitecustomize.py").write_text("print('hello')")


def add_empty_folder(folder: Path) -> None:
    (folder / "inputs" / "more" / "still").mkdir(parents=True)


def link_file(folder: Path) -> None:
    moved = folder.parent / "elsewhere.csv"
    shutil.move(folder / INPUT, moved)
    (folder / INPUT).symlink_to(moved)


def break_notebook(folder: Path) -> None:
    (folder / NOTEBOOK).write_text("{}")


#: What is done, what the review must say, and whether the notebook still runs.
TAMPERINGS: list[tuple[Callable[[Path], None], str, bool]] = [
    (change_input, "inputs/job/readings.csv: changed (280 lines as before)", True),
    (remove_input, "inputs/job/prisms.csv: missing", True),
    (add_input, "inputs/job/events.csv: added", True),
    (edit_code, "crown.ipynb is not the notebook that was published (cell 5 edited)", False),
    (edit_output, "crown.ipynb is not the notebook that was published (its outputs were edited)", False),
    (remove_claim, "crown.ipynb is not the notebook that was published (cell 5 edited)", False),
    (edit_claims, "claims.csv: not what the notebook shows for last <b>settlement</b> of A-CR", True),
    (edit_page, "crown.html: changed", True),
    (edit_environment, "environment.json: changed", True),
    (edit_settings, "settings.json: changed", True),
    (remove_notebook, "not run: the notebook is missing", False),
    (add_file, "sitecustomize.py: added", True),
    (add_empty_folder, "inputs/more/: added (an empty folder)", True),
    (link_file, "inputs/job/readings.csv: a link or no plain file", False),
    (break_notebook, "crown.ipynb is no notebook any more", False),
]


@pytest.mark.parametrize(("tamper", "told", "runs"), TAMPERINGS, ids=lambda item: getattr(item, "__name__", None))
def test_tampering_is_caught(
    copy: Path, tamper: Callable[[Path], None], told: str, runs: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if tamper not in (change_input, edit_claims):
        # what is found in the files is found before anything runs; two of them run in full
        monkeypatch.setattr("convergence.publish.rerun.run_given", stopped)
    tamper(copy)
    review = review_publication(copy)
    assert not review.holds
    assert told in "\n".join(review.reasons)
    assert bool(review.refused) is not runs
    assert "DOES NOT HOLD" in review_sheet(review)


def stopped(*_: object) -> None:
    raise NotebookError("stopped here by the test")


def test_a_changed_input_moves_claims_and_is_given_as_the_reason(copy: Path) -> None:
    edit(copy / INPUT, "A-CR", "A-LW")
    review = review_publication(copy)
    verdicts = {item.name: (item.verdict, item.why) for item in review.claims}
    assert verdicts["readings of A-CR"] == ("different", "inputs (readings.csv)")
    assert verdicts["state of A-CR"][0] == "same"


@pytest.mark.parametrize(
    ("tamper", "names", "told"),
    [
        (edit_claims, ("claims.csv",), "1 of 3 claims do not hold: last <b>settlement</b> of A-CR"),
        (remove_claim, (NOTEBOOK,), "1 of 3 claims do not hold: readings of A-CR"),
        (edit_code, (NOTEBOOK,), "1 of 3 claims do not hold: last <b>settlement</b> of A-CR"),
    ],
)
def test_a_forged_manifest_is_caught_by_the_numbers(
    copy: Path, tamper: Callable[[Path], None], names: tuple[str, ...], told: str
) -> None:
    tamper(copy)
    forge(copy, *names)
    review = review_publication(copy)
    assert review.refused == ""
    assert told in review.reasons


def test_a_forged_publication_is_caught_by_the_fingerprint_that_was_told(published: Publication, copy: Path) -> None:
    edit_page(copy)
    forge(copy, "crown.html")
    review = review_publication(copy, fingerprint=published.fingerprint)
    assert review.refused.startswith("not run: the publication is not the one you were told of")
    text = repr(review)
    assert (text.count(review.fingerprint), text.count(published.fingerprint)) == (1, 1)


def test_an_edited_notebook_runs_when_told_to(copy: Path) -> None:
    edit_code(copy)
    review = review_publication(copy, run_edited=True)
    assert review.refused == ""
    moved = next(item for item in review.claims if not item.holds)
    assert (moved.verdict, round(moved.difference, 9), moved.why) == ("different", -5.0, "the notebook (cell 5 edited)")
    assert not review.holds


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('"crown.html": {', '"../crown.html": {', "leaves the folder"),
        ('"readings.csv": {', '"/etc/readings.csv": {', "leaves the folder"),
        ('"readings.csv": {', '"..\\\\readings.csv": {', "leaves the folder"),
        ('"readings.csv": {', '"C:readings.csv": {', "leaves the folder"),
        ('"notebook": "crown.ipynb"', '"notebook": "../crown.ipynb"', r"no fingerprint of \.\./crown\.ipynb"),
        ('"page": "crown.html"', '"page": "/etc/hosts"', "no fingerprint of /etc/hosts"),
        ("convergence publication 1", "convergence publication 9", "expected the format"),
        ('"claims.csv": {', '"claim.csv": {', "no fingerprint of claims.csv"),
        ('"title":', '"title": "x",\n "title":', "a key stands twice"),
        ('"title":', '"titel":', "no 'title'"),
        ('"inputs_kept": true', '"inputs_kept": "yes"', "not of its kind"),
        ('"format"', '"extra": 1, "format"', "not of its kind"),
        ("{", "[", "not as a publication writes it"),
    ],
)
def test_a_manifest_that_is_none_stops_everything(copy: Path, old: str, new: str, told: str) -> None:
    edit(copy / "manifest.json", old, new)
    with pytest.raises(ConvergenceError, match=told):
        review_publication(copy)


def test_a_folder_that_is_no_publication(tmp_path: Path) -> None:
    for folder in (tmp_path, tmp_path / "none"):
        with pytest.raises(ConvergenceError, match="expected a publication"):
            review_publication(folder)


def newer(folder: Path) -> Path:
    """The job a day later, and much further down."""
    job = write_job(folder)
    with (job / "readings.csv").open("a", encoding="utf-8") as stream:
        stream.write("2031-05-27T06:00:00+02:00,A-CR,0.0,0.0,31.5\n")
    return job


def test_newer_data_tell_what_changed_in_the_conclusions(published: Publication, tmp_path: Path) -> None:
    review = review_publication(published.folder, data=newer(tmp_path / "newer"))
    assert (review.faults, review.refused, review.failure) == ((), "", "")
    assert review.inputs.sentences == ("readings.csv: changed (280 lines, now 281)",)
    found = {item.name: (item.verdict, item.why) for item in review.claims}
    assert found["last <b>settlement</b> of A-CR"] == ("different", "inputs (readings.csv)")
    assert not review.holds
    assert review.outcome == "other data, conclusions changed"
    assert "OTHER DATA, CONCLUSIONS CHANGED: 1 same, 2 different" in review_sheet(review)
    assert "figure as published" in review_sheet(review)


def test_newer_data_up_to_the_same_instant_change_nothing(published: Publication, tmp_path: Path) -> None:
    review = review_publication(published.folder, data=newer(tmp_path / "newer"), as_of="2031-05-26T00:00:00Z")
    assert review.outcome == "other data, conclusions unchanged"
    assert not review.holds, "nothing is shown of the publication on its own data"
    assert review.reasons == (OTHER,)
    assert "OTHER DATA, CONCLUSIONS UNCHANGED: 3 same" in review_sheet(review)


def test_another_instant_is_named_as_the_reason(published: Publication) -> None:
    review = review_publication(published.folder, as_of="2031-05-20T00:00:00Z")
    (moved,) = [item for item in review.claims if item.verdict == "different"]
    assert review.outcome == "other data, conclusions changed"
    assert moved.why == "data read up to 2031-05-20T00:00:00Z, published up to the end of the data"


def test_the_instant_is_the_one_the_notebook_ran_with(desk: Path, tmp_path: Path) -> None:
    instant = "2031-05-20T00:00:00Z"
    made = publish_notebook(desk / NOTEBOOK, tmp_path / "out", as_of=instant)
    assert made.as_of == instant
    text = (made.folder / "settings.json").read_text(encoding="utf-8")
    (made.folder / "settings.json").write_text(text.replace("2031-05-20", "2031-05-15"), encoding="utf-8")
    review = review_publication(made.folder)
    assert review.dates == (instant, instant)
    assert review.counts["same"] == 3
    assert review.reasons[0].startswith("settings.json: changed (")
    assert review.reasons[1:] == (
        "settings.json: not what the notebook and the inputs say (given, AS_OF; parameters, AS_OF)",
    )


def test_fingerprints_alone_need_the_job(desk: Path, tmp_path: Path) -> None:
    made = publish_notebook(desk / "crown.ipynb", tmp_path / "out", inputs="fingerprints", as_of="2031-05-20T00:00:00Z")
    with pytest.raises(ConvergenceError, match="give the job folder with --data"):
        review_publication(made.folder)
    review = review_publication(made.folder, data=desk / "job")
    assert review.holds, "the same files are read up to the published instant"
    assert review.dates == ("2031-05-20T00:00:00Z", "2031-05-20T00:00:00Z")
    assert "what --data gives are the files published, so they are read as published" in repr(review)


def test_dice_are_told(desk: Path, tmp_path: Path) -> None:
    dice = 'import os\ncv.claim("dice", int.from_bytes(os.urandom(4), "big"), "1", 0.0)\ncv.claims()'
    made = publish_notebook(write_notebook(tmp_path / "dice.ipynb", (READ, dice)), tmp_path / "out", desk / "job")
    assert made.unseeded == ("cell 4: os.urandom(4)",)
    review = review_publication(made.folder)
    (found,) = review.claims
    assert found.verdict == "different"
    assert found.why == "random numbers without a seed (cell 4: os.urandom(4))"
    settings = json.loads((made.folder / "settings.json").read_text(encoding="utf-8"))
    assert settings["unseeded"] == {"1": "cell 4: os.urandom(4)"}
    assert "os.urandom(4)" in review_sheet(review)
    assert "drawn without a seed, so it comes out otherwise each time: cell 4" in repr(review)


class TestCommands:
    def run(self, capsys: Capture, *arguments: object) -> tuple[int, str, str]:
        code = cli.main([str(argument) for argument in arguments])
        told = capsys.readouterr()
        return code, told.out, told.err

    def test_publish_and_rerun(self, desk: Path, tmp_path: Path, capsys: Capture) -> None:
        place = tmp_path / "crown"
        code, out, err = self.run(capsys, "publish", desk / NOTEBOOK, "--job", desk / "job", "--out", place)
        assert (code, err) == (0, "")
        fingerprint = out.split("fingerprint ")[1].split()[0]
        assert self.run(capsys, "publish", desk / NOTEBOOK, "--out", place)[0] == 1
        code, out, err = self.run(capsys, "rerun", place, "--fingerprint", fingerprint)
        assert code == 0
        assert err.startswith("rerun runs the code of crown.ipynb")
        assert "HOLDS: 3 same" in out
        assert (tmp_path / "crown-review.html").is_file()
        edit_code(place)
        signed = (tmp_path / "crown-review.html").read_bytes()
        code, out, err = self.run(capsys, "rerun", place)
        assert (code, err) == (1, ""), "nothing was run, nothing is said to be"
        assert "cell 5 edited" in out
        assert (tmp_path / "crown-review-2.html").is_file()
        assert (tmp_path / "crown-review.html").read_bytes() == signed

    def test_a_sheet_overwrites_nothing(self, copy: Path, desk: Path, tmp_path: Path, capsys: Capture) -> None:
        (tmp_path / "sheet.html").write_text("signed")
        for sheet in (tmp_path / "sheet.html", copy / "sheet.html"):
            code, _, err = self.run(capsys, "rerun", copy, "--sheet", sheet)
            assert code == 1
            assert "To mend" in err
        code, _, err = self.run(capsys, "rerun", copy, "--data", desk / "job", "--sheet", desk / "job" / "sheet.html")
        assert code == 1
        assert "job's own" in err

    def test_every_outcome_has_its_exit_code(
        self, published: Publication, copy: Path, desk: Path, tmp_path: Path, capsys: Capture
    ) -> None:
        job, sheet = newer(tmp_path / "newer"), tmp_path / "sheets"
        same = ("--as-of", "2031-05-26T00:00:00Z")
        assert self.run(capsys, "rerun", copy, "--data", desk / "job", "--sheet", sheet / "0.html")[0] == 0
        code, out, _ = self.run(capsys, "rerun", copy, "--data", job, *same, "--sheet", sheet / "3.html")
        assert (code, "OTHER DATA, CONCLUSIONS UNCHANGED" in out, OTHER in out) == (3, True, True)
        code, out, _ = self.run(capsys, "rerun", copy, "--data", job, "--sheet", sheet / "4.html")
        assert (code, "OTHER DATA, CONCLUSIONS CHANGED" in out) == (4, True)
        edit_page(copy)
        code, out, _ = self.run(capsys, "rerun", copy, "--data", job, *same, "--sheet", sheet / "1.html")
        assert (code, "DOES NOT HOLD" in out) == (1, True), "a folder that is not whole comes before the news"
        assert self.run(capsys, "rerun", tmp_path, "--sheet", sheet / "none.html")[0] == 1

    def test_help_tells_the_exit_codes(self, capsys: Capture) -> None:
        code, out, _ = self.run(capsys, "rerun", "-h")
        assert code == 0
        for number in CODES.values():
            assert f"\n  {number}  " in out

    def test_usage(self, capsys: Capture) -> None:
        assert self.run(capsys, "publish", "x.ipynb")[0] == 2
        assert self.run(capsys, "rerun")[0] == 2
        for command in (
            ("publish", "x.ipynb", "--out", "unused", "--as-of", "yesterday"),
            ("rerun", "unused", "--as-of", "yesterday"),
            ("rerun", "unused", "--as-of", "2031-05-20"),
            ("rerun", "unused", "--fingerprint", "zz"),
            ("rerun", "unused", "--fingerprint", "0123456789abcdeg"),
            ("rerun", "unused", "--fingerprint", "0" * 65),
        ):
            code, _, err = self.run(capsys, *command)
            assert code == 2
            assert f"argument {command[-2]}: '{command[-1]}': expected" in err

    def test_draws_without_a_seed_are_printed(
        self, published: Publication, capsys: Capture, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        made = replace(published, unseeded=("cell 4: os.urandom(4)",))
        monkeypatch.setattr("convergence.publish.publication.publish_notebook", lambda *_: made)
        _, out, _ = self.run(capsys, "publish", "x.ipynb", "--out", "unused")
        assert "drawn without a seed, so a rerun comes out otherwise:\n  cell 4: os.urandom(4)\n" in out


def test_a_review_is_plain_data() -> None:
    review = Review(
        "n", "t", "p", "f", "r", (), "", "", (), (), (), {}, False, Changes((), (), (), {}), ("", ""), "", 1.0
    )
    assert pickle.loads(pickle.dumps(review)) == review
    assert review.holds
