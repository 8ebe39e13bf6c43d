"""The options that all commands share, and the one way JSON is written."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from recordings import Ran

from pitchbench.commands import cli, main
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
from pitchbench.commands.help_page import SECTIONS, section_of
from pitchbench.errors import ExitCode, PitchbenchError, typeset


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


def test_a_comma_is_a_decimal_point_and_two_are_none() -> None:
    assert json.loads(CliRunner().invoke(shown, ["--a4", "442,5"]).output)["a4"] == 442.5
    with pytest.raises(PitchbenchError, match="makes no sense"):
        shown.main(["--a4", "4,42,5"], standalone_mode=False)


@pytest.mark.parametrize(
    "command",
    ["today", "history", "sheet last", "export", "instrument list", "read --again last",
     "forecast --instrument Blue", "session --instrument Blue", "neck --resume last"],
)  # fmt: skip
@pytest.mark.parametrize("empty", [False, True])
def test_a_store_whose_name_is_mistyped_is_not_begun(
    command: str, empty: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Else records would seem to be lost, or an empty file of another kind become a database."""
    mistyped = tmp_path / "bench.sqlit"
    if empty:
        mistyped.touch()
    with pytest.raises(SystemExit) as ended:
        main([*command.split(), "--store", str(mistyped)])
    assert ended.value.code == ExitCode.RECORDS
    assert f"There are no records at {str(mistyped)!r}." in capsys.readouterr().err
    assert mistyped.exists() is empty
    assert not empty or mistyped.stat().st_size == 0


@pytest.mark.parametrize("empty", [False, True])
def test_what_puts_something_on_record_begins_a_store(empty: bool, tmp_path: Path) -> None:
    place = tmp_path / "new" / "bench.sqlite"
    if empty:
        place.parent.mkdir()
        place.touch()
    for words in ("add Blue --like bass-four", "show Blue"):
        with pytest.raises(SystemExit) as ended:
            main(["instrument", *words.split(), "--store", str(place)])
        assert ended.value.code == ExitCode.DONE
    assert place.exists()


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


@pytest.mark.parametrize(
    ("said", "utf_8", "ascii_only"),
    [
        ("-0.2 ± 1.6 cents", "−0.2 ± 1.6 cents", "-0.2 +- 1.6 cents"),
        ("-1.7 to +1.7, (-2)", "−1.7 to +1.7, (−2)", "-1.7 to +1.7, (-2)"),
        ("20261128-119387 on 2026-11-28", "20261128-119387 on 2026-11-28", None),
        ("12-14-14-x, /tmp/-1.wav, --rate 8", "12-14-14-x, /tmp/-1.wav, --rate 8", None),
        (
            "take -3.wav, by -3.0. Then -3s",
            "take -3.wav, by −3.0. Then -3s",
            "take -3.wav, by -3.0. Then -3s",
        ),
    ],
)
def test_numbers_have_one_minus_in_what_people_read(
    said: str, utf_8: str, ascii_only: str | None
) -> None:
    assert typeset(said, "utf-8") == utf_8
    assert typeset(said, "ascii") == (ascii_only or utf_8)
    # A code page that has one of the two keeps that one.
    assert typeset(said, "latin-1") == utf_8.replace("−", "-")


def test_help_opens_with_the_examples() -> None:
    @click.command(cls=ExamplesFirst, examples="  pitchbench nothing    do nothing\n")
    def nothing() -> None:
        """Do nothing."""

    done = CliRunner().invoke(nothing, ["--help"])
    assert done.output.startswith("Examples:\n  pitchbench nothing  do nothing\n\nUsage:")


# -- help --------------------------------------------------------------------------------------


def commands() -> Iterator[tuple[list[str], click.Command]]:
    """Every command with the words that it is called by, groups and their commands alike."""
    found: list[tuple[list[str], click.Command]] = [([], cli)]
    while found:
        words, command = found.pop()
        yield words, command
        if isinstance(command, click.Group):
            context = click.Context(command)
            for name in command.list_commands(context):
                found.append(([*words, name], command.get_command(context, name)))


def test_every_page_of_help_fits_eighty_columns() -> None:
    pages = [(words, CliRunner().invoke(cli, [*words, "--help"])) for words, _ in commands()]
    assert len(pages) > 20
    assert {" ".join(words): page.exit_code for words, page in pages if page.exit_code} == {}
    long = [line for _, page in pages for line in page.output.splitlines() if len(line) > 80]
    assert long == []


def test_every_option_has_its_section() -> None:
    """Without a place in `SECTIONS` an option would be missing from the help."""
    options = [p for _, command in commands() for p in command.params]
    for option in options:
        if isinstance(option, click.Option) and option.name != "version":
            assert section_of(option) in SECTIONS, option.opts


def test_many_options_stand_under_headings_and_none_is_lost() -> None:
    page = CliRunner().invoke(cli, ["session", "--help"]).output
    headings = [line[:-1] for line in page.splitlines() if line[:1].isalpha() and line[-1] == ":"]
    assert headings == ["Examples", *SECTIONS]
    sound = page[page.index("\nSound:\n") : page.index("\nRecords:\n")]
    assert "--device" in sound
    assert "--store" not in sound
    for option in next(command for words, command in commands() if words == ["session"]).params:
        assert f"  {option.opts[0]} " in page, option
    # Few need none.
    assert "\nOptions:\n" in CliRunner().invoke(cli, ["history", "--help"]).output


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("sesion", "session"),
        ("reherse", "rehearse"),
        ("instrument ad", "add"),
        ("session --presett six-string", "--preset"),
        ("offset --scal 648", "--scale"),
    ],
)
def test_what_is_typed_wrongly_is_answered_by_the_nearest(
    capsys: pytest.CaptureFixture[str], typed: str, meant: str
) -> None:
    ran = Ran(capsys, *typed.split())
    assert (ran.code, ran.out) == (ExitCode.USAGE, "")
    assert f"\nDid you mean `{meant}`? See `pitchbench" in ran.err


@pytest.mark.parametrize(
    "typed", ["rehearse --gauges 9", "session --courses 1-2", "instrument add x --capo 2"]
)
def test_an_option_of_another_command_is_answered_by_no_guess(
    capsys: pytest.CaptureFixture[str], typed: str
) -> None:
    ran = Ran(capsys, *typed.split())
    assert (ran.code, ran.out) == (ExitCode.USAGE, "")
    assert "Did you mean" not in ran.err


def test_what_is_like_nothing_is_answered_by_no_guess(capsys: pytest.CaptureFixture[str]) -> None:
    ran = Ran(capsys, "xyzzy")
    assert ran.err == "pitchbench: No such command 'xyzzy'.\nSee `pitchbench --help`.\n"
