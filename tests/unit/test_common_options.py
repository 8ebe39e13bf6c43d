"""The options that all commands share, and the one way JSON is written."""

from __future__ import annotations

import json

import click
import pytest
from click.testing import CliRunner

from pitchbench.commands.common import (
    ExamplesFirst,
    a4_option,
    echo_json,
    format_option,
    is_plain,
    plain_option,
    printable,
    seed_option,
)
from pitchbench.errors import ExitCode, PitchbenchError


@click.command()
@a4_option
@seed_option
@format_option
@plain_option
def shown(**options: object) -> None:
    click.echo(json.dumps(options))


def test_defaults() -> None:
    done = CliRunner().invoke(shown, [])
    assert json.loads(done.output) == {
        "a4": 440.0,
        "seed": 1,
        "output_format": "text",
        "plain": False,
    }


@pytest.mark.parametrize("value", ["-3", "0", "nan", "inf", "1e99", "E2", ""])
def test_numbers_that_make_no_sense(value: str) -> None:
    with pytest.raises(PitchbenchError) as error:
        shown.main(["--a4", value], standalone_mode=False)
    assert error.value.exit_code == ExitCode.USAGE
    assert error.value.what == f"--a4 {value!r} makes no sense here."
    assert error.value.remedy.startswith("Give the ")


@pytest.mark.parametrize("value", ["380", "415", "442.5", "480"])
def test_pitches_that_are_in_use(value: str) -> None:
    done = CliRunner().invoke(shown, ["--a4", value])
    assert json.loads(done.output)["a4"] == float(value)


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_json_refuses_what_is_no_json(value: float) -> None:
    with pytest.raises(ValueError, match="JSON"):
        echo_json({"pitch_hz": value})


def test_json_on_stdout_is_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    echo_json({"schema": "x/1", "name": "é\x1b[2J"})
    written = capsys.readouterr().out
    assert json.loads(written) == {"schema": "x/1", "name": "é\x1b[2J"}
    assert "\x1b" not in written


@pytest.mark.parametrize(
    ("asked", "terminal", "env", "plain"),
    [
        (False, True, {}, False),
        (True, True, {}, True),
        (False, False, {}, True),
        (False, True, {"TERM": "dumb"}, True),
        (False, True, {"ACCESSIBLE": "1"}, True),
        (False, True, {"ACCESSIBLE": "0"}, False),
    ],
)
def test_when_output_is_plain(
    monkeypatch: pytest.MonkeyPatch, asked: bool, terminal: bool, env: dict[str, str], plain: bool
) -> None:
    for name in ("TERM", "ACCESSIBLE"):
        monkeypatch.delenv(name, raising=False)
    for name, value in env.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr("sys.stdout.isatty", lambda: terminal)
    assert is_plain(asked) is plain


def test_control_characters_are_written_out() -> None:
    assert printable("Ü-Mic\x1b[2J\n\x00") == "Ü-Mic\\x1b[2J\\n\\x00"


def test_help_opens_with_the_examples() -> None:
    @click.command(cls=ExamplesFirst, examples="  pitchbench nothing    do nothing\n")
    def nothing() -> None:
        """Do nothing."""

    done = CliRunner().invoke(nothing, ["--help"])
    assert done.output.startswith("Examples:\n  pitchbench nothing    do nothing\n\nUsage:")
