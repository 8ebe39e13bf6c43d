"""The manual pages: as `man` and `mandoc` read them, and in the wheel."""

from __future__ import annotations

import os
import shutil
import subprocess
import zipfile
from pathlib import Path

import pytest
from man_pages import PAGES
from matrix import build

READERS = {"mandoc": ["mandoc", "-Tlint"], "man": ["man", "--warnings", "-l"]}


@pytest.mark.parametrize("reader", READERS)
def test_a_reader_finds_nothing_wrong_with_them(reader: str) -> None:
    if shutil.which(reader) is None:
        pytest.skip(f"{reader} is not installed")
    for path in sorted(PAGES.glob("*.1")):
        done = subprocess.run(
            [*READERS[reader], path],
            env={**os.environ, "LC_ALL": "C.UTF-8", "MANPAGER": "cat", "MANWIDTH": "200"},
            capture_output=True,
            text=True,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, ""), path.name
        if reader == "mandoc":
            assert done.stdout == "", path.name
        else:
            assert f"{path.stem} - " in done.stdout
            assert "\\" not in done.stdout, "an escape that roff does not know"


def test_the_wheel_puts_them_where_man_looks(tmp_path: Path) -> None:
    with zipfile.ZipFile(build(tmp_path).wheel) as wheel:
        found = {Path(name).name for name in wheel.namelist() if "/share/man/man1/" in name}
    assert found == {path.name for path in PAGES.glob("*.1")}
