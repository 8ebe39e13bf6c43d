"""A verdict in words, at the numbers where the words change."""

from __future__ import annotations

import pytest

from pitchbench.belief import Belief
from pitchbench.intonation.offset import Group, Offset
from pitchbench.intonation.verdict import (
    Decision,
    MoreTakes,
    Notice,
    Verdict,
    choice_words,
    explain,
    notice_words,
    percent,
    progress_words,
    sure_words,
)
from pitchbench.report.offset import BY_THE_TAKES

TAKE_MORE, LEAVE, MOVE = Decision.TAKE_MORE, Decision.LEAVE, Decision.MOVE


def an_offset(cents: float) -> Offset:
    group = Group(3, 110.0, 0.3)
    return Offset(12, group, group, Belief(cents, 0.5, 8.0))


@pytest.mark.parametrize(
    ("p", "words"),
    [
        (1.0, "over 99 %"),
        (0.9951, "over 99 %"),
        (0.995, "over 99 %"),
        (0.9949, "99 %"),
        (0.95, "95 %"),
        (0.9499, "94 %"),
        (0.5, "50 %"),
        (0.01, "1 %"),
        (0.4894, "49 %"),
        (0.8399, "84 %"),
        (0.9449, "94 %"),
        (0.9551, "96 %"),
        (0.0099, "1 %"),
        (0.0049, "under 1 %"),
        (0.0, "under 1 %"),
    ],
)
def test_a_probability_is_never_rounded_to_certainty(p: float, words: str) -> None:
    assert percent(p) == words


def test_one_cent_is_one() -> None:
    for cents, within in ((1.0, "within 1 cent with"), (2.0, "within 2 cents with")):
        assert within in explain(an_offset(0.2), Verdict(Decision.LEAVE, cents, 0.97))


@pytest.mark.parametrize(
    ("plucks", "next_fretted", "more"),
    [
        (0.2, True, MoreTakes(0, 1)),
        (1.0, True, MoreTakes(0, 1)),
        (1.1, True, MoreTakes(0, 2)),
        (3.0, False, MoreTakes(1, 3)),
        (None, True, None),
    ],
)
def test_how_many_more_takes(
    plucks: float | None, next_fretted: bool, more: MoreTakes | None
) -> None:
    verdict = Verdict(TAKE_MORE, 2.0, 0.5, plucks_to_go=plucks, next_fretted=next_fretted)
    assert verdict.more_takes == more


@pytest.mark.parametrize("decision", [LEAVE, MOVE])
def test_what_is_decided_needs_no_more_takes(decision: Decision) -> None:
    verdict = Verdict(decision, 2.0, 0.5, plucks_to_go=3.0)
    assert verdict.more_takes is None
    assert progress_words(verdict) == ""


def test_how_sure_it_is_which_way_it_goes() -> None:
    said = {
        Verdict(TAKE_MORE, 2.0, 0.829, plucks_to_go=2.2): "about 3 more plucks; 83 % for leaving",
        Verdict(TAKE_MORE, 2.0, 0.26, plucks_to_go=1.0): "1 more pluck; 74 % for moving",
        Verdict(TAKE_MORE, 2.0, 0.26, plucks_to_go=2.0): "about 2 more plucks; 74 % for moving",
        Verdict(LEAVE, 2.0, 0.951): "95 % sure: leave it",
        Verdict(MOVE, 2.0, 0.8, p_moved=0.95): "80 % good if left, 95 % if moved",
        Verdict(MOVE, 2.0, 0.001): "over 99 % sure: move it",
    }
    for verdict, words in said.items():
        assert sure_words(verdict) == words
    border = Verdict(LEAVE, 2.0, 0.6, border=True, p_moved=0.91)
    assert choice_words(border) == "60 % good if left, 91 % if moved"


def test_one_take_decides_and_several_decide() -> None:
    one = Verdict(TAKE_MORE, 2.0, 0.5, plucks_to_go=1.0)
    assert progress_words(one) == "about 1 more take decides it"
    with_open = Verdict(TAKE_MORE, 2.0, 0.5, plucks_to_go=1.0, next_fretted=False)
    assert progress_words(with_open) == "about 2 more takes decide it"


@pytest.mark.parametrize(
    ("cents", "verdict", "words"),
    [
        (0.4, Verdict(LEAVE, 2.0, 0.97), "+0.4 cents: within 2 cents with 97 % probability."),
        (-0.04, Verdict(LEAVE, 2.0, 0.97), "+0.0 cents: within 2 cents with 97 % probability."),
        (
            -5.0,
            Verdict(MOVE, 2.0, 0.01, p_moved=0.9),
            "-5.0 cents, flat: within 2 cents with 1 % probability if left, 90 % if moved.",
        ),
        (5.0, Verdict(MOVE, 2.0, 0.01), "+5.0 cents, sharp: within 2 cents with 1 % probability."),
        (
            2.0,
            Verdict(LEAVE, 2.0, 0.5, border=True, p_moved=0.6),
            "+2.0 cents: on the border: within 2 cents with 50 % probability if left, 60 % if "
            "moved; more takes would hardly decide it.",
        ),
        (
            2.0,
            Verdict(TAKE_MORE, 2.5, 0.5, plucks_to_go=2.0),
            "+2.0 cents: within 2.5 cents with 50 % probability; about 2 more takes decide it.",
        ),
        (
            2.0,
            Verdict(TAKE_MORE, 2.0, 0.5),
            "+2.0 cents: on the border, within 2 cents with 50 % probability.",
        ),
    ],
)
def test_why(cents: float, verdict: Verdict, words: str) -> None:
    assert explain(an_offset(cents), verdict) == words


def test_on_a_shared_saddle_the_mean_is_what_is_judged() -> None:
    """A string of -1 cent beside one of +9: the saddle goes by +4, here with a u of 1 cent."""
    verdict = Verdict(MOVE, 2.0, 0.01, p_moved=0.9)
    assert explain(an_offset(-1.0), verdict, mean=Belief.normal(4.0, 1.0)) == (
        "-1.0 cents, the mean of its saddle +4.0 ± 2.0 cents, sharp: the mean within 2 "
        "cents with 1 % probability if left, 90 % if moved."
    )
    assert explain(an_offset(-1.0), verdict).startswith("-1.0 cents, flat: ")


def test_every_notice_has_its_words() -> None:
    verdict = Verdict(TAKE_MORE, 2.0, 0.5)
    # Those of recordings are worded by their takes.
    own = set(Notice) - set(BY_THE_TAKES) | {Notice.BENT}
    assert len({notice_words(notice, verdict) for notice in own}) == len(own)
    fitting = Verdict(TAKE_MORE, 2.0, 0.5, fitting_tolerance_cents=3.5)
    for notice in (Notice.SCATTER, Notice.UNSURE_READINGS):
        assert "3.5 cents would fit" in notice_words(notice, fitting)
