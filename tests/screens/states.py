"""Hand-written states for the screens. Every number here is invented for the tests: demo data,
nothing measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pitchbench.belief import Belief, half95
from pitchbench.instrument import (
    Bridge,
    BridgeKind,
    Instrument,
    ScrewHeads,
    StringSpec,
)
from pitchbench.intonation.bridge import Move
from pitchbench.intonation.offset import Group, Offset, ScatterPrior
from pitchbench.intonation.verdict import Decision, MoreTakes, Verdict
from pitchbench.notes import Note
from pitchbench.pitch.listener import LivePitch
from pitchbench.pitch.reading import Reading, Reason, Rejected, Trace
from pitchbench.session.job import Display
from pitchbench.session.log import (
    MoveEntry,
    Outcome,
    SessionTake,
    Setup,
    Step,
    StringState,
    TakeFate,
)
from pitchbench.session.state import State
from pitchbench.units import shifted_hz

PRIOR = ScatterPrior(open_cents=0.5, open_dof=4, fretted_cents=2.0, fretted_dof=4)


def guitar(*, left_handed: bool = False, notes: str = "E4 B3 G3 D3 A2 E2") -> Instrument:
    """An invented six-string with screw saddles."""
    return Instrument(
        name="demo six-string",
        kind="electric guitar",
        scale_mm=648.0,
        strings=tuple(StringSpec(Note.parse(n), 0.5, wound=False) for n in notes.split()),
        bridge=Bridge(BridgeKind.SCREW_SADDLES, 0.5, ScrewHeads.TAIL),
        left_handed=left_handed,
    )


def setup(instrument: Instrument | None = None) -> Setup:
    return Setup(instrument or guitar(), PRIOR)


E2 = Note.parse("E2").hz()


def trace(settled_hz: float, *, attack_cents: float, ring_s: float, wander: float = 0.1) -> Trace:
    """An invented note: a glide that dies away and a slow wander."""
    time_s = np.arange(0.02, ring_s, 0.02)
    cents = attack_cents * np.exp(-time_s / 0.35) + wander * 1.4 * np.sin(2 * np.pi * 0.9 * time_s)
    return Trace(time_s, settled_hz * 2 ** (cents / 1200), -20 - 5 * time_s)


def reading(
    pitch_hz: float, *, at_s: float = 0.0, attack_cents: float = 7.1, wander: float = 0.1
) -> Reading:
    return Reading(
        onset_s=at_s, ring_s=3.5, pitch_hz=pitch_hz, u_cents=0.04,
        attack_cents=attack_cents, settle_s=0.9, tail_s=2.6, wander_cents=wander,
        stiffness_b=1e-4, snr_db=41.0,
        trace=trace(pitch_hz, attack_cents=attack_cents, ring_s=3.5, wander=wander), partials=(),
    )  # fmt: skip


def take(
    number: int, cents: float, *, fret: int = 0, string: int = 6, move: int = 0, hz: float = E2
) -> SessionTake:
    """An accepted take, ``cents`` above the note."""
    pitch_hz = shifted_hz(hz * (2 if fret else 1), cents)
    return SessionTake(
        number, string, fret, move, reading(pitch_hz, at_s=4.0 * number), TakeFate.ACCEPTED
    )


def offset(cents: float, half: float, n_open: int = 3, n_fretted: int = 3) -> Offset:
    return Offset(
        fret=12,
        open=Group(n_open, E2, 0.2),
        fretted=Group(n_fretted, 2 * shifted_hz(E2, cents), 0.9),
        belief=Belief.normal(cents, half / half95(1.0)).with_dof(5.0),
    )


def verdict(decision: Decision, *, border: bool = False) -> Verdict:
    more = MoreTakes(open=0, fretted=2) if decision is Decision.TAKE_MORE else None
    return Verdict(decision, 2.0, 0.5, more, border, "invented for the tests")


MOVE = Move(
    string=6, mm=2.31, interval95_mm=(1.86, 2.76), bridge=guitar().bridge, ends95_cents=(-1.5, 1.7)
)

_SMALL = replace(MOVE, mm=0.79, interval95_mm=(0.12, 1.46), ends95_cents=(-1.8, 1.9))

TAKES = (
    take(1, 0.1), take(2, -0.15), take(3, 0.05),
    take(4, 6.9, fret=12), take(5, 5.2, fret=12), take(6, 6.2, fret=12),
)  # fmt: skip

REJECTED = SessionTake(
    7, 6, 12, 0, Rejected(onset_s=30.0, ring_s=0.4, reason=Reason.TOO_SHORT), TakeFate.REJECTED,
    "too short",
)  # fmt: skip

DONE = {
    1: StringState(1, found=offset(1.2, 0.8), now=offset(1.2, 0.8), outcome=Outcome.LEAVE),
    5: StringState(5, found=offset(-4.4, 0.9), now=offset(0.3, 0.9), outcome=Outcome.LEAVE,
                   moves=(MoveEntry(90.0, 5, replace(MOVE, string=5), -1.6),)),
}  # fmt: skip


def state(step: Step, string: StringState | None = None, **changes: object) -> State:
    """A state of the demo guitar, at work on string 6."""
    work = string or StringState(6)
    strings = tuple(work if n == 6 else DONE.get(n, StringState(n)) for n in range(1, 7))
    base = State(setup(), step, 6, strings, tolerance_cents=2.0)
    return replace(base, **changes)  # type: ignore[arg-type]


def live_notes(cents_at_end: float, *, hz: float, seconds: float) -> tuple[LivePitch, ...]:
    times = np.arange(0.05, seconds, 0.023)
    glide = 9.0 * np.exp(-times / 0.35)
    return tuple(
        LivePitch(100 + float(t), 100.0, shifted_hz(hz, cents_at_end + float(g)), 0.98, -22.0)
        for t, g in zip(times, glide, strict=True)
    )


def _settling() -> State:
    notes = live_notes(6.0, hz=2 * E2, seconds=0.6)
    return state(
        Step.FRETTED, StringState(6, takes=TAKES[:5], now=offset(6.0, 2.1),
                                  found=offset(6.0, 2.1)),
        asks="Let it ring.", says="Take 5: string 6 at the 12th fret, 5.2 ± 0.1 cents sharp.",
        ringing=True, live=notes[-1], live_trace=notes, wanted_fret=12,
    )  # fmt: skip


def _offered() -> State:
    before = _settling()
    return replace(before, offered=reading(shifted_hz(2 * E2, 6.2)))


def _finished() -> State:
    strings = tuple(
        StringState(
            n,
            found=offset(found, 0.9),
            now=offset(left, 0.8),
            outcome=outcome,
            moves=tuple(MoveEntry(9.0, n, MOVE, mm) for mm in moves),
        )
        for n, found, left, outcome, moves in (
            (1, 1.2, 1.2, Outcome.LEAVE, ()),
            (2, 3.4, 0.6, Outcome.LEAVE, (1.3,)),
            (3, 8.1, 2.2, Outcome.OUT_OF_TRAVEL, (2.0,)),
            (4, -2.9, -1.9, Outcome.BORDER, ()),
            (5, -4.4, 0.3, Outcome.LEAVE, (-1.6,)),
            (6, 6.1, -0.2, Outcome.LEAVE, (2.31, -0.1)),
        )
    )
    return replace(
        state(Step.FINISHED), strings=strings, asks="Finished. Press q to leave.",
        says="All strings were heard once more.",
    )  # fmt: skip


def _twelve() -> State:
    """More strings than fit side by side, and a name that tries to steer the terminal."""
    notes = "E4 E4 B3 B3 G4 G3 D4 D3 A3 A2 E3 E2"
    instrument = replace(guitar(notes=notes), name="demo \x1b[31mtwelve\nstring")
    strings = tuple(
        StringState(
            n, found=offset(n / 2 - 3, 1.0), now=offset(n / 4 - 1.5, 1.0), outcome=Outcome.LEAVE
        )
        for n in range(1, 13)
    )
    return replace(state(Step.FINISHED, asks="Tune the instrument once more and play it."),
                   setup=setup(instrument), current=12, strings=strings)  # fmt: skip


_SHARP = StringState(
    6, takes=(*TAKES, REJECTED), found=offset(6.1, 1.2), now=offset(6.1, 1.2),
    verdict=verdict(Decision.MOVE), advice=MOVE,
)  # fmt: skip

_MOVED = (MoveEntry(60.0, 6, MOVE, 2.31),)

STATES: dict[str, State] = {
    "before": state(Step.BEFORE, asks="Check the list, then pluck open string 6 to begin."),
    "before-heard": state(
        Step.BEFORE, asks="Pluck string 6 open to begin.", ringing=True,
        live=live_notes(8.0, hz=E2, seconds=0.4)[-1],
        live_trace=live_notes(8.0, hz=E2, seconds=0.4), wanted_fret=0,
    ),
    "tune": state(
        Step.TUNE, asks="Tune string 6 up to E2.", ringing=True, says="",
        live=live_notes(-14.0, hz=E2, seconds=1.0)[-1],
        live_trace=live_notes(-14.0, hz=E2, seconds=1.0), wanted_fret=0,
    ),
    "tuned": state(
        Step.TUNE, asks="Damp the string.", ringing=True, wanted_fret=0,
        says="String 6 is near its pitch: let it ring.", offered=reading(shifted_hz(E2, -1.4)),
        live=live_notes(-1.4, hz=E2, seconds=1.5)[-1],
        live_trace=live_notes(-1.4, hz=E2, seconds=1.5),
    ),
    "open": state(
        Step.OPEN, StringState(6, takes=TAKES[:2]), asks="Pluck open string 6, and let it ring.",
        says="Take 2: open E2, 0.2 ± 0.1 cents flat.", last_take=TAKES[1], wanted_fret=0,
    ),
    "open-first": state(Step.OPEN, asks="Pluck open string 6, and let it ring.", wanted_fret=0),
    "settling": _settling(),
    "offered": _offered(),
    "fretted": state(
        Step.FRETTED,
        StringState(6, takes=TAKES[:5], found=offset(3.0, 2.6), now=offset(3.0, 2.6),
                    verdict=verdict(Decision.TAKE_MORE)),
        asks="Fret string 6 at the 12th fret, pluck it, and let it ring.",
        says="Take 5: string 6 at the 12th fret, 5.2 ± 0.1 cents sharp.",
        last_take=TAKES[4], wanted_fret=12,
    ),
    "rejected": state(
        Step.FRETTED, StringState(6, takes=(*TAKES[:5], REJECTED)),
        asks="Fret string 6 at the 12th fret, pluck it, and let it ring.",
        says="Take 7 rejected: too short. Let it ring for at least a second and a half.",
        last_take=REJECTED, wanted_fret=12,
    ),
    "move": state(
        Step.MOVE, _SHARP, last_take=TAKES[5],
        asks="Slacken string 6 and move its saddle 2.3 mm away from the nut, 4.6 turns clockwise.",
        says="Sharp by 6.1 cents at the 12th fret.",
    ),
    "retune": state(
        Step.RETUNE, _SHARP,
        asks="Bring string 6 up to E2 again.", ringing=True, wanted_fret=0,
        live=live_notes(-212.0, hz=E2, seconds=1.0)[-1],
        live_trace=live_notes(-212.0, hz=E2, seconds=1.0), says="Slackened.",
    ),
    "retune-above": state(
        Step.RETUNE, replace(_SHARP, moves=_MOVED, now=None, verdict=None, advice=None),
        asks="Above its pitch: slacken string 6, then come up to E2.", ringing=True, wanted_fret=0,
        live=live_notes(31.0, hz=E2, seconds=1.0)[-1],
        live_trace=live_notes(31.0, hz=E2, seconds=1.0),
    ),
    "check": state(
        Step.FRETTED,
        StringState(6, takes=tuple(replace(t, number=t.number + 10, round=1,
                                           reading=reading(shifted_hz(t.reading.pitch_hz or 1,
                                                                      -5.8 if t.fret else 0)))
                                   for t in TAKES),
                    moves=_MOVED, found=offset(6.1, 1.2), now=offset(0.3, 1.4),
                    verdict=verdict(Decision.LEAVE)),
        asks="String 6 is done. Pluck open string 5.", says="Leave it: within 2 cents.",
        wanted_fret=12,
    ),
    "border": state(
        Step.BORDER,
        replace(_SHARP, now=offset(2.1, 0.9), verdict=verdict(Decision.TAKE_MORE, border=True),
                advice=_SMALL),
        asks="Slacken string 6 and move its saddle 0.8 mm away from the nut, 1.6 turns clockwise; "
        "or play the next string.",
        says="On the border: 2.1 ± 1.8 cents sharp. Within 2 cents if you leave it: 45 %; if you "
        "move it: 96 %.",
    ),
    "last-round": state(
        Step.LAST_ROUND, StringState(6, found=offset(6.1, 1.2), outcome=Outcome.LEAVE,
                                     moves=_MOVED),
        asks="All strings once more: pluck open string 6.", wanted_fret=0,
    ),
    "finished": _finished(),
    "no-sound": state(
        Step.OPEN, StringState(6, takes=TAKES[:2]), asks="Plug the input in again.",
        input_lost="the input was unplugged", wanted_fret=0,
    ),
    "move-unsure": state(
        Step.MOVE, replace(_SHARP, advice=replace(MOVE, mm=0.4, interval95_mm=(-0.3, 1.1))),
        asks="Slacken string 6 and move its saddle 0.4 mm away from the nut, 0.8 turns clockwise.",
    ),
    "move-left-handed": replace(
        state(Step.MOVE, replace(_SHARP, advice=MOVE),
              asks="Slacken string 6, then move its saddle 2.3 mm away from the nut."),
        setup=setup(guitar(left_handed=True)),
    ),
    "move-no-screw": state(
        Step.MOVE,
        replace(_SHARP, advice=Move(
            6, -2.31, (-2.76, -1.86), Bridge(BridgeKind.CLAMPED_TREMOLO, travel_toward_nut_mm=2.0),
            ends95_cents=MOVE.ends95_cents,
        )),
        asks="Slacken string 6, then slide its saddle 2.3 mm toward the nut.",
    ),
    "help": state(Step.OPEN, asks="Pluck open string 6.", display=Display(help_open=True)),
    "large": replace(_offered(), display=Display(large_print=True)),
    "large-wait": replace(_settling(), display=Display(large_print=True)),
    "large-move": state(
        Step.MOVE, _SHARP, display=Display(large_print=True),
        asks="Slacken string 6 and move its saddle 2.3 mm away from the nut, 4.6 turns clockwise.",
    ),
    "many-takes": state(
        Step.FRETTED,
        StringState(
            6,
            takes=(*(take(n, (n % 5 - 2) * 0.1, fret=0) for n in range(101, 109)),
                   *(take(n, 3 + (n % 7 - 3) * 0.6, fret=12) for n in range(109, 117)),
                   *(replace(REJECTED, number=n) for n in range(117, 121))),
            found=offset(-12.4, 1.1), now=offset(3.0, 1.6),
            verdict=verdict(Decision.TAKE_MORE),
        ),
        asks="Fret string 6 lightly at the 12th fret and pluck it.",
        says="Take 120 rejected: too short: let it ring longer.", wanted_fret=12,
    ),
    "twelve-strings": _twelve(),
    "frozen": replace(_offered(), display=Display(frozen=True)),
}  # fmt: skip
