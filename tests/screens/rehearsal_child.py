"""A rehearsal on a live screen that fails while its sixth entry is being kept, as a full disk may
make it."""

from __future__ import annotations

from pitchbench.presets import preset
from pitchbench.screen.live import LiveScreen
from pitchbench.screen.pictures import SESSION
from pitchbench.session.log import Entry, Setup
from pitchbench.session.pacing import Pace
from pitchbench.session.rehearsal import rehearse

kept: list[Entry] = []


def keep(entry: Entry) -> None:
    kept.append(entry)
    if len(kept) == 6:
        raise RuntimeError("the sixth entry could not be kept")


with LiveScreen(picture=SESSION) as screen:
    rehearse(
        Setup(preset("six-string"), strings=(6,)),
        seed=3,
        views=[screen],
        keys=screen.keys,
        keep=keep,
        pace=Pace(20.0),
        live=True,
    )
