"""docs/python.md: every block of code runs, and prints what the page shows. So does README.md.

The last one needs a microphone: tests/live/test_api_live.py.
"""

from __future__ import annotations

import doctest
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
#: Each block with what it prints, "" where nothing is shown.
BLOCKS = re.findall(r"^```python\n(.*?)^```\n(?:\n```text\n(.*?)^```\n)?", PAGE, re.M | re.S)
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")

#: The last digit moves as the readings are sharpened, a fifth of a cent may not.
WITHIN = 0.15


def run(code: str, folder: Path) -> str:
    """What a program prints that runs in ``folder``, where samples/ lies."""
    shutil.copytree(ROOT / "samples", folder / "samples")
    (folder / "program.py").write_text(code, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "program.py"],
        cwd=folder,
        env={**os.environ, "MPLBACKEND": "Agg"},
        capture_output=True,
        encoding="utf-8",
        timeout=250,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def numbers(text: str) -> list[float]:
    return [float(number) for number in NUMBER.findall(text)]


def test_the_page_has_its_blocks() -> None:
    assert PAGE.count("```") == 2 * (len(BLOCKS) + sum(bool(shown) for _, shown in BLOCKS))
    assert len(BLOCKS) == 7
    assert "pb.listen()" in BLOCKS[-1][0]
    assert len(BLOCKS[0][0].splitlines()) == 10


@pytest.mark.parametrize(("code", "shown"), BLOCKS[:-1])
def test_a_block_prints_what_the_page_shows(code: str, shown: str, tmp_path: Path) -> None:
    if "dask" in code:
        pytest.importorskip("distributed")
    printed = run(code, tmp_path)
    assert NUMBER.sub("#", printed) == NUMBER.sub("#", shown)
    assert numbers(printed) == pytest.approx(numbers(shown), abs=WITHIN)
    if "savefig" in code:
        assert "</svg>" in (tmp_path / "drift.svg").read_text(encoding="utf-8")


def test_the_readme_shows_what_python_prints(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    failed, attempted = doctest.testfile(str(ROOT / "README.md"), module_relative=False)
    assert (failed, attempted) == (0, 3)
