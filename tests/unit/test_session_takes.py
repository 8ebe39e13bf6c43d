"""Which takes count, and when a string is doubted, on takes that are made of numbers."""

from __future__ import annotations

import pytest
from invented import a_reading

from pitchbench.belief import Belief
from pitchbench.intonation.offset import Group, Offset
from pitchbench.pitch.reading import Reading, Reason, Rejected
from pitchbench.session import takes
from pitchbench.session.log import SessionTake, StringState, TakeFate
from pitchbench.units import cents_between, shifted_hz

E2_HZ, E3_HZ = 82.4069, 164.8138


def a_take(
    reading: Reading | Rejected, fret: int = 0, *, tuning: int = 1, round_: int = 0
) -> SessionTake:
    fate = TakeFate.ACCEPTED if isinstance(reading, Reading) else TakeFate.REJECTED
    return SessionTake(1, 6, fret, round_, reading, fate, tuning=tuning)


def a_string(*of: SessionTake, tuning: int = 1) -> StringState:
    return StringState(6, takes=of, tuning=tuning)


def never_settled(reason: Reason = Reason.NEVER_SETTLED, round_: int = 0) -> SessionTake:
    return a_take(Rejected(0.0, 2.5, reason, pitch_hz=E2_HZ), round_=round_)


def good(cents: float = 0.0, fret: int = 0, tuning: int = 1) -> SessionTake:
    hz = shifted_hz(E3_HZ if fret else E2_HZ, cents)
    return a_take(a_reading(hz), fret, tuning=tuning)


def an_offset(opens: Group, fretteds: Group) -> Offset:
    return Offset(12, opens, fretteds, Belief(0.0, 1.0, 4.0))


CALM = Group(5, E2_HZ, 0.4)


def test_four_plucks_in_a_row_that_never_settled_are_evidence() -> None:
    four = [never_settled()] * 4
    said = "4 plucks in a row never settled"
    assert takes.doubt(a_string(*four), None) == said
    assert takes.doubt(a_string(good(), *four), None) == said
    assert takes.doubt(a_string(*four[:3]), None) is None
    assert takes.doubt(a_string(*four, good()), None) is None
    assert takes.doubt(a_string(*four[:2], good(), *four[:2]), None) is None
    other = never_settled(Reason.TWO_STRINGS)
    assert takes.doubt(a_string(four[0], other, *four[:3]), None) is None
    before_the_move = never_settled(round_=1)
    assert takes.doubt(a_string(before_the_move, *four[:3]), None) is None


@pytest.mark.parametrize(
    ("opens", "fretteds", "said"),
    [
        (Group(5, E2_HZ, 5.1), CALM, "5 open takes spread by 5.1 cents"),
        (Group(5, E2_HZ, 4.9), CALM, None),
        (Group(4, E2_HZ, 9.0), CALM, None),
        (CALM, Group(6, E3_HZ, 10.2), "6 fretted takes spread by 10.2 cents"),
        (CALM, Group(5, E3_HZ, 9.9), None),
        (CALM, Group(4, E3_HZ, 20.0), None),
        (Group(1, E2_HZ, None), Group(1, E3_HZ, None), None),
    ],
)
def test_five_takes_that_spread_hopelessly_are_evidence(
    opens: Group, fretteds: Group, said: str | None
) -> None:
    assert takes.doubt(a_string(good()), an_offset(opens, fretteds)) == said


def test_takes_of_an_earlier_tuning_are_referred_to_the_last_by_their_open_pitch() -> None:
    """Tuned 3 cents higher since: what was heard before is 3 cents higher too."""
    string = a_string(
        good(0.0, tuning=1), good(5.0, 12, tuning=1), good(3.0, tuning=2), good(9.0, 12, tuning=2),
        tuning=2,
    )  # fmt: skip
    cents = [cents_between(t.pitch_hz, E3_HZ if t.fret else E2_HZ) for t in takes.referred(string)]
    assert cents == pytest.approx([3.0, 8.0, 3.0, 9.0])
    opens, fretteds = takes.groups(string, fret=12)
    assert opens is not None
    assert fretteds is not None
    assert (opens.n, fretteds.n) == (2, 2)
    assert cents_between(fretteds.mean_hz, E3_HZ) == pytest.approx(8.5)
    assert takes.in_this_tuning(string) == string.takes[2:]


def test_a_tuning_without_an_open_take_is_left_as_it_was_heard() -> None:
    string = a_string(good(5.0, 12, tuning=1), good(3.0, tuning=2), tuning=2)
    assert [t.pitch_hz for t in takes.referred(string)] == [
        string.takes[0].reading.pitch_hz,
        string.takes[1].reading.pitch_hz,
    ]
    assert takes.groups(string, fret=7)[1] is None
    assert takes.open_mean_hz(string.takes[:1]) is None
    two = (good(0.0), good(4.0))
    assert cents_between(takes.open_mean_hz(two) or 0.0, E2_HZ) == pytest.approx(2.0)
