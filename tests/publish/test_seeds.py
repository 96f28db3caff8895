"""Seeds that are set, and draws that no seed holds, as they are written."""

from __future__ import annotations

from pathlib import Path

import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from convergence.publish.seeds import library_seeds, notebook_seeds


def test_seeds_that_are_set() -> None:
    cells = [
        new_markdown_cell("default_rng(3)"),
        new_code_cell("%matplotlib inline\nimport numpy as np\nfrom numpy.random import default_rng as dice"),
        new_code_cell("one = np.random.default_rng(SEED)\ntwo = dice(seed=8); dice(9)"),
        new_code_cell("back_analysis(job, seed=SEED + 1)"),
    ]
    found = notebook_seeds(new_notebook(cells=cells))
    assert found.found == {
        "cell 3: numpy.random.default_rng": "SEED; 8; 9",
        "cell 4: back_analysis": "SEED + 1",
    }
    assert found.unseeded == ()


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("np.random.default_rng()", "np.random.default_rng()"),
        ("np.random.default_rng(None).normal()", "np.random.default_rng(None)"),
        ("fit(x, random_state=None)", "fit(x, random_state=None)"),
        ("np.random.seed()", "np.random.seed()"),
        ("np.random.normal(0, 1)", "np.random.normal(0, 1)"),
        ("import random\nrandom.choice([1, 2])", "random.choice([1, 2])"),
        ("from random import random as draw\ndraw()", "draw()"),
        ("import secrets\nsecrets.token_hex()", "secrets.token_hex()"),
        ("import uuid\nuuid.uuid4()", "uuid.uuid4()"),
    ],
)
def test_draws_that_no_seed_holds(line: str, told: str) -> None:
    cells = [new_code_cell("import numpy as np"), new_code_cell(line)]
    assert notebook_seeds(new_notebook(cells=cells)).unseeded == (f"cell 2: {told}",)


def test_a_seed_of_the_module_holds_its_draws() -> None:
    cells = [new_code_cell("import numpy as np\nnp.random.seed(3)"), new_code_cell("np.random.normal()")]
    assert notebook_seeds(new_notebook(cells=cells)).unseeded == ()
    other = [new_code_cell("import random\nrandom.seed(3)"), new_code_cell("import numpy as np\nnp.random.normal()")]
    assert notebook_seeds(new_notebook(cells=other)).unseeded == ("cell 2: np.random.normal()",)


def test_cells_that_are_no_python_are_passed_over() -> None:
    cells = [new_code_cell("%%bash\nls"), new_code_cell("this is (no python"), new_code_cell("generator.normal()")]
    found = notebook_seeds(new_notebook(cells=cells))
    assert (found.found, found.unseeded) == ({}, ())


def test_seeds_of_the_library(tmp_path: Path) -> None:
    (tmp_path / "laws").mkdir()
    (tmp_path / "laws" / "draw.py").write_text(
        "def draw(count, *, seed: int = 4):\n    return np.random.default_rng(seed)\n", encoding="utf-8"
    )
    assert library_seeds(tmp_path) == {"laws.draw": "np.random.default_rng(seed); draw(seed=4)"}
    assert library_seeds()["lining.back_analysis"] == "np.random.default_rng(seed + 1); back_analysis(seed=0)"
