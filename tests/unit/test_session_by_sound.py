"""What a session makes of what is no fretted pluck: from samples, through the listener, to the log.

Played on the virtual instrument, our own invention; sounds of the room come from `other_sounds.py`.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from other_sounds import beep, hummed, knock, over, silence, sung, talk

from pitchbench.pitch.listener import Listener
from pitchbench.pitch.reading import Reason
from pitchbench.presets import preset
from pitchbench.report.session import session_document
from pitchbench.session.log import Ignored, SessionTake, Setup, Step, TakeFate
from pitchbench.session.state import begin
from pitchbench.session.words import cause_words
from pitchbench.sound.source import Block
from pitchbench.strings.virtual import VirtualInstrument

RATE_HZ = 48_000
_BLOCK = 1024


class Sitting:
    """A session that hears one virtual instrument; ``seed`` draws what is wrong with it."""

    def __init__(self, *, string: int = 6, seed: int = 3, name: str = "six-string") -> None:
        self.string = string
        self.state = begin(Setup(preset(name), strings=(string,)))
        self.instrument = VirtualInstrument(preset(name), seed=seed, rate_hz=RATE_HZ)
        self.instrument.tune(string)
        self._listener = Listener(RATE_HZ, offer_early=True)
        self._heard = 0
        self.sound(np.zeros(RATE_HZ))

    def sound(self, sound: NDArray[np.float32]) -> None:
        """Let this be heard in the room, and a second after it."""
        whole = np.concatenate((sound, np.zeros(RATE_HZ))).astype(np.float32)
        whole = np.clip(whole + self.instrument.room(len(whole)), -1.0, 1.0)
        for first in range(0, len(whole), _BLOCK):
            block = Block(whole[first : first + _BLOCK], self._heard, RATE_HZ)
            self._heard += len(block.samples)
            for event in self._listener.feed(block):
                self.state = self.state.advance(event)

    def pluck(self, fret: int = 0, *, string: int | None = None, **how: float) -> SessionTake:
        """Pluck a note and damp it after two seconds: the take that it becomes."""
        self.sound(self.instrument.pluck(string or self.string, fret, ring_s=2.2, **how))
        assert self.state.log.last_take is not None
        return self.state.log.last_take

    @property
    def counted(self) -> list[int | None]:
        """The frets of the takes that count."""
        return [take.fret for take in self.state.log.strings[self.string - 1].accepted]


def set_to(sitting: Sitting, cents: float) -> None:
    """Turn the saddle until the true offset is ``cents``."""
    instrument, string = sitting.instrument, sitting.string
    for _ in range(4):
        error = instrument.true_offset_cents(string) - cents
        instrument.move_saddle(string, error * instrument.instrument.scale_mm / 1731.2)
        instrument.tune(string)
    assert abs(instrument.true_offset_cents(string) - cents) < 0.05


@pytest.mark.parametrize(
    ("name", "string"), [("six-string", 6), ("six-string", 3), ("six-string", 1), ("bass-five", 4)]
)
def test_a_harmonic_touched_at_the_12th_fret_is_never_good_advice(name: str, string: int) -> None:
    """The saddle is 4 cents off; seven touched harmonics would all say "leave it"."""
    sitting = Sitting(name=name, string=string)
    set_to(sitting, 4.0)
    sitting.pluck()
    for _ in range(7):
        sitting.pluck(touched=2)
    log = sitting.state.log
    assert sitting.counted == [0]
    assert log.string.outcome is None
    assert log.step is Step.FRETTED
    assert log.last_take.cause is Ignored.TOUCHED_HARMONIC
    assert cause_words(log.last_take.why) == "a harmonic touched instead of fretted"
    # Told the difference, the player frets: sharp, so it is believed, and then counted.
    assert sitting.pluck(12).cause is Ignored.PRESSED_HARDER
    assert [sitting.pluck(12, detune_cents=d).fate for d in (-0.3, 0.4)] == [TakeFate.ACCEPTED] * 2
    assert sitting.state.log.string.now is not None
    assert abs(sitting.state.log.string.now.offset_cents - 4.0) < 1.0


def test_a_touch_that_leaves_nothing_of_the_open_string_is_asked_about_once() -> None:
    sitting = Sitting()
    set_to(sitting, 4.0)
    sitting.pluck()
    takes = [sitting.pluck(touched=2, left_db=-90.0) for _ in range(4)]
    doubted = [take for take in takes if take.why.startswith("Is that fretted")]
    assert len(doubted) == 1
    assert doubted[0].fate is TakeFate.ACCEPTED
    assert doubted[0].cause is Ignored.TOUCHED_HARMONIC


@pytest.mark.parametrize("seed", range(3))
def test_a_string_that_is_fretted_and_found_off_is_not_suspected(seed: int) -> None:
    sitting = Sitting(seed=seed)
    set_to(sitting, -2.0)
    sitting.pluck()
    takes = [sitting.pluck(12, detune_cents=d) for d in (-0.5, 0.5, 0.2)]
    assert [(take.fate, take.cause) for take in takes] == [(TakeFate.ACCEPTED, None)] * 3


@pytest.mark.parametrize(("number", "fret"), [(3, "7th"), (4, "5th")])
@pytest.mark.parametrize("in_tune", [True, False])
def test_a_harmonic_touched_elsewhere_is_no_other_string(
    number: int, fret: str, in_tune: bool
) -> None:
    """Two plucks of another string lead there: B3 is three times E2, and E4 four times."""
    sitting = Sitting()
    sitting.instrument.tune(6, 0.0 if in_tune else -8.0)
    sitting.pluck()
    for _ in range(2):
        take = sitting.pluck(touched=number)
        assert (take.fate, take.cause) == (TakeFate.IGNORED, Ignored.TOUCHED_HARMONIC)
        assert take.why.startswith(f"a harmonic touched at the {fret} fret of string 6")
    assert sitting.state.log.current == 6


def test_the_other_string_itself_is_still_known() -> None:
    """Open B3 of string 2, 3 cents off three times E2: equal temperament, and a tuner."""
    sitting = Sitting()
    sitting.instrument.tune(2, -1.0)
    sitting.pluck()
    take = sitting.pluck(string=2)
    assert take.cause is Ignored.ANOTHER_STRING
    assert cause_words(take.why) == "another string (2, B3)"
    sitting.pluck(string=2)
    assert sitting.state.log.current == 2


def test_the_wrong_fret_is_named() -> None:
    sitting = Sitting()
    sitting.pluck()
    take = sitting.pluck(11)
    assert take.cause is Ignored.ANOTHER_FRET
    assert cause_words(take.why) == "the 11th fret instead of the 12th"


# -- what is no pluck, and what is two -----------------------------------------------------------


@pytest.mark.parametrize("f0_hz", [82.4, 164.8, 246.9, 329.6])
def test_voices_and_telephones_on_the_note_that_is_asked_for_are_no_takes(f0_hz: float) -> None:
    sitting = Sitting()
    sitting.pluck()
    for sound in (hummed(f0_hz), sung(f0_hz), beep(f0_hz), beep(f0_hz, seconds=0.3)):
        sitting.sound(sound)
    assert sitting.counted == [0]
    assert len(sitting.state.log.string.takes) == 1


def test_talk_and_knocks_are_no_takes() -> None:
    sitting = Sitting()
    sitting.pluck()
    sitting.sound(np.concatenate((talk(8.0), silence(0.5), knock())))
    assert sitting.counted == [0]


@pytest.mark.parametrize(("string", "fret"), [(6, 12), (5, 0), (4, 2)])
def test_a_note_plucked_over_the_ringing_open_string_does_not_count(string: int, fret: int) -> None:
    """The first second, the open string alone, is a take; what comes over it is two strings."""
    sitting = Sitting()
    low = sitting.instrument.pluck(6, 0, ring_s=4.0)
    sitting.sound(over(low, sitting.instrument.pluck(string, fret, ring_s=3.0), 1.0))
    assert sitting.counted == [0]
    last = sitting.state.log.last_take
    assert last is not None
    assert last.cause is Reason.TWO_STRINGS
    assert cause_words(last.why) == "two strings at once"


@pytest.mark.parametrize("by_cents", [100.0, 20.0, -30.0])
def test_a_machine_turned_while_the_string_rings_is_no_open_take(by_cents: float) -> None:
    """The machine comes to rest on the note itself, and the note rings on for a second."""
    t = np.arange(3 * RATE_HZ) / RATE_HZ
    cents = by_cents * (np.clip((t - 0.3) / 1.7, 0.0, 1.0) - 1.0)
    phase = 2.0 * np.pi * np.cumsum(82.4069 * 2.0 ** (cents / 1200.0)) / RATE_HZ
    sound = sum(
        0.2 / k * np.exp(-t * (1.0 + 0.1 * (k - 1)) / 1.5)
        * np.cos(k * phase * np.sqrt(1.0 + 1e-4 * k * k) + k)
        for k in range(1, 13)
    )  # fmt: skip
    sitting = Sitting()
    sitting.sound(sound)
    assert sitting.counted == []


def test_screen_and_document_name_the_same_cause() -> None:
    sitting = Sitting()
    sitting.pluck()
    take = sitting.pluck(11)
    document = session_document(sitting.state, session=None, source="virtual")
    (left_out,) = document.strings[0].left_out
    assert (left_out.take, left_out.cause, left_out.why) == (take.number, take.cause, take.why)
    assert take.why in sitting.state.says


def both_of_a_course(sitting: Sitting, apart_cents: float) -> SessionTake:
    """Pluck a string of a course while its partner rings along, as many cents higher."""
    one, other = (
        sitting.instrument.pluck(sitting.string, 0, ring_s=3.0, detune_cents=cents)
        for cents in (0.0, apart_cents)
    )
    sitting.sound(0.5 * (one + other))
    assert sitting.state.log.last_take is not None
    return sitting.state.log.last_take


def test_a_partner_that_rings_along_is_asked_about_once() -> None:
    sitting = Sitting(name="twelve-string", string=4)
    first, second = (both_of_a_course(sitting, 4.0) for _ in range(2))
    assert first.fate is TakeFate.ACCEPTED
    assert first.cause is Ignored.PARTNER_RINGS
    assert first.why.startswith("Is string 3, its partner, muted? Two strings 4 cents apart")
    assert (second.fate, second.cause) == (TakeFate.ACCEPTED, None)


def test_a_partner_that_rings_along_is_asked_about_before_it_is_tuned_away() -> None:
    sitting = Sitting(name="twelve-string", string=4)
    first = both_of_a_course(sitting, 8.0)
    assert (first.fate, first.cause) == (TakeFate.IGNORED, Ignored.PARTNER_RINGS)
    assert first.why.endswith("if not, mute it and pluck again")
    assert sitting.state.says == f"{first.why}."
    # Asked once: who plucks the same again has the string in mind.
    assert both_of_a_course(sitting, 8.0).cause is Ignored.NOT_IN_TUNE


def test_a_string_of_no_course_is_not_asked_for_its_partner() -> None:
    sitting = Sitting(string=2)
    assert both_of_a_course(sitting, 4.0).cause is None
    assert sitting.state.log.last_take.reading.split_cents is not None


def test_a_string_of_a_course_that_rings_alone_is_not_asked_about() -> None:
    sitting = Sitting(name="twelve-string", string=4)
    assert [sitting.pluck().cause for _ in range(2)] == [None, None]
