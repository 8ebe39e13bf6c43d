"""Which fret each pitch is: any order, strings out of tune, notes that belong to none."""

import pytest

from pitchbench.intonation.frets import tell_frets

E2_HZ = 82.4069


def pitches(*cents, open_hz=E2_HZ):
    return [open_hz * 2 ** (c / 1200) for c in cents]


def test_any_order_and_any_fret():
    cents = {1205: 12, 1: 0, 103: 1, 1698: 17, -2: 0, 497: 5, 2395: 24}
    for open_hz in (E2_HZ, None):
        assert tell_frets(pitches(*cents), open_hz=open_hz) == list(cents.values())


@pytest.mark.parametrize("off", [-240, -120, -60, 70])
def test_a_named_string_may_be_out_of_tune(off):
    assert tell_frets(pitches(off, off + 100, off + 1205), open_hz=E2_HZ) == [0, 1, 12]


def test_a_flat_string_is_not_taken_for_its_first_fret():
    """At -30 cents the 1st fret lies nearer to the name than the open string's bound of 80."""
    assert tell_frets(pitches(70, -30, 71, 1170), open_hz=E2_HZ) == [1, 0, 1, 12]


def test_plucks_made_while_tuning_up_do_not_count():
    cents = (-150, -55, -2, 1, 99, 704, 1203)
    assert tell_frets(pitches(*cents), open_hz=E2_HZ) == [None, None, 0, 0, 1, 7, 12]


def test_a_string_slackened_to_move_its_saddle_makes_no_2nd_fret_of_the_open_string():
    """Slackened by two semitones once, and all else at pitch; but a whole string that is two
    semitones flat is."""
    assert tell_frets(pitches(2, 1203, 1201, -199, 1, 1202), open_hz=E2_HZ) == [
        0, 12, 12, None, 0, 12,
    ]  # fmt: skip
    assert tell_frets(pitches(-199, -98, 2, 499, -201), open_hz=E2_HZ) == [0, 1, 2, 7, 0]
    assert tell_frets(pitches(-199, 2, 3, 499, -201), open_hz=E2_HZ) == [0, 2, 2, 7, 0]


def test_without_an_open_note_the_name_counts():
    assert tell_frets(pitches(104, 1203), open_hz=E2_HZ) == [1, 12]


def test_the_lowest_note_is_open_where_nothing_was_named():
    assert tell_frets(pitches(310, 304, 807)) == [0, 0, 5]


def test_what_lies_between_frets_below_or_beyond_the_neck_is_none_of_them():
    assert tell_frets(pitches(0, 450, 1205, -500), open_hz=E2_HZ) == [0, None, 12, None]
    assert tell_frets(pitches(0, 1900, 2300), open_hz=E2_HZ, highest=22) == [0, 19, None]


def test_nothing_heard():
    assert tell_frets([], open_hz=E2_HZ) == []
