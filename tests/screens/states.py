"""Sessions in every situation that a person meets at the bench, each played from its beginning.

Nothing is written by hand but what is plucked and pressed: every state is what the session makes
of it, the display's switches are keys. Every pitch here is invented for the tests: demo data,
nothing measured.
"""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache
from typing import Any, Final

from invented import a_glide, a_reading
from session_story import STEADY, Story

from pitchbench.instrument import (
    Bridge,
    BridgeKind,
    Instrument,
    ScrewHeads,
    StringSpec,
)
from pitchbench.notes import Note
from pitchbench.pitch.listener import PluckStarted
from pitchbench.pitch.reading import Reading, Reason
from pitchbench.session.job import Command, InputLost
from pitchbench.session.log import Step
from pitchbench.session.state import State
from pitchbench.session.teaching import Taught
from pitchbench.units import shifted_hz

#: Departures of an uneven player.
UNEVEN: Final = (3.8, -3.8, 2.3, -2.3, 3.0, -3.0)

SCREWS: Final = Bridge(BridgeKind.SCREW_SADDLES, 0.5, ScrewHeads.TAIL)


def guitar(
    bridge: Bridge = SCREWS, *, left_handed: bool = False, notes: str = "E4 B3 G3 D3 A2 E2"
) -> Instrument:
    """An invented guitar, with screw saddles unless another bridge is given."""
    return Instrument(
        name="demo six-string",
        kind="electric guitar",
        scale_mm=648.0,
        strings=tuple(StringSpec(Note.parse(n), 0.5, wound=False) for n in notes.split()),
        bridge=bridge,
        left_handed=left_handed,
    )


class Demo(Story):
    """A story whose readings have frames to draw."""

    def reading(self, pitch_hz: float, onset_s: float, **said: Any) -> Reading:
        frames = a_glide(pitch_hz, ring_s=2.5)
        return a_reading(pitch_hz, onset_s, attack_cents=7.1, trace=frames, **said)

    def copy(self) -> Demo:
        """The same story so far, to be gone on with in another way."""
        return replace(self, events=list(self.events))

    def hz(self, string: int, fret: int, cents: float) -> float:
        return shifted_hz(self.target_hz(string, fret), cents)

    def fretted(self, *offsets_cents: float) -> Demo:
        """Fretted takes of the current string, an open one wherever it is asked for."""
        for cents in offsets_cents:
            string = self.state.log.current
            if self.state.log.wanted_fret == 0:
                self.play(string, 0, -0.1)
            self.play(string, 12, cents)
        return self

    def through(
        self, offsets_cents: dict[int, tuple[float, ...]], *, uneven: tuple[int, ...] = ()
    ) -> Demo:
        """To the end: what each string shows at first and after each move of its saddle; at
        ``uneven`` strings the takes scatter."""
        for _ in range(100):
            log = self.state.log
            number = log.current
            shows = offsets_cents[number]
            match log.step:
                case Step.FINISHED:
                    return self
                case Step.MOVE:
                    self.move_and_retune(number)
                case Step.BORDER:
                    self.key(Command.NEXT)
                case _ if not log.tuned:
                    self.play(number)
                case _:
                    scatter = UNEVEN if number in uneven else STEADY
                    self.takes(shows[min(log.string.round, len(shows) - 1)], scatter)
        raise AssertionError("the session does not come to its end")


def new(instrument: Instrument | None = None, **changes: Any) -> Demo:
    """Before anything is heard."""
    return Demo.begin(instrument or guitar(), **changes)


@cache
def _worked() -> Demo:
    demo = new().play(6).takes(6.0).move_and_retune(6).takes(0.3)
    return demo.string(-0.7)


def worked() -> Demo:
    """String 6 was moved and left, string 5 left as found; string 4 is to be tuned."""
    return _worked().copy()


def in_tune() -> Demo:
    """The fourth string's first open take."""
    return worked().play(4, 0, 0.3)


def read(*offsets_cents: float) -> Demo:
    """The fourth string, with fretted takes of these offsets."""
    return in_tune().fretted(*offsets_cents)


def undecided() -> Demo:
    """The same with one more open take: nothing is decided yet, and a fretted one is asked for."""
    return read(2.6, 0.4).play(4, 0, -0.1)


def sharp(instrument: Instrument | None = None) -> Demo:
    """The fourth string's saddle, the first one's of another guitar, is to be moved."""
    if instrument is not None:
        return new(instrument).play(6).takes(6.0)
    return read(6.2, 5.4)


def slack() -> Demo:
    """The same, and the string is let down."""
    demo = sharp()
    return demo.ring(demo.hz(4, 0, -212.0))


def above() -> Demo:
    """Its saddle was moved, and it is brought up too far."""
    demo = slack()
    return demo.play(4, 0, -212.0).ring(demo.hz(4, 0, 31.0))


def bordering(offset_cents: float) -> Demo:
    """As many takes as are worth making, of an uneven player, and they do not decide it."""
    return new(most_takes=12).play(6).takes(offset_cents, UNEVEN)


def good_at_the_border() -> Demo:
    """The same, and further takes make leaving the better choice."""
    demo = bordering(1.7)
    for cents in (-3.0, -3.0, -3.0, -3.0, 0.0, 0.0, 0.0):
        demo.play(6, 12, cents).play(6)
    return demo


def ringing() -> Demo:
    """The fourth string's fretted note rings."""
    demo = undecided()
    return demo.ring(demo.hz(4, 12, 2.0), 0.6)


def settled(cents: float = 2.2) -> Demo:
    """It has settled and rings on."""
    demo = undecided()
    return demo.offered(demo.hz(4, 12, cents))


def tuned(live_cents: float) -> Demo:
    """The fourth string is tuned and rings so far off."""
    demo = worked()
    return demo.ring(demo.hz(4, 0, live_cents))


def nearly_in_tune() -> Demo:
    demo = worked()
    return demo.offered(demo.hz(4, 0, -1.4))


def just_begun() -> Demo:
    """A note has begun, and has no pitch yet."""
    demo = undecided()
    return demo.event(PluckStarted(demo.now_s))


def first_note() -> Demo:
    demo = new()
    return demo.ring(demo.hz(6, 0, 8.0), 0.4)


def many_takes() -> Demo:
    """Of an uneven player, and some of them too short."""
    demo = new(tolerance_cents=1.0).play(6)
    for cents in (2.4, -2.4, 1.9, -1.9, 2.2, -1.7, 1.6, -2.1, 2.0):
        demo.play(6, 12, 0.4, reason=Reason.TOO_SHORT).fretted(0.4 + cents)
    return demo


def finished() -> Demo:
    """One saddle out of travel, one on the border, one moved twice."""
    bridge = replace(SCREWS, travel_toward_nut_mm=3.0, travel_away_mm=3.0)
    offsets = {
        6: (6.1, -3.4, -0.2),
        5: (-4.4, 0.3),
        4: (-1.9,),
        3: (14.3,),
        2: (3.4, 0.3),
        1: (0.2,),
    }
    return new(guitar(bridge), most_takes=12).through(offsets, uneven=(4,))


def twelve() -> Demo:
    """More strings than fit side by side, and a name that tries to steer the terminal."""
    notes = "E4 E4 B3 B3 G4 G3 D4 D3 A3 A2 E3 E2"
    instrument = replace(guitar(notes=notes), name="demo \x1b[31mtwelve\nstring")
    return new(instrument, tolerance_cents=4.0).through(
        {number: (number / 4.0 - 1.5,) for number in range(1, 13)}
    )


def never_settling() -> Demo:
    demo = in_tune()
    for _ in range(4):
        demo.play(4, 12, 3.0, reason=Reason.NEVER_SETTLED)
    return demo


def one_saddle_for_two() -> Demo:
    bridge = replace(SCREWS, kind=BridgeKind.PAIRED_SADDLES, pairs=((1, 2), (3, 4), (5, 6)))
    return new(guitar(bridge)).string(6.0).string(3.0)


def last_round() -> Demo:
    """The sixth string was left after few steady takes; the fifth showed an uneven player."""
    wide = (3.0, -3.0, 2.0, -2.0)
    demo = new(strings=(6, 5)).play(6).takes(0.8).play(5).takes(6.0, wide)
    return demo.move_and_retune(5).takes(0.0, wide)


CLAMPED: Final = Bridge(BridgeKind.CLAMPED_TREMOLO, travel_toward_nut_mm=5.0, travel_away_mm=5.0)

FILED: Final = Bridge(BridgeKind.FIXED_SADDLE, travel_toward_nut_mm=3.0, travel_away_mm=3.0)

SHORT: Final = replace(SCREWS, travel_toward_nut_mm=1.5, travel_away_mm=1.5)

STORIES: Final[dict[str, Demo]] = {
    "before": new(),
    "before-heard": first_note(),
    "tune": worked(),
    "tune-flat": tuned(-14.0),
    "tune-near": tuned(-5.0),
    "tune-sharp": tuned(31.0),
    "tune-settled": nearly_in_tune(),
    "tune-ignored": worked().play(4, 0, -14.0),
    "open-first": worked().key(Command.ACCEPT),
    "fretted-first": in_tune(),
    "settling-begins": just_begun(),
    "settling": ringing(),
    "settled": settled(),
    "settled-far": settled(-22.4),
    "fretted": undecided(),
    "open": read(4.6, 0.4, 2.6),
    "rejected": undecided().play(4, 12, 0.0, reason=Reason.TOO_SHORT),
    "ignored": undecided().play(2),
    "struck": undecided().key(Command.STRIKE, 14),
    "many-takes": many_takes(),
    "move": sharp(),
    "move-as-before": sharp().play(4, 0, 0.3),
    "move-back": sharp().move_and_retune(4).takes(-4.4),
    "move-said": sharp().key(Command.LESS),
    "move-left-handed": sharp(guitar(left_handed=True)),
    "move-no-screw": sharp(guitar(CLAMPED)),
    "move-sliding-bridge": sharp(guitar(Bridge(BridgeKind.SLIDING_WOOD))),
    # Any other string would have to be measured before.
    "move-filed": new(guitar(FILED), strings=(6,), filed_mm=(0.0,) * 5 + (0.4,)).play(6).takes(6.0),
    "move-for-two": one_saddle_for_two(),
    "retune": slack(),
    "retune-above": above(),
    "check": sharp().move_and_retune(4).play(4, 12, 2.0),
    "border": bordering(2.1),
    "border-good": good_at_the_border(),
    "last-round": last_round(),
    "last-round-open": last_round().play(6),
    "move-to-the-end": sharp(guitar(SHORT)),
    "out-of-travel": new(guitar(SHORT)).play(6).takes(9.0),
    "never-settles": never_settling(),
    "finished": finished(),
    "twelve-strings": twelve(),
    "no-sound": undecided().event(InputLost("the input was unplugged")),
    "help": undecided().key(Command.HELP),
    "large": settled().key(Command.LARGE_PRINT),
    "large-wait": ringing().key(Command.LARGE_PRINT),
    "large-move": sharp().key(Command.LARGE_PRINT),
    "frozen": settled().key(Command.FREEZE),
}

STATES: Final[dict[str, State]] = {name: story.state for name, story in STORIES.items()}


def watched(state: State) -> Taught:
    """The same in a rehearsal."""
    own = {field.name: getattr(state, field.name) for field in fields(state)}
    return Taught(**own, explain=False)
