"""A program with a live screen for the terminal tests: it shows the demo states one by one.

Keys: n and p go to the next and the previous state, l is passed on as large print, r fails with
an exception, q quits. ``storm`` as an argument shows live notes as fast as a listener sends them
for three seconds, then stays idle.
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import replace
from pathlib import Path

from states import E2, STATES, live_notes, state

from pitchbench.screen.live import LiveScreen
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.session.job import Command
from pitchbench.session.log import Step
from pitchbench.session.state import State

NAMES = list(STATES)


def storm(screen: LiveScreen) -> None:
    notes = live_notes(3.0, hz=E2, seconds=3.0)
    began = time.monotonic()
    old = state(Step.OPEN, asks="Let it ring.", wanted_fret=0)
    for n, live in enumerate(notes, start=1):
        while time.monotonic() < began + live.at_s - live.onset_s:
            screen.keys()
            time.sleep(0.005)
        new = replace(old, ringing=True, live=live, live_trace=notes[:n])
        screen(old, new)
        old = new


def browse(screen: LiveScreen) -> None:
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
    with LiveScreen(make_theme(Palette.MONOCHROME)) as screen:
        if "storm" in sys.argv:
            storm(screen)
        browse(screen)


if __name__ == "__main__":
    main()
