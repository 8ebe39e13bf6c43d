"""The method at hand: the steps and cautions for each kind of bridge, as plain text.

The same text is what ``pitchbench guide`` prints and what docs/bridges.md holds. Common practice,
no source.
"""

from __future__ import annotations

import textwrap
from typing import Final

from pitchbench.instrument import BridgeKind
from pitchbench.intonation.bridge import CAUTIONS, MEASURE_ALL_FIRST, out_of_travel_advice

TITLES: Final[dict[BridgeKind, str]] = {
    BridgeKind.SCREW_SADDLES: "individual saddles on screws",
    BridgeKind.POST_BAR: "a bar on two posts, saddles on captive screws",
    BridgeKind.PAIRED_SADDLES: "two strings on one saddle",
    BridgeKind.CLAMPED_TREMOLO: "clamped saddles on a floating tremolo",
    BridgeKind.BASS: "a bass bridge",
    BridgeKind.SLIDING_WOOD: "a sliding wooden bridge",
    BridgeKind.FIXED_SADDLE: "a fixed saddle on an acoustic instrument",
}

#: Cells in a line of the page, where nothing narrower is asked for.
WIDTH: Final = 79

TRUSS_ROD: Final = (
    "Turn a truss rod only in small steps; if in doubt, leave it to a qualified repairer."
)

#: Before any saddle is moved: intonation is the last of the settings.
BEFORE: Final = (
    "Fit fresh strings, stretch them and let them come to rest; an old string cannot be set.",
    "Set the relief and the action first, and let a floating bridge stand level: each of them "
    f"changes the intonation. {TRUSS_ROD}",
    "Hold the instrument in playing position, in the room where it is played.",
    "Tune to pitch, coming up from below.",
)

#: How to compare open against fretted.
MEASURE: Final = (
    "Pluck the open string gently and evenly, as many times as asked, and let it ring for a "
    "couple of seconds each time.",
    "Fret cleanly at the 12th, straight down and no harder than needed, and pluck the same way. "
    "Lift the finger and fret anew for each take.",
    "Sharp at the 12th: the saddle goes away from the nut. Flat: toward the nut.",
)

#: The move itself, for each kind of bridge.
MOVE: Final[dict[BridgeKind, tuple[str, ...]]] = {
    BridgeKind.SCREW_SADDLES: (
        "Slacken the string by a few turns of its tuner.",
        "Turn the length screw by the turns given. Clockwise, seen from the screw head, draws the "
        "saddle toward the head.",
        "Tune up to pitch, press the string down on both sides of the saddle so that it sits, "
        "tune again and measure again.",
    ),
    BridgeKind.POST_BAR: (
        "Slacken the string by a few turns of its tuner.",
        "Turn the captive screw by the turns given; check on which side its head sits.",
        "If a saddle comes to the end of its travel, take it out and put it back the other way "
        "round: its edge then lies some millimetres farther on.",
        "Tune up to pitch and measure again.",
    ),
    BridgeKind.PAIRED_SADDLES: (
        "Measure both strings of a saddle before you touch it.",
        "Slacken both strings, and move the saddle by the mean of what the two ask for; a saddle "
        "that can be turned askew may serve both.",
        "Tune both and measure both; what remains is shared between them.",
    ),
    BridgeKind.CLAMPED_TREMOLO: (
        "Where clamps hold the strings at the nut: unlock them, and set every fine tuner to the "
        "middle of its travel, so that it can go both ways in the end.",
        "Note how level the bridge floats; it should come back to that.",
        "Slacken the string until it is loose, unclamp the saddle, slide it by the distance "
        "given (there is no lead screw: mark where its edge stands), clamp it again.",
        "Retune that string, then all the others: every retuning shifts the float.",
        "When all strings are done, tune them lowest first, round after round, until a whole round "
        "needs no turning; two or three rounds are usual.",
        "Lock the nut again, firmly but without force; bring each string back by its fine tuner, "
        "and check every string open and fretted once more. A fine tuner at its end means: unlock, "
        "centre it, tune, lock again.",
    ),
    BridgeKind.BASS: (
        "Slacken the string until it can be lifted off its saddle.",
        "Turn the length screw by the turns given.",
        "Lay the string back in its groove, tune up to pitch and measure again. A low string "
        "wanders most: give it more takes and a longer ring.",
    ),
    BridgeKind.SLIDING_WOOD: (
        "Mark where the bridge feet stand, with pencil on low-tack tape.",
        "Slacken the strings until the bridge just slides; never take all the tension off if a "
        "sound post stands inside.",
        "Move the side of the bridge under the string by the distance given, keep the bridge "
        "upright, tune up and measure the outer strings again, then the rest. In one piece it has "
        "one place and one angle: with all strings recorded, `pitchbench offset` says how far its "
        "treble side goes and how far its bass side.",
    ),
    BridgeKind.FIXED_SADDLE: (
        MEASURE_ALL_FIRST,
        "Mark for each string where on the saddle's top the break point should lie, front or "
        "back; there is about 1 mm each way in all.",
        "Take the string off, file a little, put it back, tune, measure. Stop short of the mark: "
        "what is filed away cannot be put back.",
    ),
}

#: What to mind where clamps hold the strings at the nut; common practice, no source.
LOCKING_NUT: Final = (
    "Never turn a tuner while the nut is locked: the string behind it tightens unheard and may "
    "snap.",
    "Loosen the clamps of the nut with the strings at pitch or lower; a clamp screw that is forced "
    "strips, or cuts the string.",
)

FRETLESS: Final = (
    "A fretless instrument has no 12th fret: compare with the octave mark, and put the finger "
    "on the same spot each time."
)


def page(kind: BridgeKind, *, width: int = WIDTH) -> str:
    """The steps and cautions for this kind of bridge, one page of plain text, lines broken between
    words alone."""
    title = f"Setting the intonation: {TITLES[kind]}"
    blocks = [textwrap.fill(title, width, break_on_hyphens=False)]
    for heading, items in sections(kind):
        marks = [f"{n}. " if heading != "Mind" else "- " for n in range(1, len(items) + 1)]
        body = [
            textwrap.fill(
                item,
                width,
                initial_indent=mark,
                subsequent_indent=" " * len(mark),
                break_on_hyphens=False,
            )
            for mark, item in zip(marks, items, strict=True)
        ]
        blocks.append("\n".join([f"{heading}:", *body]))
    return "\n\n".join(blocks) + "\n"


def sections(kind: BridgeKind) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Heading and items of each part of the page."""
    return (
        ("Before", BEFORE),
        ("Measure", MEASURE),
        ("Move", MOVE[kind]),
        ("Mind", (*CAUTIONS[kind], *_at_the_nut(kind), FRETLESS)),
        ("If the saddle runs out of travel", out_of_travel_advice(kind)),
    )


def _at_the_nut(kind: BridgeKind) -> tuple[str, ...]:
    return LOCKING_NUT if kind is BridgeKind.CLAMPED_TREMOLO else ()


def markdown() -> str:
    """The whole of docs/bridges.md."""
    parts = [
        "# Bridges",
        "How to move the saddles of each kind of bridge, and what to mind. "
        "`pitchbench guide KIND` prints the page for one kind. "
        "(This page is made from the same text; a test keeps the two alike.)",
    ]
    for kind in BridgeKind:
        parts.append(f"## `{kind}`: {TITLES[kind]}")
        for heading, items in sections(kind):
            parts.append(f"**{heading}**")
            mark = "-" if heading == "Mind" else "1."
            parts.append("\n".join(f"{mark} {item}" for item in items))
    return "\n\n".join(parts) + "\n"
