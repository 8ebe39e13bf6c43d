"""The house keeps its plan: who knows whom, what lies at the top, and documents that are true."""

from __future__ import annotations

import ast
import os
import re
import runpy
import shlex
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import pitchbench
from pitchbench.commands import REGISTRY, cli

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
DOCUMENTS = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "samples" / "README.md",
    *sorted((ROOT / "docs").glob("*.md")),
]
FILES = {"README.md", "DEVELOPERS.md", "pyproject.toml"}
FOLDERS = {"pitchbench", "tests", "samples", "docs"}
#: What tools make and git ignores.
MADE = {"build", "dist"}


def test_no_name_in_braces_is_shown_as_it_is_written():
    """A sentence of several pieces, of which one needs an f and has none."""
    for path in sorted((ROOT / "pitchbench").rglob("*.py")):
        for sentence in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(sentence, ast.JoinedStr):
                said = [piece.value for piece in sentence.values if isinstance(piece, ast.Constant)]
                assert not re.search(r"\{[a-z_]+[.\w]*\}", " ".join(said)), (path, sentence.lineno)


# -- who may know whom -------------------------------------------------------------------------


def lint_imports(folder: Path) -> subprocess.CompletedProcess[str]:
    """Hold the package in ``folder`` against the contracts in its pyproject.toml."""
    command = Path(sys.executable).with_name("lint-imports")
    return subprocess.run(
        [command, "--no-cache"],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )


def broken(report: str) -> list[str]:
    return re.findall(r"^(.+) BROKEN", report, re.M)


def test_the_contracts_hold():
    linted = lint_imports(ROOT)
    assert (broken(linted.stdout), linted.returncode) == ([], 0), linted.stdout


def test_the_contracts_would_notice(tmp_path):
    shutil.copytree(ROOT / "pitchbench", tmp_path / "pitchbench")
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    for file, statement in (
        ("pitch/yin.py", "import pathlib"),
        ("sound/source.py", "import pitchbench.notes"),
        ("strings/physics.py", "import pitchbench.session.state"),
        ("api.py", "import pitchbench.report"),
        ("session/log.py", "import rich"),
        ("report/sheet.py", "import matplotlib"),
        ("screen/view.py", "import threading"),
    ):
        with (tmp_path / "pitchbench" / file).open("a", encoding="utf-8") as module:
            module.write(f"\n\ndef _added() -> None:\n    {statement}\n")
    found = broken(lint_imports(tmp_path).stdout)
    for words in (
        "measuring rooms are pure",
        "Sound knows blocks alone",
        "One way through",
        "rich only in",
        "a thin face",
        "matplotlib only in",
        "Threads only in",
    ):
        assert any(words in name for name in found), (words, found)


def test_help_loads_nothing_slow():
    code = "from pitchbench.commands import main\ntry: main(['--help'])\nfinally:\n"
    code += "  import sys; print(*sys.modules, file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stderr.split())
    assert "pitchbench.commands" in loaded
    assert not loaded & {"matplotlib", "msgspec", "scipy", "sounddevice", "soundfile", "sqlalchemy"}


# -- what lies where ---------------------------------------------------------------------------


def test_a_command_starts_no_threads_for_arithmetic(tmp_path):
    """A second one only spins. Asked where it matters: after a command that has loaded arrays."""
    # The clock's own thread has ended by then, but the kernel may take a moment longer.
    code = (
        "import os, time, pitchbench.commands as commands\n"
        "def leave(code):\n"
        "    until = time.monotonic() + 2.0\n"
        "    while len(os.listdir('/proc/self/task')) > 1 and time.monotonic() < until:\n"
        "        time.sleep(0.01)\n"
        "    print('threads:', len(os.listdir('/proc/self/task')))\n"
        "commands.leave = leave\n"
        "commands.main(['history'])"
    )
    kept = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env={**kept, "PITCHBENCH_STORE": str(tmp_path / "bench.sqlite")},
    )
    assert done.stdout == "threads: 1\n"


def test_the_top_level_holds_what_was_agreed():
    seen = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert seen - MADE == FILES | FOLDERS


def test_the_metadata_is_right():
    assert PROJECT["license"] == "MIT"
    (licence,) = PROJECT["license-files"]
    assert "Permission is hereby granted, free of charge" in (ROOT / licence).read_text()
    assert PROJECT["requires-python"] == ">=3.11"
    assert version("pitchbench") == pitchbench.__version__
    assert (ROOT / "pitchbench" / "py.typed").exists()
    assert f"## {pitchbench.__version__}" in (ROOT / "docs" / "changelog.md").read_text()


def test_every_dependency_has_its_reason_and_its_licence():
    extras = PROJECT["optional-dependencies"]
    reasons = (ROOT / "docs" / "architecture.md").read_text(encoding="utf-8")
    licences = (ROOT / "docs" / "licences.md").read_text(encoding="utf-8")
    for requirement in sum(extras.values(), PROJECT["dependencies"]):
        name = re.match(r"[\w-]+", requirement)[0]
        assert f"| {name} |" in licences
        assert re.search(rf"\b{name}\b", reasons), name


# -- the documents -----------------------------------------------------------------------------


def code_lines(text: str) -> list[str]:
    """The lines of every code block, fenced or indented, and every code span."""
    fenced = re.findall(r"^```[^\n]*\n(.*?)^```", text, re.M | re.S)
    indented = re.findall(r"^ {4,}(\S.*)$", text, re.M)
    return [line for block in fenced for line in block.splitlines()] + indented + spans(text)


def spans(text: str) -> list[str]:
    return re.findall(r"(?<!`)`([^`\n]+)`(?!`)", text)


def examples(text: str) -> Iterator[list[str]]:
    """The arguments of every ``pitchbench ...`` in ``text``."""
    for line in code_lines(text):
        for part in re.split(r"\||&&|>|<|   ", line):
            match = re.search(r"(?:^|(?<!import)[\s/])pitchbench\s+(\S.*)$", part.strip())
            if match and part.count('"') % 2 == 0:
                yield shlex.split(match[1])


def leaf(arguments: list[str]) -> tuple[click.Command, list[str]]:
    """The command that ``arguments`` ask for, and what is left for it."""
    command: click.Command = cli
    context = click.Context(cli)
    while isinstance(command, click.Group) and arguments and not arguments[0].startswith("-"):
        following = command.get_command(context, arguments[0])
        assert following is not None, f"no such command: {arguments[0]}"
        command, arguments = following, arguments[1:]
    return command, arguments


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_the_commands_in_a_document_exist_with_their_options(document):
    for arguments in examples(document.read_text(encoding="utf-8")):
        if not re.fullmatch(r"[a-z]+|-.*", arguments[0]):
            continue  # `pitchbench NAME`: a place to put a name in
        command, rest = leaf(arguments)
        known = {"--help", "-h"} | {o for p in command.params for o in (*p.opts, *p.secondary_opts)}
        if command is cli:
            known.add("--version")
        used = {word.split("=")[0] for word in rest if re.match(r"-{1,2}[a-z]", word)}
        assert used <= known, arguments


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_links_lead_somewhere(document):
    text = document.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)[^)]*\)", text):
        if "://" not in target:
            assert (document.parent / target).exists(), target


@pytest.mark.parametrize("name", REGISTRY)
def test_every_command_is_documented(name):
    text = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert f"## pitchbench {name}\n" in text
    assert f"pitchbench {name}" in (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", REGISTRY)
def test_help_opens_with_examples(name):
    shown = CliRunner().invoke(cli, [name, "--help"])
    assert shown.exit_code == 0
    assert shown.output.startswith("Examples:\n")
    first_example = shown.output.splitlines()[1].strip()
    assert first_example.startswith(f"pitchbench {name}")
    assert "Usage: " in shown.output


def test_the_readme_and_ci_run_the_same_tests():
    ran = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()[-1]
    assert re.fullmatch(r"\.venv/bin/pytest( -\S+| \w+)*", ran)
    asked = [line for line in code_lines((ROOT / "README.md").read_text()) if "pytest" in line]
    assert asked
    assert all(line.endswith(f"&& {ran}") for line in asked)


def test_the_manual_pages_are_what_the_commands_say():
    maker = runpy.run_path(str(ROOT / "tests" / "install" / "man_pages.py"))
    kept = {path.name: path.read_text(encoding="ascii") for path in maker["PAGES"].iterdir()}
    made = maker["pages"]()
    differ = [name for name in kept | made if not maker["same"](kept.get(name), made.get(name))]
    assert not differ, "run .venv/bin/python tests/install/man_pages.py"


# -- completion --------------------------------------------------------------------------------


def complete(**environment: str) -> str:
    return subprocess.run(
        [Path(sys.executable).with_name("pitchbench")],
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=True,
    ).stdout


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_shell_completes_commands(shell):
    script = complete(_PITCHBENCH_COMPLETE=f"{shell}_source")
    assert f"_PITCHBENCH_COMPLETE={shell}_complete" in script
    # fish hands over the word so far rather than its number
    at = "re" if shell == "fish" else "1"
    answer = complete(
        _PITCHBENCH_COMPLETE=f"{shell}_complete", COMP_WORDS="pitchbench re", COMP_CWORD=at
    )
    assert {"rehearse", "read"} <= set(re.findall(r"\w+", answer))
    documented = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert f"_PITCHBENCH_COMPLETE={shell}_source pitchbench" in documented


def test_options_are_completed_too():
    answer = complete(
        _PITCHBENCH_COMPLETE="bash_complete",
        COMP_WORDS="pitchbench rehearse --se",
        COMP_CWORD="2",
    )
    assert answer == "plain,--seed\n"
