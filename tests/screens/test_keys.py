"""Every key that is listed does something, at every step; every key that is not does nothing."""

from __future__ import annotations

import pytest
from states import STATES

from pitchbench.screen.keyhelp import ALWAYS, COMMAND_OF_KEY
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.screen.view import keys_of, render
from pitchbench.session.job import Command, KeyPressed
from pitchbench.session.keys import useful
from pitchbench.session.state import State

THEME = make_theme(Palette.MONOCHROME)


def drawn(state: State) -> list[str]:
    return [line.plain for line in render(state, 120, 40, THEME)]


@pytest.mark.parametrize("name", sorted(STATES))
def test_no_key_that_is_listed_is_dead(name: str) -> None:
    state = STATES[name]
    for character in "".join(key[0] for key in keys_of(state)):
        after = state.advance(KeyPressed(COMMAND_OF_KEY[character]))
        assert after.quit or drawn(after) != drawn(state), character


@pytest.mark.parametrize("name", sorted(STATES))
def test_what_is_not_listed_changes_nothing(name: str) -> None:
    state = STATES[name]
    listed = useful(state) | ALWAYS | {Command.ACCEPT, Command.LEAVE_HELP}
    for command in set(Command) - listed - {Command.AGAIN, Command.PREVIOUS}:
        assert state.advance(KeyPressed(command)).entries == state.entries, command


def test_escape_leaves_the_help_page_and_nothing_else() -> None:
    helped = STATES["help"]
    left = helped.advance(KeyPressed(Command.LEAVE_HELP))
    assert not left.display.help_open
    assert left.advance(KeyPressed(Command.LEAVE_HELP)) == left


def test_a_key_on_the_help_page_shows_what_it_did() -> None:
    after = STATES["help"].advance(KeyPressed(Command.NEXT))
    assert not after.display.help_open
    assert after.log.current != STATES["help"].log.current
