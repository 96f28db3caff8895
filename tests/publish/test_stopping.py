"""Commands that are stopped: one line, exit code 130, no kernel, no temporary folder, nothing published."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from convergence import cli
from convergence.publish.publication import Publication
from tests.publish.conftest import CLAIM, READ, write_notebook

LONGEST_WAIT = 120.0
#: It tells the process number of its kernel and then sits still.
WAIT = """import os, pathlib, time
place = pathlib.Path(os.environ["TOLD"])
place.with_suffix(".new").write_text(str(os.getpid()))
place.with_suffix(".new").replace(place)
time.sleep(600)"""


def wait_for(path: Path, process: subprocess.Popen[str]) -> int:
    end = time.monotonic() + LONGEST_WAIT
    while not path.exists():
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < end
        time.sleep(0.05)
    return int(path.read_text())


def is_running(number: int) -> bool:
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.mark.skipif(os.name != "posix", reason="signals of this kind are those of POSIX")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_stopped_publication_leaves_nothing(desk: Path, tmp_path: Path, number: signal.Signals) -> None:
    notebook = write_notebook(tmp_path / "waits.ipynb", (READ, WAIT, CLAIM))
    # short, for a kernel's socket lies in it and systems take no long name for one
    rooms = Path(tempfile.mkdtemp(prefix="r"))
    command = [sys.executable, "-m", "convergence.cli", "publish", str(notebook), "--job", str(desk / "job")]
    process = subprocess.Popen(
        [*command, "--out", str(tmp_path / "new" / "waits")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(rooms), "TOLD": str(tmp_path / "told")},
    )
    try:
        kernel = wait_for(tmp_path / "told", process)
        process.send_signal(number)
        out, err = process.communicate(timeout=LONGEST_WAIT)
    finally:
        process.kill()
    assert (process.returncode, out, err) == (130, "", "stopped\n")
    assert not is_running(kernel)
    rooms.rmdir()  # fails where anything was left
    assert not (tmp_path / "new").exists()


def test_every_command_that_runs_a_notebook_can_be_stopped(
    published: Publication, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> None:
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(5.0)

    before = signal.getsignal(signal.SIGTERM)
    monkeypatch.setattr("convergence.publish.rerun.review_publication", interrupted)
    monkeypatch.setattr("convergence.publish.publication.publish_notebook", interrupted)
    sheet = tmp_path / "new" / "sheet.html"
    for command in (["rerun", str(published.folder), "--sheet", str(sheet)], ["publish", "x.ipynb", "--out", "unused"]):
        assert cli.main(command) == 130
        assert capsys.readouterr() == ("", "stopped\n")
    assert signal.getsignal(signal.SIGTERM) == before
    assert not sheet.exists()
