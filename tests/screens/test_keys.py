"""Every key that is listed does something, at every step; every key that is not does nothing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import pytest
from session_story import Story
from states import STATES, watched

from pitchbench.screen.keyhelp import ALWAYS, COMMAND_OF_KEY, WATCHING_COMMANDS, Key
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.screen.view import keys_of, render
from pitchbench.session.job import Command, KeyPressed
from pitchbench.session.keys import useful
from pitchbench.session.state import State

THEME = make_theme(Palette.MONOCHROME)


def drawn(state: State, size: tuple[int, int]) -> list[str]:
    return [line.plain for line in render(state, *size, THEME)]


def commands(keys: Iterable[Key]) -> set[Command]:
    """What keys as they are written on the screen ask for, one that only the pace answers apart."""
    words = {"space": " ", "right": "\x1b[C"}
    sent = {each for key in keys for each in ([words[key[0]]] if key[0] in words else key[0])}
    return {(WATCHING_COMMANDS | COMMAND_OF_KEY)[key] for key in sent} - {Command.STEP}


@pytest.mark.parametrize("size", [(40, 12), (120, 40)])
@pytest.mark.parametrize("name", sorted(STATES))
def test_no_key_that_is_listed_is_dead(name: str, size: tuple[int, int]) -> None:
    for state in (STATES[name], watched(STATES[name])):
        before = drawn(state, size)
        # The help page of a rehearsal lists more than its foot.
        more = keys_of(STATES[name]) if size[0] > 40 else ()
        for command in commands((*keys_of(state), *more)):
            after = state.advance(KeyPressed(command))
            if command is Command.FREEZE and state.input_lost and size[0] == 40:
                continue  # there is no picture that could be frozen
            # In the smallest window there is no room to say which take was struck out.
            done = size[0] == 40 and after.entries != state.entries
            assert after.quit or done or drawn(after, size) != before, command


def test_at_the_end_of_a_rehearsal_nothing_goes_on_that_could_be_paused() -> None:
    end = watched(STATES["finished"])
    assert not {"space", "right"} & {key[0] for key in keys_of(end)}
    assert end.advance(KeyPressed(Command.PAUSE)) == end
    paused = replace(end, display=replace(end.display, paused=True))
    assert drawn(paused, (80, 24)) == drawn(end, (80, 24))
    # Whoever passes over the last string and takes that back finds it standing as before.
    still = watched(Story.begin(strings=(6,)).play(6).state).advance(KeyPressed(Command.PAUSE))
    over = still.advance(KeyPressed(Command.NEXT))
    assert over.finished
    assert over.advance(KeyPressed(Command.PREVIOUS)).display.paused


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
