"""The best compromise over the neck: by hand, by brute force, and what must hold of any."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize

from pitchbench.belief import Belief
from pitchbench.errors import PitchbenchError
from pitchbench.intonation import geometry
from pitchbench.intonation.compromise import Compromise, best_compromise
from pitchbench.intonation.neck import StringNeck
from pitchbench.intonation.played import Place, Played, read_played
from pitchbench.presets import preset
from pitchbench.refit import with_capo
from pitchbench.units import CENTS_PER_NEPER, fret_ratio

GUITAR = preset("six-string")


def neck(string: int, *, nut: float = 0.0, saddle: float = 0.0, u: float = 1e-6) -> StringNeck:
    return StringNeck(
        string, (), Belief.normal(nut, u), Belief.normal(saddle, u), 0.0, fret_sd_cents=u
    )


def best(necks: list[StringNeck], played: Played) -> Compromise:
    return best_compromise(necks, GUITAR, played, a4_hz=440.0)


def of_notes(notes: Mapping[Place, float]) -> Played:
    return Played(dict(notes), {})


def test_a_saddle_that_is_all_that_is_wrong_is_set_right_and_the_open_string_left() -> None:
    found = best([neck(6, saddle=8.0)], read_played(["up to fret 12"], GUITAR))
    (setting,) = found.strings
    right_mm = geometry.saddle_move_mm(8.0, fret=12, scale_mm=GUITAR.scale_of(6))
    # The fit takes the saddle's pull for straight; 8 cents bend it by a two-hundredth.
    assert setting.move.mm == pytest.approx(right_mm, rel=0.01)
    assert setting.tuned.centre == pytest.approx(0.0, abs=0.02)
    assert found.best.cents < 0.05
    assert found.at_the_12th.cents < 0.05
    assert found.now.cents > 2.0


def test_a_saddle_that_strings_share_makes_one_move() -> None:
    """Each pulls it to where it is right for that string alone; equal pulls, so halfway."""
    paired = preset("paired-saddles")
    necks = [neck(6, saddle=8.0), neck(5, saddle=2.0)]
    found = best_compromise(necks, paired, of_notes({(6, 12): 1.0, (5, 12): 1.0}), a4_hz=440.0)
    moves = [setting.move.mm for setting in found.strings]
    assert moves[0] == moves[1]
    alone = best(necks, of_notes({(6, 12): 1.0, (5, 12): 1.0}))
    low, high = sorted(setting.move.mm for setting in alone.strings)
    assert low < moves[0] < high
    # At the 12th by the mean: 3 cents are left on either.
    assert found.at_the_12th.cents == pytest.approx(3.0, abs=0.1)
    assert alone.at_the_12th.cents < 0.1


def test_a_saddle_goes_no_farther_than_it_can() -> None:
    acoustic = preset("steel-acoustic")
    notes = of_notes({(6, 12): 1.0})
    found = best_compromise([neck(6, saddle=8.0)], acoustic, notes, a4_hz=440.0)
    (setting,) = found.strings
    assert (setting.move.mm, setting.at_its_end) == (1.0, True)
    # It does a third of the 8 cents: 1731 cents over the length for each millimetre.
    left = 8.0 - CENTS_PER_NEPER / acoustic.scale_of(6)
    assert found.at_the_12th.cents == pytest.approx(left, abs=0.1)
    assert found.best.cents == pytest.approx(left, abs=0.5)
    (setting,) = best([neck(6, saddle=8.0)], notes).strings
    assert not setting.at_its_end


def test_no_more_of_a_saddle_is_filed_than_is_sure() -> None:
    """Half a millimetre is asked, give or take a fifth: what is left is what is left of that."""
    acoustic = preset("steel-acoustic")
    asked = best_compromise(
        [neck(6, saddle=1.3, u=0.3)], acoustic, of_notes({(6, 12): 1.0}), a4_hz=440.0
    )
    (setting,) = asked.strings
    assert setting.move.asked_mm == pytest.approx(0.5, abs=0.05)
    assert setting.move.mm == setting.move.interval95_mm[0]
    assert 0.1 < setting.move.mm < 0.4
    assert not setting.at_its_end
    assert asked.best.cents > 0.2


def test_frets_that_are_said_are_those_of_the_neck() -> None:
    under = with_capo(GUITAR, 2)
    assert {fret for _, fret in read_played(["up to fret 5"], under).notes} == {0, 1, 2, 3}
    assert min(fret for _, fret in read_played(["lead above 12"], under).notes) == 10
    banjo = read_played(["open chords"], preset("banjo-five")).notes
    assert {fret for string, fret in banjo if string == 5} == {0}
    assert {fret for string, fret in banjo if string == 4} == {0, 1, 2, 3}


def test_two_notes_by_hand() -> None:
    # A nut of 3 cents, played open and at the 12th fret. With t the tuning and m what the saddle
    # does at the 12th: t^2 + (3 + t + m)^2, and a twentieth of (3 + t + m g)^2 at frets 1 to 11,
    # g = 2^(n/12) - 1. The two normal equations, written out:
    g = np.array([fret_ratio(n) - 1.0 for n in range(1, 12)])
    w = 0.05
    a = np.array([[2.0 + 11 * w, 1.0 + w * g.sum()], [1.0 + w * g.sum(), 1.0 + w * (g**2).sum()]])
    b = -3.0 * np.array([1.0 + 11 * w, 1.0 + w * g.sum()])
    tuned, at_12 = np.linalg.solve(a, b)
    found = best([neck(6, nut=3.0)], of_notes({(6, 0): 1.0, (6, 12): 1.0}))
    (setting,) = found.strings
    assert setting.tuned.centre == pytest.approx(tuned, abs=1e-6)
    mm = -at_12 * GUITAR.scale_of(6) / CENTS_PER_NEPER
    assert setting.move.mm == pytest.approx(mm, abs=1e-6)
    not_played = best([neck(6, nut=3.0)], of_notes({(6, 0): 1.0, (6, 12): 1.0, (6, 5): 0.0}))
    assert not_played.strings == found.strings


def test_brute_force_finds_nothing_better_for_chords_on_three_strings() -> None:
    necks = [neck(4, nut=2.0, saddle=-3.0), neck(5, nut=4.0, saddle=5.0), neck(6, nut=1.0)]
    played = read_played(["open chords", "x50xxx"], GUITAR)
    found = best(necks, played)
    of = {each.string: each for each in necks}
    notes = {place: w for place, w in played.notes.items() if place[0] in of}
    pairs = {p: w for p, w in played.together.items() if {p[0][0], p[1][0]} <= of.keys()}
    assert pairs
    least = 0.05 * min(notes.values())
    rest = {(s, n): least for s in of for n in range(1, 13) if (s, n) not in notes}

    def badness(x: np.ndarray) -> float:
        setting = dict(zip(of, x.reshape(-1, 2), strict=True))

        def error(place: Place) -> float:
            string, fret = place
            tuned, mm = setting[string]
            lever = fret_ratio(fret) - 1.0
            made = of[string].nut.centre + of[string].saddle.centre * lever if fret else 0.0
            return made + tuned - CENTS_PER_NEPER * lever * mm / GUITAR.scale_of(string)

        total = sum(w * error(place) ** 2 for place, w in (notes | rest).items())
        return total + sum(
            w * (error(high) - error(low)) ** 2 for (low, high, _, _), w in pairs.items()
        )

    mine = np.array([[s.tuned.centre, s.move.mm] for s in found.strings]).ravel()
    brute = optimize.minimize(badness, np.zeros(6), method="Powell", tol=1e-12)
    assert badness(mine) <= brute.fun * (1.0 + 1e-6)
    assert mine == pytest.approx(brute.x, abs=2e-3)
    assert found.best.cents < found.at_the_12th.cents
    assert found.best.beats_hz < found.at_the_12th.beats_hz
    assert found.with_the_nut.cents < found.best.cents


def test_beats_are_those_of_the_notes_as_they_sound() -> None:
    """A nut of 3 cents. E3, 164.81 Hz, beats with the E3 that is right; where it sounds with the
    open D3, 146.83 Hz, the 9th partial of that, 1321 Hz, with the 8th of E3 (any table of equal
    temperament)."""
    e3 = {(6, 12): 1.0}
    alone = best([neck(6, nut=3.0)], of_notes(e3)).now
    assert alone.beats_hz == pytest.approx(164.81 * 3.0 / CENTS_PER_NEPER, rel=1e-4)
    together = Played({**e3, (4, 0): 1.0}, {((4, 0), (6, 12), 9, 8): 1.0})
    both = best([neck(6, nut=3.0), neck(4, nut=3.0)], together).now
    assert both.beats_hz == pytest.approx(9 * 146.83 * 3.0 / CENTS_PER_NEPER, rel=1e-4)


def test_what_the_survey_leaves_open_is_in_the_settings() -> None:
    sure, unsure = (
        best([neck(6, nut=3.0, u=u)], read_played(["up to fret 5"], GUITAR)).strings[0]
        for u in (0.1, 1.0)
    )
    assert unsure.u_mm == pytest.approx(10.0 * sure.u_mm, rel=0.05)
    assert unsure.tuned.u == pytest.approx(10.0 * sure.tuned.u, rel=0.05)
    # Drawn: necks as they may truly be, each set as would be best for it.
    rng = np.random.default_rng(4)
    best_for = []
    for nut, saddle in rng.normal((3.0, 0.0), 0.5, size=(300, 2)):
        each = best([neck(6, nut=nut, saddle=saddle)], read_played(["up to fret 5"], GUITAR))
        best_for.append((each.strings[0].tuned.centre, each.strings[0].move.mm))
    said = best(
        [StringNeck(6, (), Belief.normal(3.0, 0.5), Belief.normal(0.0, 0.5), 0.0, 0.0, 1e-6)],
        read_played(["up to fret 5"], GUITAR),
    ).strings[0]
    spread = np.std(best_for, axis=0)
    # 300 draws tell a spread to 4 %.
    assert (said.tuned.u, said.u_mm) == pytest.approx(tuple(spread), rel=0.15)


def test_words_for_what_is_played() -> None:
    low = read_played(["up to fret 2"], GUITAR)
    assert set(low.notes) == {(s, n) for s in range(1, 7) for n in range(3)}
    assert math.fsum(low.notes.values()) == pytest.approx(1.0)
    high = read_played(["Lead above fret 12"], GUITAR)
    assert {fret for string, fret in high.notes if string == 1} == set(
        range(12, GUITAR.highest_fret(1) + 1)
    )
    assert {fret for _, fret in read_played(["up to fret 1"], GUITAR).notes} == {0, 1}
    assert read_played(["up to fret 24"], GUITAR).notes
    chord = read_played(["022100"], GUITAR)
    assert chord.notes[(5, 2)] == pytest.approx(1.0 / 6.0)
    # E2 B2 E3 G#3 B3 E4: unison none, fifths E2 B2 and E3 B3, octaves E2 E3, B2 B3, E3 E4, twelfth
    # E2 B3, double octave E2 E4.
    assert len(chord.together) == 7
    bass = preset("bass-four")
    assert set(read_played(["open chords"], bass).notes) == {
        (s, n) for s in range(1, 5) for n in range(4)
    }


@pytest.mark.parametrize("words", ["", "jazz", "up to fret 25", "x3201", "lead above 0"])
def test_what_is_not_known_is_refused(words: str) -> None:
    with pytest.raises(PitchbenchError, match="nothing that is known"):
        read_played([words], GUITAR)


def test_what_was_not_heard_cannot_be_set() -> None:
    with pytest.raises(PitchbenchError, match="Nothing of what is played"):
        best([neck(6)], of_notes({(1, 3): 1.0}))


def test_open_chords_are_those_of_six_strings_in_fourths_with_a_third() -> None:
    """Of the eight chords E, G and E minor sound the lowest string: open, or at the 3rd fret."""
    guitar = preset("six-string")
    low = {fret for string, fret in read_played(["open chords"], guitar).notes if string == 6}
    assert low == {0, 3}
    first, *others = guitar.strings
    sharp = replace(guitar, strings=(replace(first, note=first.note.up(1)), *others))
    assert {fret for _, fret in read_played(["open chords"], sharp).notes} == {0, 1, 2, 3}
    assert not read_played(["open chords"], sharp).together
