"""A program for the terminal tests: every demo state in turn as a rehearsal has it, until so many
keys were pressed in it; what each key asked for is written to a file."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from states import STATES, watched

from pitchbench.screen.live import LiveScreen
from pitchbench.screen.pictures import REHEARSAL
from pitchbench.screen.theme import Palette, make_theme
from pitchbench.session.engine import Runner


def main() -> None:
    log, count = Path(sys.argv[1]), int(sys.argv[2])
    screen = LiveScreen(make_theme(Palette.MONOCHROME), picture=REHEARSAL)
    with screen, log.open("w", encoding="utf-8", buffering=1) as told:
        for name, state in STATES.items():
            runner = Runner(watched(state), views=(screen,))
            told.write(f"{name}\n")
            pressed = 0
            while pressed < count:
                came = screen.keys()
                for key in came:
                    runner.take(key)
                    told.write(f"{name} {key.command}\n")
                pressed += len(came)
                time.sleep(0.005)


if __name__ == "__main__":
    main()
