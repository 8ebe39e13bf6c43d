"""What is spoken, as text: the screen's own requests and numbers, in full at first, short after."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import pytest
from overlay_story import heard
from session_story import Story
from survey_story import Played, plan

from pitchbench.instrument import Bridge, BridgeKind
from pitchbench.intonation.bridge import CAUTIONS
from pitchbench.pitch.listener import ReadingReady
from pitchbench.pitch.reading import Reason
from pitchbench.presets import preset
from pitchbench.session.job import InputLost
from pitchbench.session.log import MoveEntry, Step
from pitchbench.session.overlay import Overlay
from pitchbench.session.spoken import (
    OverlaySays,
    SessionSays,
    Spoken,
    SurveySays,
    cents,
    number,
    ordinal,
    spelled,
    turns,
)
from pitchbench.session.state import State
from pitchbench.session.survey import Survey, begin
from pitchbench.session.words import rejected_words
from pitchbench.sound.hearing import Fault, InputHeard


@pytest.mark.parametrize(
    ("value", "digits", "words"),
    [
        (0.0, 1, "zero"), (4.2, 1, "four point two"), (-4.2, 1, "four point two"),
        (3.04, 1, "three"), (0.05, 2, "zero point zero five"), (12.0, 1, "twelve"),
        (21.5, 1, "twenty one point five"), (170.0, 0, "one hundred seventy"),
        (100.0, 0, "one hundred"), (9.96, 1, "ten"), (1200.0, 0, "one two zero zero"),
    ],
)  # fmt: skip
def test_numbers(value: float, digits: int, words: str) -> None:
    assert number(value, digits) == words


def test_ordinals_of_every_fret() -> None:
    said = [ordinal(n) for n in range(1, 25)]
    assert said[:5] == ["first", "second", "third", "fourth", "fifth"]
    assert said[11] == "twelfth"
    assert said[19:] == ["twentieth", "twenty first", "twenty second", "twenty third",
                         "twenty fourth"]  # fmt: skip
    assert len(set(said)) == 24


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.5, "half a turn"), (1.0, "one turn"), (1.5, "one and a half turns"),
        (4.0, "four turns"), (3.1, "three point one turns"), (2.46, "two and a half turns"),
    ],
)  # fmt: skip
def test_turns(value: float, words: str) -> None:
    assert turns(value) == words


def test_cents_are_told_to_a_tenth_while_that_means_something() -> None:
    assert cents(4.2) == "four point two sharp"
    assert cents(-0.04) == "zero"
    assert cents(-181.1) == "one hundred eighty one flat"


@pytest.mark.parametrize(
    ("shown", "words"),
    [
        ("Tune string 6 to E2.", "Tune string six to E two."),
        ("Open F#3: 0.3 ± 0.1 cents flat of Bb1.",
         "Open F sharp three: zero point three plus or minus zero point one cents flat of B flat "
         "one."),
        ("Stop string 5 at the 12th fret mark.", "Stop string five at the twelfth fret mark."),
        ("2.0 mm away, 79 % within 2 cents", "two millimetres away, seventy nine per cent within "
         "two cents"),
        ("−1.5 to +2.5", "minus one point five to two point five"),
        ("choose USB Audio with --device 3", "choose USB Audio with device three"),
    ],
)  # fmt: skip
def test_a_sentence_of_the_screen_for_the_ear(shown: str, words: str) -> None:
    assert spelled(shown) == words


@dataclass
class Told(Story):
    """A story that is told as it goes on."""

    def __post_init__(self) -> None:
        self.said: list[str] = []
        self._spoken = Spoken[State](SessionSays())
        self._tell(self.state, self.state)

    def _tell(self, old: State, new: State) -> None:
        text = self._spoken(old, new)
        self.said += [text] if text else []

    def event(self, event: object) -> Told:
        old = self.state
        super().event(event)  # type: ignore[arg-type]
        self._tell(old, self.state)
        return self


def test_a_string_from_the_first_pluck_to_the_last() -> None:
    told = Told.begin(strings=(6, 5))
    assert told.said == ["Pluck string six open to begin."]
    told.play(6, 0, -14.0)
    assert told.said[-1] == (
        "String six is fourteen flat. Tune string six to E two, coming up from below."
    )
    told.play(6, 0, -5.2)
    assert told.said[-1] == "Five point two flat. Tune E two."
    told.play(6)
    assert told.said[-1].startswith("That was taken. Fret string six lightly at the twelfth fret")
    told.takes(6.0)
    move = told.state.log.string.advice
    assert told.state.log.step is Step.MOVE
    assert move is not None
    assert move.turns is not None
    # In full, it is the sentence on the screen.
    assert told.said[-1].endswith(spelled(told.state.asks))
    assert turns(move.turns).replace(" and a half", " point five") in told.said[-1]
    told.move_and_retune(6)
    told.takes(0.1)
    assert re.fullmatch(
        r"String six, zero( point one (sharp|flat))?: leave it\. String five, tune A two\.",
        told.said[-1],
    )
    told.play(5).takes(6.0)
    assert re.fullmatch(
        r"\w+( point \w+)? sharp\. Slacken, [\w ]+ turns? (counter)?clockwise\.", told.said[-1]
    )


def test_what_to_mind_at_a_move_is_spoken_once_and_before_it() -> None:
    told = Told.begin(strings=(6, 5, 4))
    while len({entry.string for entry in told.entries if isinstance(entry, MoveEntry)}) < 2:
        number = told.state.log.current
        told.play(number).takes(6.0).move_and_retune(number).takes(0.0)
    minds = CAUTIONS[BridgeKind.SCREW_SADDLES]
    first = next(text for text in told.said if "lacken string" in text)
    assert first.endswith("urns clockwise.")
    order = [first.index(spelled(mind)) for mind in minds]
    assert order == sorted(order)
    assert order[-1] < first.index("Slacken string six")
    for mind in minds:
        assert sum(spelled(mind) in text for text in told.said) == 1, mind


def test_a_string_is_taken_off_where_its_break_point_is_filed() -> None:
    bridge = Bridge(BridgeKind.FIXED_SADDLE, travel_toward_nut_mm=3.0, travel_away_mm=3.0)
    told = Told.begin(replace(preset("six-string"), bridge=bridge), strings=(6, 5))
    told.play(6).takes(6.0)
    told.play(5).takes(6.0)
    told.move_and_retune(5).takes(0.0).play(6)
    assert "Take string five off, then file its break point" in " ".join(told.said)
    assert re.search(
        r"Take it off, [\w ]+ millimetres away from the nut, short of the mark: [\w ]+ millimetres "
        r"is asked in all\.$",
        told.said[-1],
    )


def test_both_strings_of_a_saddle_are_slackened() -> None:
    told = Told.begin("twelve-string", strings=(12, 10))
    while len(told.entries) < 200 and not any("Slacken both, " in text for text in told.said):
        told.string(4.0)
    moves = [text for text in told.said if re.search("[Ss]lacken (both|strings)", text)]
    assert "Slacken strings eleven and twelve" in moves[0]
    assert re.search(r"Slacken both, [\w ]+ turns? (counter)?clockwise\.", moves[-1])
    assert not any("Slacken, " in text for text in told.said)


def test_a_take_says_where_the_offset_stands_and_how_many_more() -> None:
    told = Told.begin(strings=(6,))
    told.play(6).play(6, 12, 2.5).play(6, 12, 2.1)
    now, verdict = told.state.log.string.now, told.state.log.string.verdict
    assert now is not None
    assert verdict is not None
    more = verdict.more_takes
    assert more is not None
    expected = f"{cents(now.offset_cents)}, {number(more.open + more.fretted, 0)} more."
    assert told.said[-1].startswith(f"{expected.capitalize()} ")


def test_what_is_asked_of_a_take_is_spoken() -> None:
    told = Told.begin("twelve-string", strings=(4,)).play(4, split_cents=5.2)
    assert told.said[-1].startswith(
        "Is string three, its partner, muted? Two strings five cents apart seem to ring: if not, "
        "mute it and take this pluck back (key u). Fret string four"
    )
    told.play(4, 12, split_cents=5.2)  # asked once
    assert "partner, muted?" not in told.said[-1]


def test_at_the_border_the_ear_is_asked_whether_the_saddle_has_been_moved() -> None:
    """Or a second open pluck would be taken for a yes that nobody was asked for."""
    told = Told.begin(strings=(6,), most_takes=12).play(6)
    for departure in (3.8, -3.8, 2.3, -2.3, 3.0, -3.0) * 4:
        if told.state.log.step is Step.BORDER:
            break
        fret = told.state.log.wanted_fret
        told.play(6, fret, 1.8 + departure if fret else 0.0)
    assert told.state.log.step is Step.BORDER
    told.play(6)
    assert "Has the saddle been moved? Then pluck it once more." in told.said[-1]


def test_a_rejected_pluck_says_why_in_full_once() -> None:
    told = Told.begin(strings=(6,)).play(6)
    told.play(6, 12, reason=Reason.TWO_STRINGS)
    why = rejected_words(Reason.TWO_STRINGS)
    assert told.said[-1] == f"Rejected: {why}. Fret twelve."
    told.play(6, 12, reason=Reason.TWO_STRINGS)
    assert told.said[-1] == f"Rejected: {why.partition(':')[0]}. Fret twelve."
    assert ":" in why


def test_nothing_is_spoken_while_a_note_rings_and_a_string_done_is_not_forgotten() -> None:
    told = Told.begin(strings=(6, 5)).play(6)
    count = len(told.said)
    while told.state.log.current == 6:
        # Plucked at once: the next note rings before this one has been read.
        first_s, told.now_s = told.now_s, told.now_s + 3.0
        fret = told.state.log.wanted_fret or 0
        told.ring(told.target_hz(6, fret))
        told.event(ReadingReady(told.reading(told.target_hz(6, fret), first_s), final=True))
        assert told.state.ringing
        assert len(told.said) == count
    told.play(5)
    assert told.said[count:] == ["String six, zero: leave it. String five, fret twelve."]


def test_what_is_wrong_with_the_input_is_spoken() -> None:
    told = Told.begin(strings=(6,))
    told.event(InputHeard("line in", None, Fault.SILENT))
    assert told.said[-1] == "Unmute the input line in, or plug it in: it is dead silent."
    told.event(InputHeard("line in", -40.0))
    assert told.said[-1] == "Open."
    told.event(InputLost("unplugged"))
    assert told.said[-1] == "Connect the sound input again."


def test_no_figure_and_no_sign_is_left_for_the_voice_to_guess() -> None:
    told = Told.begin(strings=(6, 5)).play(6, 0, -14.0).play(6).takes(6.0).move_and_retune(6)
    told.takes(0.1).play(5, reason=Reason.CLIPPED).string(-4.0)
    assert len(told.said) > 10
    for text in told.said:
        assert not re.search(r"[0-9±+−%#]", text), text


def test_a_survey_asks_for_one_note_after_the_other() -> None:
    played = Played(begin(plan()))
    spoken = Spoken[Survey](SurveySays())
    said = [spoken(played.survey, played.survey)]
    for string, fret, off in ((6, 0, 1.0), (6, 5, 3.0), (6, 12, 2.2), (5, 0, 0.0), (5, 5, -3.1)):
        before = played.survey
        played.note(string, fret, off)
        said.append(spoken(before, played.survey))
    assert said == [
        "Pluck string six (E two) open.",
        "One sharp. String six: fret the fifth and pluck it.",
        "Two sharp. Fret twelve.",
        "One point two sharp. String five, open.",
        "Zero. Fret five.",
        "Three point one flat. Fret twelve.",
    ]


def test_plucks_laid_over_each_other_are_told_one_by_one() -> None:
    spoken = Spoken[Overlay](OverlaySays())
    overlay = Overlay()
    said = [spoken(overlay, overlay)]
    for event in heard():
        old, overlay = overlay, overlay.advance(event)
        said.append(spoken(old, overlay))
    told = [text for text in said if text]
    assert told[0] == "Pluck a string and let it ring."
    assert re.fullmatch(
        r"Pluck one: the attack [\w ]+ sharp, settled after [\w ]+ seconds\.", told[1]
    )
    assert re.fullmatch(r"Pluck three: [\w ]+ sharp, [\w ]+ seconds\.", told[3])
    assert len(told) == 4
