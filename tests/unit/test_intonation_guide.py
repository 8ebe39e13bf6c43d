"""The guide's text, its command and docs/bridges.md say the same."""

from pathlib import Path

import pytest
from click.testing import CliRunner
from documents import parsed

from pitchbench.commands import cli
from pitchbench.errors import PitchbenchError
from pitchbench.instrument import BridgeKind
from pitchbench.intonation import guide
from pitchbench.intonation.bridge import CAUTIONS

DOCS = Path(__file__).parents[2] / "docs" / "bridges.md"


def run(*arguments):
    return CliRunner().invoke(cli, ["guide", *arguments], catch_exceptions=False)


def test_the_document_is_made_from_the_same_text():
    assert DOCS.read_text(encoding="utf-8") == guide.markdown()


@pytest.mark.parametrize("kind", BridgeKind)
def test_a_page_of_plain_text(kind):
    text = run(kind.value).output
    lines = text.splitlines()
    assert text.isascii()
    assert len(lines) <= 66  # a printed page
    assert max(map(len, lines)) <= 79
    flowing = " ".join(text.split())
    for sentence in (*guide.BEFORE, *guide.MOVE[kind], *CAUTIONS[kind]):
        assert sentence in flowing


@pytest.mark.parametrize("kind", BridgeKind)
def test_steps_are_numbered_and_what_to_mind_is_not(kind):
    """What is done in order has numbers, so that one finds back to where one was."""
    blocks = guide.page(kind).split("\n\n")[1:]
    for block in blocks:
        heading, first = block.splitlines()[:2]
        assert first.startswith("- " if heading == "Mind:" else "1. ")
    assert any(block.startswith("Mind:") for block in blocks)


@pytest.mark.parametrize("kind", BridgeKind)
def test_lines_are_broken_between_words_alone(kind):
    """However wide the page is: "12th-fret" stays one word."""
    whole = " ".join(guide.page(kind, width=10_000).split())
    for width in range(24, 90):
        assert " ".join(guide.page(kind, width=width).split()) == whole


def test_without_a_bridge_it_lists_the_kinds():
    assert [line.split()[0] for line in run().output.splitlines()] == list(BridgeKind)


def test_json_holds_the_same_items():
    document = parsed(run("bass", "--format", "json").output)
    assert document["schema"] == "pitchbench.guide/1"
    assert tuple(document["sections"][2]["items"]) == guide.MOVE[BridgeKind.BASS]


def test_an_unknown_bridge_is_one_clear_error():
    with pytest.raises(PitchbenchError, match="'harp' is not a kind of bridge"):
        run("harp")
