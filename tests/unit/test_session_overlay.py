"""Plucks laid over each other: what stays, what goes, and when it ends."""

from __future__ import annotations

from dataclasses import replace

import pytest
from overlay_story import heard, overlaid

from pitchbench.intonation.drift import Strength, tell_strengths
from pitchbench.pitch.listener import LivePitch, PluckStarted, ReadingReady
from pitchbench.pitch.reading import Reason, Rejected
from pitchbench.session.job import Command, InputBack, InputLost, KeyPressed
from pitchbench.session.overlay import Overlay


def after(overlay: Overlay, *events) -> Overlay:
    for event in events:
        overlay = overlay.advance(event)
    return overlay


def numbers(overlay: Overlay) -> list[int]:
    return [pluck.number for pluck in overlay.plucks]


def test_every_pluck_stays_and_is_known_by_its_number() -> None:
    overlay = overlaid()
    assert numbers(overlay) == [1, 2, 3]
    attacks = [pluck.reading.attack_cents for pluck in overlay.settled]
    # What was put in, 30 ms after the onset; samples/truth.json.
    assert attacks == pytest.approx([1.911, 7.621, 19.096], rel=0.02, abs=0.15)
    assert not overlay.ringing


def test_soft_medium_and_hard_are_told_by_level() -> None:
    drifts = [pluck.drift for pluck in overlaid().settled]
    assert tell_strengths(drifts) == [Strength.SOFT, Strength.MEDIUM, Strength.HARD]
    # In any order, and only beside others of the same note that differ.
    assert tell_strengths(drifts[::-1]) == [Strength.HARD, Strength.MEDIUM, Strength.SOFT]
    assert tell_strengths(drifts[:1]) == [None]
    assert tell_strengths([drifts[0], drifts[0]]) == [None, None]
    octave = replace(drifts[2], reading=replace(drifts[2].reading, pitch_hz=164.8))
    assert tell_strengths([drifts[0], octave]) == [None, None]


def test_the_note_that_rings_is_followed_from_its_start() -> None:
    first = next(n for n, event in enumerate(heard()) if isinstance(event, LivePitch))
    overlay = overlaid(first + 20)
    assert overlay.ringing
    assert overlay.asks == "Let it ring to its end."
    assert len(overlay.live_trace) > 5
    assert after(overlay, PluckStarted(9.0)).live_trace == ()


def test_a_pluck_that_ended_does_not_take_away_the_newer_one() -> None:
    overlay = after(
        Overlay(),
        PluckStarted(5.0),
        LivePitch(5.5, 5.0, 110.0, 1.0, -20.0),
        ReadingReady(Rejected(1.0, 3.9, Reason.TOO_SHORT), final=True),
    )
    assert overlay.ringing
    assert len(overlay.live_trace) == 1
    assert numbers(overlay) == [1]
    assert overlay.settled == ()


def test_an_early_offer_is_no_pluck() -> None:
    reading = overlaid().plucks[0].reading
    assert after(Overlay(), ReadingReady(reading, final=False)).plucks == ()


def test_keys_strike_out_clear_and_quit() -> None:
    overlay = overlaid()
    assert numbers(after(overlay, KeyPressed(Command.STRIKE))) == [1, 2]
    assert numbers(after(overlay, KeyPressed(Command.STRIKE, 2))) == [1, 3]
    unknown = after(overlay, KeyPressed(Command.STRIKE, 9))
    assert (numbers(unknown), "no such pluck" in unknown.says) == ([1, 2, 3], True)
    cleared = after(overlay, KeyPressed(Command.AGAIN))
    assert cleared.plucks == ()
    # Numbers go on, so that what is said of pluck 3 stays true.
    again = after(cleared, ReadingReady(overlay.plucks[0].reading, final=True))
    assert numbers(again) == [4]
    assert after(overlay, KeyPressed(Command.QUIT)).over
    assert after(overlay, KeyPressed(Command.FREEZE)).display.frozen
    assert not overlay.over


def test_so_many_settled_plucks_are_enough() -> None:
    reading = overlaid().plucks[0].reading
    overlay = Overlay(enough=2)
    overlay = after(overlay, ReadingReady(reading, final=True))
    overlay = after(overlay, ReadingReady(Rejected(9.0, 0.1, Reason.TOO_SHORT), final=True))
    assert not overlay.over
    assert after(overlay, ReadingReady(reading, final=True)).over


def test_a_lost_input_is_told_and_comes_back() -> None:
    overlay = after(Overlay(), InputBack(), PluckStarted(1.0), InputLost("unplugged"))
    assert (overlay.asks, overlay.ringing) == ("Connect the sound input again.", False)
    assert after(overlay, InputBack()).says == "The sound input is back."
