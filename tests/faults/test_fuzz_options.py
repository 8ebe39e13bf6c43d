"""Every option and argument of every command, given what nobody should type.

PITCHBENCH_FUZZ=2000 tries that many per command, at random; without it, few and always the same.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np
import pytest
import soundfile
from absurd import STEERING, WORDS, hold_to_promises, little_memory, run
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pitchbench.commands import REGISTRY, cli

#: Put after all else, so that no run takes long: a string, a device or a time that there is not.
QUICKLY = {
    "rehearse": ["--strings", "99"],
    "session": ["--recording", "silence.wav"],
    "inputs": ["--seconds", "0"],
}

words = (
    st.sampled_from(WORDS)
    | st.text(st.sampled_from("0123456789.-+eE,w# \x1b\u202e\u0660'\"%"), max_size=12)
    | st.binary(max_size=8).map(lambda given: os.fsdecode(given.replace(b"\0", b"")))
)


def commands() -> Iterator[tuple[str, click.Command]]:
    """Every command that can be run, with its name as it is typed."""
    for name in REGISTRY:
        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from ((f"{name} {each}", sub) for each, sub in command.commands.items())
        else:
            yield name, command


COMMANDS = dict(commands())


@st.composite
def typed(draw: st.DrawFn, name: str) -> list[str]:
    """A command with some of its options and arguments, in any order, too few or too many."""
    command = COMMANDS[name]
    groups: list[list[str]] = []
    for parameter in command.params:
        if isinstance(parameter, click.Argument):
            known = st.sampled_from(["silence.wav", "note.wav", "Blue bass", "last"])
            groups.append(draw(st.lists(known | words, max_size=2)))
        elif isinstance(parameter, click.Option) and parameter.name != "store":
            if draw(st.integers(0, 3)):
                continue
            spelled = draw(st.sampled_from([*parameter.opts, *parameter.secondary_opts]))
            values = words
            if isinstance(parameter.type, click.Choice):
                values = st.sampled_from(list(parameter.type.choices)) | words
            count = 0 if parameter.is_flag else parameter.nargs
            groups.append([spelled, *(draw(values) for _ in range(count))])
    store = ["--store", "records.sqlite"] if any(p.name == "store" for p in command.params) else []
    shuffled = [word for group in draw(st.permutations(groups)) for word in group]
    return [*name.split(), *shuffled, *QUICKLY.get(name, []), *store]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    place = tmp_path_factory.mktemp("typed")
    soundfile.write(place / "silence.wav", np.zeros(9_600), 48_000)
    time_s = np.arange(96_000) / 48_000
    note = 0.3 * np.exp(-time_s) * np.sin(2 * np.pi * 82.4 * time_s)
    soundfile.write(place / "note.wav", np.concatenate([np.zeros(9_600), note]), 48_000)
    run("instrument", "add", "Blue bass", "--store", place / "records.sqlite")
    with little_memory():
        yield place


fuzzed = settings(
    max_examples=int(os.environ.get("PITCHBENCH_FUZZ", "25")),
    derandomize="PITCHBENCH_FUZZ" not in os.environ,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)


@pytest.mark.parametrize("name", COMMANDS)
@given(data=st.data())
@fuzzed
def test_what_nobody_should_type(
    folder: Path, monkeypatch: pytest.MonkeyPatch, name: str, data: st.DataObject
) -> None:
    monkeypatch.chdir(folder)
    hold_to_promises(run(*data.draw(typed(name))))
    assert not list(folder.rglob("pwned"))


#: What has no business in any option, least of all in one that wants a number.
ANYWHERE = ("2" * 5000, f"{'2' * 5000}-1", f"1={'9' * 5000}", "\udcff", STEERING, "nan", "")


@pytest.mark.parametrize("name", COMMANDS)
def test_each_option_by_itself(folder: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    monkeypatch.chdir(folder)
    command = COMMANDS[name]
    needed = {"instrument add": ["A bass"], "export": [], "history": []}.get(name)
    if needed is None:
        arguments = [p for p in command.params if isinstance(p, click.Argument)]
        needed = ["Blue bass" if name.startswith("instrument") else "silence.wav"][: len(arguments)]
    for parameter in command.params:
        if (
            not isinstance(parameter, click.Option)
            or parameter.is_flag
            or parameter.name == "store"
        ):
            continue
        for word in ANYWHERE:
            words = [parameter.opts[0], *[word] * parameter.nargs, *QUICKLY.get(name, [])]
            store = ["--store", "records.sqlite"] * any(p.name == "store" for p in command.params)
            hold_to_promises(run(*name.split(), *needed, *words, *store))


@given(answers=st.lists(words | st.sampled_from(["y", "1", "keep", "today", "648"]), max_size=14))
@fuzzed
def test_what_nobody_should_answer(folder: Path, answers: list[str]) -> None:
    """The questions of `instrument add`, which are asked until an answer makes sense."""
    for file in folder.glob("asked.sqlite*"):
        file.unlink()
    outcome = run(
        *("instrument", "add", "--store", folder / "asked.sqlite"),
        answers="".join(f"{answer}\n" for answer in answers),
    )
    hold_to_promises(outcome)
    assert outcome.code in {0, 130}
