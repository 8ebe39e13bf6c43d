"""A program with a live screen for the terminal tests: it shows the demo states one by one.

Keys: n and p go to the next and the previous state, l is passed on as large print, r fails with
an exception, q quits. ``storm`` as an argument shows live notes as fast as a listener sends them
for three seconds, then stays idle; ``complaint`` has C code complain while the screen stands.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

from states import STATES, new

from pitchbench.pitch.listener import LivePitch
from pitchbench.screen.live import LiveScreen
from pitchbench.screen.pictures import SESSION
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.session.job import Command
from pitchbench.session.state import State

NAMES = list(STATES)


def storm(screen: LiveScreen[State]) -> None:
    story = new().key(Command.ACCEPT).key(Command.ACCEPT)
    state = story.state
    notes = story.copy().ring(story.hz(6, 0, 3.0), 3.0).events[len(story.events) :]
    began = time.monotonic()
    for event in notes:
        while isinstance(event, LivePitch) and time.monotonic() < began + event.at_s:
            screen.keys()
            time.sleep(0.005)
        old, state = state, state.advance(event)
        screen(old, state)


def browse(screen: LiveScreen[State]) -> None:
    shown = 0
    now: State = STATES[NAMES[0]]
    screen(now, now)
    while True:
        pressed = screen.keys()
        for key in pressed:
            if key.command is Command.QUIT:
                return
            if key.command is Command.AGAIN:
                raise RuntimeError("demo failure")
            shown += {Command.NEXT: 1, Command.PREVIOUS: -1}.get(key.command, 0)
            old, now = now, STATES[NAMES[shown % len(NAMES)]]
            screen(old, now)
        time.sleep(0.02)


def main() -> None:
    Path(sys.argv[1]).write_text(str(os.getpid()))
    with LiveScreen(make_theme(Palette.MONOCHROME), picture=SESSION) as screen:
        if "storm" in sys.argv:
            storm(screen)
        if "complaint" in sys.argv:
            os.write(2, b"from a C library\r\n" * 9)
        browse(screen)


if __name__ == "__main__":
    main()
