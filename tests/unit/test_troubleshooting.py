"""docs/troubleshooting.md quotes the program word for word, leaves out nothing that it may say of
trouble with sound, readings and records, and can be read without a network."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from documents import parsed
from recordings import Ran

from pitchbench.commands import cli
from pitchbench.commands.inputs import TROUBLES, Check, check_lines
from pitchbench.commands.trouble import sections
from pitchbench.pitch.reading import Reason
from pitchbench.session.words import rejected_words
from pitchbench.sound.noise import Condition, analyse_silence
from pitchbench.sound.portaudio import InputDevice

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "troubleshooting.md").read_text(encoding="utf-8")
QUOTES = re.findall(r"^> (.+)$", PAGE, re.M)
#: The errors whose every sentence has its place on the page. A command given wrongly (exit code 2)
#: is told what is wrong with it on the spot.
EXPLAINED = {"DeviceError", "RecordsError", "NoReadingError", "NothingToCompareError"}


def sentences(node: ast.expr) -> list[str]:
    """What a piece of the source may say, with … for what is filled in."""
    if isinstance(node, ast.Constant):
        return [node.value] if isinstance(node.value, str) else []
    if isinstance(node, ast.JoinedStr):
        said = "".join(v.value if isinstance(v, ast.Constant) else "…" for v in node.values)
        return [re.sub("…(?: ?…)+", "…", said)]
    if isinstance(node, ast.IfExp):
        return sentences(node.body) + sentences(node.orelse)
    return []


def calls() -> Iterator[tuple[str, ast.Call]]:
    """Every call of something by its name, in the whole package."""
    for file in sorted((ROOT / "pitchbench").rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                yield node.func.id, node


def everything_said() -> set[str]:
    return {
        sentence
        for file in (ROOT / "pitchbench").rglob("*.py")
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.expr)
        for sentence in sentences(node)
    }


def errors() -> set[str]:
    """What is wrong, in every error about sound, readings and records."""
    found: set[str] = set()
    for name, call in calls():
        if name == "_trouble" or name in EXPLAINED:
            found |= set(sentences(call.args[0]))
    return {sentence for sentence in found if re.search("[a-z]", sentence)}


SAID = everything_said()


@pytest.mark.parametrize("quote", QUOTES)
def test_every_quotation_is_what_the_program_says(quote: str) -> None:
    """Word for word; it may break off, with …, before the sentence does."""
    opening = re.escape(quote.rstrip("…")) if quote.endswith("…") else f"{re.escape(quote)}$"
    assert any(re.match(opening, said) for said in SAID), quote


def test_every_error_about_sound_readings_and_records_is_there() -> None:
    assert len(errors()) > 30
    for error in errors():
        assert any(error.startswith(quote.rstrip("…")) for quote in QUOTES), error


@pytest.mark.parametrize("reason", Reason)
def test_every_reason_of_a_rejection_has_its_line(reason: Reason) -> None:
    assert f"\n| {rejected_words(reason)} | " in PAGE


@pytest.mark.parametrize("condition", [each for each in Condition if each is not Condition.OK])
def test_every_finding_of_the_check_leads_to_its_part(condition: Condition) -> None:
    assert str(condition) in QUOTES
    shown = CliRunner().invoke(cli, ["trouble", *TROUBLES[condition].split()])
    assert shown.exit_code == 0
    assert f"it says: {condition}\n" in shown.output
    # One part, not all that mention it.
    assert sum(part.heading in shown.output.splitlines() for part in sections()) == 1


@pytest.mark.parametrize(
    ("level", "more"), [(0.0, ["more: pitchbench trouble nothing is heard"]), (1e-5, [])]
)
def test_the_check_points_to_its_part_if_something_is_wrong(level: float, more: list[str]) -> None:
    heard = level * np.random.default_rng(1).standard_normal(3 * 48_000)
    silence = analyse_silence(heard.astype(np.float32), 48_000)
    lines = check_lines(Check(InputDevice(0, "a", "b", 1, 48_000, True), 48_000, silence))
    assert [line for line in lines if line.startswith("more: ")] == more


def test_what_is_referred_to_is_there() -> None:
    headings = {part.heading for part in sections()}
    assert set(re.findall(r'see "([^"]+)"', PAGE)) <= headings
    assert len(headings) == len(sections()) > 15


def test_it_is_listed_and_shown_and_told_to_scripts() -> None:
    listed = CliRunner().invoke(cli, ["trouble"]).output
    for part in sections()[1:]:
        assert part.heading in listed.splitlines()
    shown = CliRunner().invoke(cli, ["trouble", "too short"]).output
    assert "let it ring two seconds or more" in shown
    document = parsed(CliRunner().invoke(cli, ["trouble", "--format", "json"]).output)
    assert document["schema"] == "pitchbench.trouble/1"
    assert [part["heading"] for part in document["parts"]] == [p.heading for p in sections()[1:]]


#: What Markdown is written with; the page has these nowhere else.
MARKS = ("**", "](", "`", "\n> ", "\n| ", "\n*Also", "\n#")


def test_no_marks_are_shown_but_every_word_is() -> None:
    for section in sections():
        text = f"\n{section.part.text}\n"
        assert [mark for mark in MARKS if mark in text] == []
        written = re.sub(r"\]\([^)]*\)|[|*`>\[]|---", " ", section.markdown)
        assert set(re.findall(r"\w+", written)) <= set(re.findall(r"\w+", text))
    assert any(mark in section.markdown for section in sections() for mark in MARKS)


@pytest.mark.parametrize(("ascii_only", "quotation"), [(False, "▌ hum"), (True, "| hum")])
def test_a_terminal_is_shown_a_page(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    ascii_only: bool,
    quotation: str,
) -> None:
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "60")
    monkeypatch.setenv("PITCHBENCH_THEME", "monochrome-ascii" if ascii_only else "monochrome")
    page = re.sub(r"\x1b\[[\d;]*m", "", Ran(capsys, "trouble", "hum").out)
    lines = [line.rstrip() for line in page.splitlines()]
    assert lines[0] == "Hum"
    assert quotation in lines
    assert max(map(len, lines)) <= 60
    assert [mark for mark in MARKS if mark in page] == ["\n| "] * ascii_only
    assert page.isascii() == ascii_only


@pytest.mark.parametrize(
    ("words", "heading"),
    [
        ("m4a", "A recording is not read"),
        ("telephone", "A recording is not read"),
        ("phone", "A recording is not read"),
        ("my phone's video", "A recording is not read"),
        ("unplugged", "The input is lost"),
        ("USB microphone", "There is no input, or it does not open"),
        ("muted", "Nothing is heard"),
        ("the saddle moved the wrong way", "After a move it is worse, or as before"),
        ("screen reader", "The screen is garbled"),
        ("backup", "Trouble with the records"),
        ("octave", "It jumps an octave, or shows the wrong note"),
    ],
)
def test_it_is_found_by_the_words_of_people(words: str, heading: str) -> None:
    shown = CliRunner().invoke(cli, ["trouble", *words.split()])
    assert shown.exit_code == 0
    assert shown.output.splitlines()[0] == heading


@pytest.mark.parametrize(
    "words", ["hum", "tingle", "tingles", "shock", "electric shock", "voltage", "electrician"]
)
@pytest.mark.parametrize("form", ["text", "json"])
def test_the_danger_of_the_mains_stands_in_the_part_itself(words: str, form: str) -> None:
    shown = CliRunner().invoke(cli, ["trouble", *words.split(), "--format", form])
    assert shown.exit_code == 0
    assert "mains voltage where none should be: let go, unplug" in shown.output
    assert "a qualified electrician" in shown.output


def test_a_caution_of_the_opening_is_found_by_its_words() -> None:
    shown = CliRunner().invoke(cli, ["trouble", "truss"]).output
    assert "The truss rod, a loose bridge and anything that has to be filed" in shown


def test_every_part_has_further_words_to_be_found_by() -> None:
    for section in sections()[1:]:
        assert section.called.split(section.heading)[1].strip(), section.heading


@pytest.mark.parametrize("words", ["flux capacitor", " "])
def test_what_is_not_there_is_said(capsys: pytest.CaptureFixture[str], words: str) -> None:
    ran = Ran(capsys, "trouble", words)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith(f"pitchbench: Nothing is written about {words!r}.\n")
