"""What the Tab key offers, as the shells are given it."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pitchbench.presets import preset
from pitchbench.records.repository import Repository
from pitchbench.session.log import Setup


@pytest.fixture
def on_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """Records with two instruments and a session, of our own invention."""
    store = tmp_path / "records.sqlite"
    monkeypatch.setenv("PITCHBENCH_STORE", str(store))
    with Repository.open(store) as repository:
        for name in ("Blue bass", "Élan; rm -rf"):
            repository.add_instrument(replace(preset("bass-four"), name=name))
        session = repository.begin_session(
            Setup(preset("six-string")), at=datetime(2026, 3, 14, tzinfo=UTC)
        )
    return session[:15]


def offered(words: str, shell: str = "zsh") -> list[str]:
    """The values that the shell is given for the last of ``words``; nothing is said beside them."""
    words = f"pitchbench {words}"
    done = subprocess.run(
        [Path(sys.executable).with_name("pitchbench")],
        env={
            **os.environ,
            "_PITCHBENCH_COMPLETE": f"{shell}_complete",
            "COMP_WORDS": words,
            "COMP_CWORD": str(len(words.split(" ")) - 1),
        },
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    lines = done.stdout.splitlines()
    return lines[1::3] if shell == "zsh" else [line.partition(",")[2] for line in lines]


def test_what_is_on_record_is_offered(on_record: str) -> None:
    assert offered("history ") == ["Blue bass", "Élan; rm -rf"]
    assert offered("session --instrument bl") == ["Blue bass"]
    assert offered("sheet ") == ["last", on_record]
    assert offered(f"session --resume {on_record[:4]}") == [on_record]
    # bash puts it into the line as it is, once its `read` has taken one backslash of two away.
    assert offered("history b", shell="bash") == [r"Blue\\ bass"]
    assert offered("history é", shell="bash") == [r"Élan\\;\\ rm\\ -rf"]


def test_what_is_built_in_is_offered() -> None:
    assert {"bass-four", "bass-five"} <= set(offered("rehearse --preset bass"))
    assert "screw-saddles" in offered("guide screw")
    assert "nylon" in offered("instrument add --like n")
    assert "offset" in offered("schema off")


def test_where_nothing_is_on_record_nothing_is_offered_nor_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PITCHBENCH_STORE", str(tmp_path / "none.sqlite"))
    assert offered("history ") == offered("sheet ") == []
    monkeypatch.setenv("PITCHBENCH_CONFIG", str(tmp_path / "none.toml"))
    assert offered("rehearse --preset nyl") == ["nylon"]
