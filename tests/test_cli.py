"""The command line: 0 done, 1 the input is at fault, 2 usage; one clear message, never a traceback."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from convergence import cli
from convergence.cli.options import print_width, progress_bar
from convergence.triggers import COLUMNS

TOP = Path(__file__).parent.parent
DATE = "2023-04-01T06:00:00Z"
CutSample = Callable[[Path, Sequence[str]], Path]
Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def job(cut_sample: CutSample, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two sections of the sample job."""
    return cut_sample(tmp_path_factory.mktemp("cli") / "job", ("S1172", "S1184"))


def run(capsys: Capture, *arguments: object) -> tuple[int, str, str]:
    """Exit code, what went to stdout, what went to stderr."""
    code = cli.main([str(argument) for argument in arguments])
    told = capsys.readouterr()
    return code, told.out, told.err


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


class TestDone:
    def test_check(self, job: Path, capsys: Capture) -> None:
        code, out, err = run(capsys, "check", job)
        assert (code, err) == (0, "")
        assert "rows read" in out
        assert "set aside, spike (1)" in out

    def test_check_at_a_date(self, job: Path, capsys: Capture) -> None:
        code, out, _ = run(capsys, "check", job, "--as-of", DATE)
        assert code == 0
        assert "2023-04-01T06:00:00Z" in out

    def test_outlook_without_figures(self, job: Path, tmp_path: Path, capsys: Capture) -> None:
        before = contents(job)
        code, out, err = run(
            capsys, "outlook", job, "--as-of", DATE, "--out", tmp_path / "new" / "here", "--no-figures"
        )
        assert (code, err) == (0, ""), "no progress bar where nobody watches"
        assert "outlook at 2023-04-01T06:00:00Z" in out
        assert "support and never replace" in out
        table = (tmp_path / "new" / "here" / "outlook.csv").read_text(encoding="utf-8").splitlines()
        assert table[0] == ",".join(COLUMNS)
        assert len(table) > 30
        names = ("outlook", "passages", "changes", "settled")
        assert contents(tmp_path).keys() == {
            *(f"new/here/{name}.csv" for name in names),
            "new/here/forecast_log.jsonl",
        }
        assert contents(job) == before, "the job folder is as it was"

    def test_worker_processes_write_the_same_bytes(self, job: Path, tmp_path: Path, capsys: Capture) -> None:
        for jobs in ("1", "2"):
            options = ("--as-of", DATE, "--out", tmp_path / jobs, "--jobs", jobs, "--no-figures")
            assert run(capsys, "outlook", job, *options)[0] == 0
        one, two = ((tmp_path / jobs / "outlook.csv").read_bytes() for jobs in ("1", "2"))
        assert one == two

    def test_outlook_draws_an_overview_and_a_figure_a_section(self, job: Path, tmp_path: Path, capsys: Capture) -> None:
        code, out, err = run(capsys, "outlook", job, "--as-of", DATE, "--out", tmp_path)
        assert (code, err) == (0, "")
        drawn = {name for name in contents(tmp_path) if name.endswith(".png")}
        assert len(drawn) == 3
        assert all(contents(tmp_path)[name].startswith(b"\x89PNG") for name in drawn)
        assert "2 figures" in out

    def test_help(self, capsys: Capture) -> None:
        code, out, _ = run(capsys, "--help")
        assert code == 0
        for command in ("check", "outlook", "example"):
            assert command in out

    def test_example(self, tmp_path: Path, capsys: Capture) -> None:
        """Written once; a second time the folder is not empty, and nothing in it is touched."""
        folder = tmp_path / "example"
        code, out, _ = run(capsys, "example", folder)
        assert code == 0
        assert "convergence outlook" in out
        assert (folder / "tunnel.toml").is_file()
        before = contents(folder)
        code, out, err = run(capsys, "example", folder)
        assert (code, out) == (1, "")
        assert str(folder) in err
        assert "name a new or an empty folder" in err
        assert contents(folder) == before


class TestTheInputIsAtFault:
    def refused(self, capsys: Capture, *arguments: object) -> str:
        code, out, err = run(capsys, *arguments)
        assert code == 1
        assert out == ""
        assert "Traceback" not in err
        assert "To mend" in err
        return err

    @pytest.mark.parametrize("command", ["check", "outlook"])
    def test_a_folder_that_is_not_there(self, tmp_path: Path, capsys: Capture, command: str) -> None:
        assert str(tmp_path / "nowhere") in self.refused(capsys, command, tmp_path / "nowhere")

    def test_a_file_for_a_folder(self, job: Path, capsys: Capture) -> None:
        assert "tunnel.toml" in self.refused(capsys, "check", job / "tunnel.toml")

    def test_an_empty_folder(self, tmp_path: Path, capsys: Capture) -> None:
        err = self.refused(capsys, "outlook", tmp_path)
        for file in ("tunnel.toml", "prisms.csv", "advance.csv", "readings.csv"):
            assert file in err, "all faults come together"

    @pytest.mark.parametrize("command", ["check", "outlook"])
    def test_a_broken_folder(self, job: Path, tmp_path: Path, capsys: Capture, command: str) -> None:
        broken = tmp_path / "job"
        shutil.copytree(job, broken)
        settings = broken / "tunnel.toml"
        settings.write_text(settings.read_text().replace("width_m = 12.0", 'width_m = "wide"'))
        with (broken / "prisms.csv").open("a") as stream:
            stream.write("S1172-CR,S1172,crown,1172.0,0.0,7.9\n")
        err = self.refused(capsys, command, broken)
        assert "tunnel.toml:" in err
        assert "'wide'" in err
        assert "prisms.csv:" in err

    @pytest.mark.parametrize("date", ["yesterday", "2023-04-01", "2023-04-01T06:00:00", "2023-13-01T06:00:00Z", ""])
    def test_a_date_that_is_none(self, job: Path, capsys: Capture, date: str) -> None:
        assert "as-of" in self.refused(capsys, "check", job, "--as-of", date)

    def test_a_date_before_everything(self, job: Path, capsys: Capture) -> None:
        self.refused(capsys, "outlook", job, "--as-of", "2019-01-01T00:00:00Z")

    @pytest.mark.parametrize("inside", [".", "readings", "../job"])
    def test_results_do_not_go_among_the_inputs(self, job: Path, capsys: Capture, inside: str) -> None:
        before = contents(job)
        err = self.refused(capsys, "outlook", job, "--out", job / inside)
        assert "--out" in err
        assert contents(job) == before

    def test_a_folder_that_cannot_be_written(self, job: Path, tmp_path: Path, capsys: Capture) -> None:
        (tmp_path / "file").write_text("not a folder")
        options = ("--as-of", DATE, "--out", tmp_path / "file" / "below", "--no-figures")
        code, _, err = run(capsys, "outlook", job, *options)
        assert code == 1
        assert "Traceback" not in err
        assert str(tmp_path / "file") in err
        assert "To mend" in err


class TestUsage:
    @pytest.mark.parametrize(
        "arguments",
        [
            (),
            ("chekc", "job"),
            ("check",),
            ("outlook", "job", "--jobs", "0"),
            ("outlook", "job", "--jobs", "-1"),
            ("outlook", "job", "--jobs", "two"),
            ("outlook", "job", "--jobs", "1.5"),
            ("outlook", "job", "--asof", "2023-04-01T06:00:00Z", "--no-such-option"),
            ("example",),
        ],
    )
    def test_what_nobody_understands(self, capsys: Capture, arguments: tuple[str, ...]) -> None:
        code, out, err = run(capsys, *arguments)
        assert (code, out) == (2, "")
        assert "usage:" in err
        assert "Traceback" not in err


class TestInterruptions:
    def test_ctrl_c(self, job: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
        def interrupted(_: object) -> int:
            raise KeyboardInterrupt

        monkeypatch.setattr(cli.check, "_run", interrupted)
        assert run(capsys, "check", job) == (1, "", "stopped\n")

    def test_a_defect_is_not_hidden(self, job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Only what the library raises on purpose becomes a message; a programming error keeps its traceback."""

        def defect(_: object) -> int:
            raise ZeroDivisionError("in a formula")

        monkeypatch.setattr(cli.check, "_run", defect)
        with pytest.raises(ZeroDivisionError):
            cli.main(["check", str(job)])

    @pytest.mark.parametrize(("command", "lines"), [("check", 0), ("check", 1), ("--help", 0)])
    def test_a_reader_of_the_pipe_that_goes_away(self, job: Path, command: str, lines: int) -> None:
        """As `check JOB | head -1` does: no traceback, no complaint of the interpreter at its end.

        Short output waits in the interpreter's buffer until then, so both short and long are tried.
        """
        arguments = [command, str(job)] if command == "check" else [command]
        process = subprocess.Popen(
            [sys.executable, "-m", "convergence.cli", *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            cwd=TOP,
            env={**os.environ, "PYTHONPATH": str(TOP), "PYTHONUNBUFFERED": ""},
        )
        assert process.stdout is not None
        assert process.stderr is not None
        for _ in range(lines):
            assert process.stdout.readline()
        process.stdout.close()
        told = process.stderr.read()
        process.stderr.close()
        assert process.wait(timeout=60) == 0
        assert told == b""

    def test_a_reader_that_goes_away_does_not_turn_a_failure_into_success(self, tmp_path: Path) -> None:
        """Of a review that does not hold the exit code stays 1, and the sheet is written."""
        code = (
            "import os, sys\nfrom convergence import cli\n"
            "def command(options):\n    print('x' * 100_000, flush=True)\n"
            "    print('done', file=sys.stderr)\n    return 1\n"
            "cli.check._run = command\nsys.exit(cli.main(['check', 'job']))"
        )
        process = subprocess.Popen(
            [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=TOP, text=True
        )
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        assert process.stderr.read() == "done\n"
        process.stderr.close()
        assert process.wait(timeout=60) == 1


class TestTheBar:
    def test_on_a_terminal_it_shows_and_wipes_itself(self, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
        bar = progress_bar("projecting")
        assert bar is not None
        bar(1, 4)
        bar(4, 4)
        told = capsys.readouterr().err
        assert "projecting [" in told
        assert "1/4" in told
        assert told.endswith("\r"), "what comes next begins at the start of the line"

    def test_in_a_pipe_there_is_none(self, capsys: Capture) -> None:
        assert progress_bar("projecting") is None

    def test_nothing_to_do_is_no_division_by_zero(self, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
        bar = progress_bar("drawing")
        assert bar is not None
        bar(0, 0)


def test_the_width_follows_the_terminal_within_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    for columns, width in ((10, 80), (100, 100), (500, 160)):
        monkeypatch.setenv("COLUMNS", str(columns))
        assert print_width() == width
