"""A virtual instrument: strings, saddles and a room that sound, sample by sample.

Nothing here is measured from a real instrument. The pitches follow the physics of
``strings/physics.py``; levels, decays and noises are our own invention, of realistic size.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import scipy  # its parts load when first used, so that the first screen need not wait for them
from numpy.typing import NDArray

from pitchbench.instrument import BridgeKind, Instrument, Material
from pitchbench.notes import A4_HZ
from pitchbench.strings.materials import StringProperties, string_properties
from pitchbench.strings.physics import (
    Neck,
    bending_parameter,
    frequency_hz,
    fretted_bending_parameter,
    fretted_lengths,
    glide_cents,
    inharmonicity,
    neck_of,
    offset_cents,
    stretch_stiffness,
    tension_n,
)
from pitchbench.strings.rendering import (
    INAUDIBLE,
    Partials,
    Room,
    Samples,
    add_click,
    add_partials,
    ran_ahead_s,
    sample_times_s,
    shape_ends,
)
from pitchbench.units import fret_ratio, shifted_hz

#: No partial above this is rendered: microphones for this job hear little there, and the
#: analysis looks at the lowest dozen or so.
_HIGHEST_PARTIAL_HZ: Final = 8000.0
_MOST_PARTIALS: Final = 80
_SECOND_POLARISATION_PARTIALS: Final = 12

#: The string is plucked at this fraction of the scale from the saddle, wherever it is fretted.
_PLUCK_POSITION: Final = 0.125

#: What a light touch at a node, soon lifted, leaves of the partials that have none there.
TOUCHED_DB: Final = -36.0

#: Rms level, re full scale, of a note plucked with an amplitude of 1.5 mm.
_LEVEL_RMS: Final = 0.08
_LEVEL_AMPLITUDE_MM: Final = 1.5

#: How loud the click of the pick begins, re that level.
_CLICK: Final = 0.8

#: Springs of a floating bridge against the pull of the strings, newtons per mm that the saddles
#: move along the strings: three ordinary springs and their lever, by order of magnitude.
_SPRINGS_N_PER_MM: Final = 30.0

#: A string that the saddle has let go slack still has this part of its tension (it hangs on).
_SLACK: Final = 0.02

#: The most that a length screw turns back before its saddle follows.
_MOST_SLACK_TURNS: Final = 0.25


@dataclass
class _String:
    """One string as it is now. ``open_hz`` is the settled pitch of its first partial."""

    neck: Neck
    properties: StringProperties
    open_hz: float
    setback_mm: float
    nut_setback_mm: float
    loss: float
    split_cents: float
    colour: NDArray[np.float64]
    travel_mm: float = 0.0
    slack_mm: float = 0.0
    last_turned_mm: float = 0.0
    gives_cents: float = 0.0


class VirtualInstrument:
    """An instrument that sounds, and knows the truth about itself.

    As found, its strings are a few cents out of tune and their offsets at the 12th fret lie
    between -15 and +15 cents, drawn from the seed (a fixed saddle, placed by its maker, between -4
    and +4; of two strings on one saddle the second follows the first). The same seed and the same
    calls give the same samples, bit for bit.

    A clamped tremolo floats: its springs balance the strings, so every string that is tuned, moved
    or pressed down takes the bridge, and with it all the others, along. (That the bridge also
    rises and sinks as it tips is left out.) Length screws have slack, up to a quarter turn.

    Parameters
    ----------
    instrument : what it is; heights that are not known take common values.
    seed : where all chance comes from.
    rate_hz : sampling rate of what it renders.
    a4_hz : what its strings are tuned by.
    noise_db : rms level of the room's noise in dB below full scale (negative).
    hum_hz, hum_db : mains frequency, and rms level of the hum.
    gives_cents : what the first pull at a string costs it; every further one costs half as much.
    sympathetic_db : level of each other open string ringing along, in dB relative to the plucked
        one; None for strings that are damped.
    """

    def __init__(
        self,
        instrument: Instrument,
        *,
        seed: int,
        rate_hz: int = 48000,
        a4_hz: float = A4_HZ,
        noise_db: float = -72.0,
        hum_hz: float = 50.0,
        hum_db: float = -75.0,
        sympathetic_db: float | None = None,
        gives_cents: float = 0.0,
    ) -> None:
        self.instrument = instrument
        self.rate_hz = rate_hz
        self.a4_hz = a4_hz
        make, play, room = (
            np.random.default_rng(child) for child in np.random.SeedSequence(seed).spawn(3)
        )
        self._sympathetic_db = sympathetic_db
        self._play = play
        self._room = Room(room, rate_hz, noise_db=noise_db, hum_hz=hum_hz, hum_db=hum_db)
        self._strings = [self._make_string(n, make) for n in range(1, len(instrument.strings) + 1)]
        for one, *others in instrument.bridge.pairs:
            # One saddle, so nearly one setback: its edge is filed a little for each string.
            for other in others:
                filed_mm = float(make.normal(0.0, 0.3))
                self._string(other).setback_mm = self._string(one).setback_mm + filed_mm
        for state in self._strings:
            turns = float(make.uniform(0.0, _MOST_SLACK_TURNS))
            state.slack_mm = turns * (instrument.bridge.screw_pitch_mm or 0.0)
            state.gives_cents = gives_cents

    def true_open_hz(self, string: int) -> float:
        """Settled pitch of the open string: first partial, main polarisation, glide gone."""
        return self._string(string).open_hz

    def true_offset_cents(self, string: int, fret: int = 12) -> float:
        """Offset of the settled pitch at ``fret`` for a clean fretting."""
        return self._offset_cents(self._string(string), fret)

    def true_hz(self, string: int, fret: int) -> float:
        """Settled pitch of the first partial at ``fret``; 0 is the open string."""
        open_hz = self.true_open_hz(string)
        if fret == 0:
            return open_hz
        return shifted_hz(open_hz * fret_ratio(fret), self.true_offset_cents(string, fret))

    def true_stiffness_b(self, string: int, fret: int = 0) -> float:
        """Inharmonicity B of f_k = k f0 sqrt(1 + B k^2) of what sounds."""
        return self._sounding(self._string(string), fret)[1]

    def true_setback_mm(self, string: int) -> float:
        """How far behind the nominal scale the string ends at its saddle."""
        return self._string(string).setback_mm

    def travel_mm(self, string: int) -> float:
        """How far the saddle stands from where it was found, positive away from the nut."""
        return self._string(string).travel_mm

    def tune(self, string: int, error_cents: float = 0.0) -> None:
        """Bring the open string to its note, ``error_cents`` sharp.

        A floating bridge is left to settle meanwhile: this string ends as asked, the others shift.
        """
        state = self._string(string)
        before_n = self._open_tension_n(state)
        state.open_hz = shifted_hz(self.instrument.string(string).note.hz(self.a4_hz), error_cents)
        if self._floats:
            others = [other for other in self._strings if other is not state]
            gives = _SPRINGS_N_PER_MM + sum(self._rate_n_per_mm(other) for other in others)
            tipped_mm = (self._open_tension_n(state) - before_n) / gives
            state.setback_mm -= tipped_mm
            for other in others:
                self._stretch(other, -tipped_mm)

    def pull(self, string: int) -> float:
        """Stretch a string by hand, its tuner untouched; return the cents that it has lost."""
        state = self._string(string)
        lost_cents, state.gives_cents = state.gives_cents, 0.5 * state.gives_cents
        state.open_hz = shifted_hz(state.open_hz, -lost_cents)
        return lost_cents

    def move_saddle(self, string: int, mm: float) -> float:
        """Turn the screw by ``mm``, positive away from the nut; return how far the saddle went.

        Turned back, the screw first takes up its slack. The saddle stops at the end of the travel
        that the instrument's record gives. The tuner is not touched, so the open string is
        stretched or slackened: `tune` brings it back. A shared saddle takes both of its strings
        along.
        """
        bridge = self.instrument.bridge
        state = self._string(self._on_saddle(string)[0])
        if state.last_turned_mm * mm < 0.0:
            state.last_turned_mm, mm = mm, math.copysign(max(0.0, abs(mm) - state.slack_mm), mm)
        elif mm:
            state.last_turned_mm = mm
        low, high = -math.inf, math.inf
        if bridge.travel_toward_nut_mm is not None:
            low = -bridge.travel_toward_nut_mm
        if bridge.travel_away_mm is not None:
            high = bridge.travel_away_mm
        moved = min(high, max(low, state.travel_mm + mm)) - state.travel_mm
        pull_before_n = self._pull_n()
        for number in self._on_saddle(string):
            self._stretch(self._string(number), moved)
            self._string(number).travel_mm += moved
        if self._floats:
            gives = _SPRINGS_N_PER_MM + sum(map(self._rate_n_per_mm, self._strings))
            tipped_mm = (self._pull_n() - pull_before_n) / gives
            for each in self._strings:
                self._stretch(each, -tipped_mm)
        return moved

    def pluck(
        self,
        string: int,
        fret: int,
        *,
        amplitude_mm: float = 1.5,
        ring_s: float = 3.0,
        detune_cents: float = 0.0,
        touched: int = 1,
        left_db: float = TOUCHED_DB,
    ) -> Samples:
        """The sound of one note from its onset until it is damped, without the room.

        Parameters
        ----------
        amplitude_mm : how far the pick pulls the string aside: loudness and glide follow.
        ring_s : length of the note, its damping included.
        detune_cents : what this fretting adds to the true pitch (pressure, sideways pull).
        touched : a finger that does not press touches the string at a node of the partial of this
            number (2 at the 12th fret, 3 at the 7th, 4 at the 5th) and leaves its multiples alone.
        left_db : what it leaves of the others: the less, the longer it stays.

        Returns
        -------
        float32 array of round(ring_s * rate_hz) samples, full scale +-1 (a wild pluck exceeds it).
        """
        state = self._string(string)
        f1_hz = shifted_hz(self.true_hz(string, fret), detune_cents)
        length_mm, stiffness_b, kappa = self._sounding(state, fret)
        plucked_at = state.neck.scale_mm * _PLUCK_POSITION / length_mm
        plucked_at = min(0.5, plucked_at * float(self._play.uniform(0.9, 1.1)))
        main = self._main_partials(
            state,
            f1_hz=f1_hz,
            stiffness_b=stiffness_b,
            plucked_at=plucked_at,
            amplitude_mm=amplitude_mm,
            fretted=fret > 0,
            touched=touched,
            left_db=left_db,
        )
        glide = float(glide_cents(kappa, amplitude_mm, length_mm, plucked_at=plucked_at))

        time_s = sample_times_s(ring_s, self.rate_hz)
        ahead = ran_ahead_s(time_s, main.rate_per_s, glide_cents=glide, plucked_at=plucked_at)
        out = np.zeros(time_s.size, np.float32)
        add_partials(out, time_s, main, self.rate_hz, ahead)
        add_partials(out, time_s, self._second_polarisation(state, main), self.rate_hz, ahead)
        for other in self._ringing_along(string):
            add_partials(out, time_s, other, self.rate_hz)
        click = _CLICK * _LEVEL_RMS * amplitude_mm / _LEVEL_AMPLITUDE_MM
        add_click(out, click, self.rate_hz, self._play)
        note = out[: round(ring_s * self.rate_hz)]
        shape_ends(note, self.rate_hz, self._play)
        return note

    def room(self, n_samples: int) -> Samples:
        """The next ``n_samples`` of the room: noise and mains hum, running on from call to call."""
        return self._room.samples(n_samples)

    def _string(self, number: int) -> _String:
        self.instrument.string(number)
        return self._strings[number - 1]

    def _make_string(self, number: int, rng: np.random.Generator) -> _String:
        spec = self.instrument.string(number)
        widest = 4.0 if self.instrument.bridge.kind is BridgeKind.FIXED_SADDLE else 15.0
        nylon = spec.material in (Material.NYLON, Material.SILVER_WOUND)
        state = _String(
            neck=neck_of(self.instrument, number),
            properties=string_properties(spec),
            open_hz=spec.note.hz(self.a4_hz),
            setback_mm=0.0,
            nut_setback_mm=float(rng.normal(0.0, 0.1)),
            loss=float(rng.uniform(0.85, 1.15)) * (1.6 if nylon else 1.0),
            split_cents=float(rng.uniform(0.1, 0.6) * rng.choice((-1.0, 1.0))),
            colour=10.0 ** (rng.normal(0.0, 3.0, _MOST_PARTIALS) / 20.0),
        )
        self._set_saddle(state, float(rng.uniform(-widest, widest)))
        state.open_hz = shifted_hz(state.open_hz, float(rng.normal(0.0, 4.0)))
        return state

    def _set_saddle(self, state: _String, found_cents: float) -> None:
        """Put the saddle where the 12th fret is so far off."""

        def too_sharp(setback_mm: float) -> float:
            return self._offset_cents(replace(state, setback_mm=setback_mm), 12) - found_cents

        state.setback_mm = float(scipy.optimize.brentq(too_sharp, -30.0, 60.0))

    def _offset_cents(self, state: _String, fret: int) -> float:
        kappa, b = self._open_stiffness(state)
        return float(
            offset_cents(
                state.neck,
                fret,
                kappa=kappa,
                b=b,
                saddle_setback_mm=state.setback_mm,
                nut_setback_mm=state.nut_setback_mm,
            )
        )

    def _open_length_mm(self, state: _String) -> float:
        return float(
            fretted_lengths(
                state.neck,
                12,
                saddle_setback_mm=state.setback_mm,
                nut_setback_mm=state.nut_setback_mm,
            ).open_mm
        )

    def _open_tension_n(self, state: _String) -> float:
        mu = state.properties.mu_kg_per_m
        return float(tension_n(mu, state.open_hz, self._open_length_mm(state)))

    def _open_stiffness(self, state: _String) -> tuple[float, float]:
        """kappa and b of the open string as it is now; a bridge that gives takes from kappa."""
        tension = self._open_tension_n(state)
        kappa = stretch_stiffness(state.properties, tension) * self._held_share(state)
        b = bending_parameter(state.properties, tension, self._open_length_mm(state))
        return float(kappa), float(b)

    def _sounding(self, state: _String, fret: int) -> tuple[float, float, float]:
        """Length in mm, inharmonicity B and kappa of the part that sounds at ``fret``."""
        kappa, b = self._open_stiffness(state)
        if fret == 0:
            return self._open_length_mm(state), float(inharmonicity(b)), kappa
        lengths = fretted_lengths(
            state.neck,
            fret,
            saddle_setback_mm=state.setback_mm,
            nut_setback_mm=state.nut_setback_mm,
        )
        b_n = fretted_bending_parameter(lengths, kappa, b)
        tightened = 1.0 + kappa * lengths.stretch
        return float(lengths.fretted_mm), float(inharmonicity(b_n)), float(kappa / tightened)

    @property
    def _floats(self) -> bool:
        return self.instrument.bridge.kind is BridgeKind.CLAMPED_TREMOLO

    def _pull_n(self) -> float:
        """Tension of all strings together."""
        return sum(map(self._open_tension_n, self._strings))

    def _rate_n_per_mm(self, state: _String) -> float:
        """By how much the string's tension rises per mm that it is stretched."""
        return state.properties.axial_n / self._open_length_mm(state)

    def _held_share(self, state: _String) -> float:
        """The share of a stretch that is left when the bridge has given way to it: 1 if it is
        fixed; else this string pulls against the springs and all the others."""
        if not self._floats:
            return 1.0
        rates = [
            string_properties(spec).axial_n / self.instrument.scale_of(number)
            for number, spec in enumerate(self.instrument.strings, start=1)
        ]
        own = state.properties.axial_n / state.neck.scale_mm
        return 1.0 - own / (_SPRINGS_N_PER_MM + sum(rates))

    def _on_saddle(self, string: int) -> tuple[int, ...]:
        """The strings that share the saddle of ``string``, itself included."""
        return next((p for p in self.instrument.bridge.pairs if string in p), (string,))

    def _stretch(self, state: _String, mm: float) -> None:
        """Move the saddle under one string, its tuner untouched."""
        before_mm, before_n = self._open_length_mm(state), self._open_tension_n(state)
        state.setback_mm += mm
        after_mm = self._open_length_mm(state)
        pulled_n = state.properties.axial_n * (after_mm - before_mm) / before_mm
        after_n = max(before_n + pulled_n, _SLACK * before_n)
        state.open_hz = float(frequency_hz(state.properties.mu_kg_per_m, after_n, after_mm))

    def _main_partials(
        self,
        state: _String,
        *,
        f1_hz: float,
        stiffness_b: float,
        plucked_at: float,
        amplitude_mm: float,
        fretted: bool,
        touched: int,
        left_db: float,
    ) -> Partials:
        """The polarisation that carries the true pitch, loudness set by the pluck."""
        k = np.arange(1, _MOST_PARTIALS + 1)
        f0_hz = f1_hz / math.sqrt(1.0 + stiffness_b)
        f_hz = k * f0_hz * np.sqrt(1.0 + stiffness_b * k**2)
        # Force on the bridge of a plucked string goes as sin(k pi p) / k; the pick's width and the
        # microphone round off the top, the microphone's distance the bottom.
        amplitude = np.abs(np.sin(math.pi * k * plucked_at)) / k * state.colour
        amplitude *= f_hz / np.hypot(f_hz, 60.0) / np.hypot(1.0, f_hz / 3500.0)
        amplitude[k % touched != 0] *= 10.0 ** (left_db / 20.0)
        amplitude *= math.sqrt(2.0) * _LEVEL_RMS / float(np.linalg.norm(amplitude))
        amplitude *= amplitude_mm / _LEVEL_AMPLITUDE_MM
        # Losses grow with frequency; a fingertip takes a little more than a nut.
        loss = state.loss * (1.25 if fretted else 1.0)
        rate_per_s = loss * (0.25 + 0.0025 * f_hz)
        cycles = self._play.uniform(-0.3, -0.2, k.size)
        heard = (f_hz < min(_HIGHEST_PARTIAL_HZ, 0.45 * self.rate_hz)) & (amplitude > INAUDIBLE)
        # Tension enters f_k^2 beside the bending stiffness, which it does not change.
        glide_share = (1.0 + stiffness_b) / (1.0 + stiffness_b * k**2)
        every = (f_hz, amplitude, rate_per_s, cycles, glide_share)
        return Partials(*(each[heard] for each in every))

    def _second_polarisation(self, state: _String, main: Partials) -> Partials:
        """The same string swinging the other way: fainter, faster gone, a trace out of tune."""
        low = slice(0, _SECOND_POLARISATION_PARTIALS)
        share = float(self._play.uniform(0.05, 0.3))
        return Partials(
            main.f_hz[low] * 2.0 ** (state.split_cents / 1200.0),
            main.amplitude[low] * share,
            main.rate_per_s[low] * 1.4,
            self._play.uniform(-0.5, 0.5, main.f_hz[low].size),
            main.glide_share[low],
        )

    def _ringing_along(self, plucked: int) -> Iterator[Partials]:
        """The other open strings, if they are left to ring."""
        if self._sympathetic_db is None:
            return
        level = math.sqrt(2.0) * _LEVEL_RMS * 10.0 ** (self._sympathetic_db / 20.0)
        k = np.arange(1, 6)
        for number, state in enumerate(self._strings, start=1):
            if number in self._on_saddle(plucked):
                continue
            f_hz = k * state.open_hz * np.sqrt(1.0 + self.true_stiffness_b(number) * k**2)
            yield Partials(
                f_hz,
                level * state.colour[: k.size] / k,
                state.loss * (0.25 + 0.0025 * f_hz),
                self._play.uniform(-0.5, 0.5, k.size),
                np.zeros(k.size),
            )
