"""A survey of a virtual neck, to hear what the 12th fret alone does not tell."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from pitchbench.pitch.listener import Listener
from pitchbench.session.log import Setup
from pitchbench.session.rehearsal import blocks_in_room
from pitchbench.session.survey import Plan, Survey, begin, wanted
from pitchbench.strings.virtual import VirtualInstrument

#: A nut slot that is too high is heard at the first frets, beside a few that it hardly reaches.
_FRETS: Final = (1, 2, 3, 5, 7, 12)
_TAKES: Final = 2

#: Refretting, 1 sigma, of a player who takes care; our own invention.
_REFRET_CENTS: Final = 0.7

_MOST_PLUCKS: Final = 60


def rehearse_survey(instrument: VirtualInstrument, setup: Setup, *, seed: int) -> Survey:
    """Play the first string of ``setup`` open and at the frets of a survey, each note twice."""
    string = setup.order[0]
    highest = setup.instrument.highest_fret(string)
    frets = tuple(setup.instrument.neck_fret(string, fret) for fret in _FRETS if fret <= highest)
    survey = begin(Plan(replace(setup, strings=(string,)), frets, _TAKES))
    rng = np.random.default_rng([seed, 3])
    listener = Listener(instrument.rate_hz, offer_early=False)
    quiet = np.zeros(round(0.7 * instrument.rate_hz), np.float32)
    instrument.tune(string)
    start = 0
    for _ in range(_MOST_PLUCKS):
        fret = wanted(survey, string) or 0
        detune = _REFRET_CENTS * float(rng.standard_normal()) if fret else 0.0
        note = instrument.pluck(string, fret, ring_s=2.0, detune_cents=detune)
        sound = np.concatenate([quiet, note, quiet])
        for block in blocks_in_room(instrument, sound, start):
            for heard in listener.feed(block):
                survey = survey.advance(heard)
        start += len(sound)
        if survey.over:
            break
    return survey
