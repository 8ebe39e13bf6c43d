"""What a survey of the neck comes to: its data, and how they come from the plucks heard."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath
from statistics import median
from typing import Final

from pitchbench.errors import ExitCode, PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.intonation.chords import Chord, parse_shape, sound_chord
from pitchbench.intonation.neck import (
    NeckVerdict,
    SaddleChoice,
    StringNeck,
    after_move_cents,
    best_saddle,
    findings,
    judge_saddle,
    survey,
    uneven_string,
)
from pitchbench.intonation.offset import ScatterPrior, Take
from pitchbench.notes import Note
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.records.model import SessionRecord
from pitchbench.session.log import SessionTake, TakeFate
from pitchbench.session.survey import statistics_of

SCHEMA: Final = "pitchbench.neck/1"


@dataclass(frozen=True, eq=False)
class HeardPluck:
    """One pluck.

    Parameters
    ----------
    source : the recording or the input in which it was heard.
    fret : None where it was rejected or does not count.
    why : why it does not count, where more is known than that it lies on no fret.
    """

    source: str
    reading: Reading | Rejected
    fret: int | None = None
    why: str = ""

    @property
    def where(self) -> str:
        """ "at 3.20 s of e-low.wav"."""
        return f"at {self.reading.onset_s:.2f} s of {PurePath(self.source).name}"


@dataclass(frozen=True, eq=False)
class HeardString:
    """One string's plucks, and the takes that count among them; ``number`` is None where the
    instrument is not known."""

    note: Note
    number: int | None
    plucks: tuple[HeardPluck, ...]
    takes: tuple[Take, ...]

    @property
    def enough(self) -> bool:
        """Whether nut and saddle can be told apart: an open note and two frets."""
        frets = {take.fret for take in self.takes}
        return 0 in frets and len(frets) > 2

    @property
    def sources(self) -> tuple[str, ...]:
        """Where it was heard."""
        return tuple(dict.fromkeys(pluck.source for pluck in self.plucks))


@dataclass(frozen=True)
class Judged:
    """By what a neck is judged.

    Parameters
    ----------
    instrument : ``strings`` is empty where they are known from their recordings alone.
    assumed : in words what nobody said of it.
    weights : how much each fret is used; None for all that were heard alike.
    """

    instrument: Instrument
    assumed: tuple[str, ...]
    weights: Mapping[int, float] | None
    prior: ScatterPrior
    tolerance_cents: float
    a4_hz: float


@dataclass(frozen=True, eq=False)
class SurveyedString:
    """All that is known of one string.

    Parameters
    ----------
    number : 1 the highest; None where the instrument is not known.
    takes : what counted, open and fretted.
    after_cents : offset at each measured fret once the move is made; as it is where there is none.
    findings : what it shows, in a repairer's words.
    stiffness_b : B of the open string, None where it was not measured.
    """

    number: int | None
    note: Note
    files: tuple[str, ...]
    takes: tuple[Take, ...]
    neck: StringNeck
    choice: SaddleChoice
    verdict: NeckVerdict
    after_cents: Mapping[int, float]
    findings: tuple[str, ...]
    stiffness_b: float | None

    @property
    def label(self) -> str:
        """ "6 E2", or the note alone."""
        return str(self.note) if self.number is None else f"{self.number} {self.note}"

    @property
    def name(self) -> str:
        """ "String 6, E2", or "String E2"."""
        return (
            f"String {self.note}" if self.number is None else f"String {self.number}, {self.note}"
        )


@dataclass(frozen=True)
class HeardChord:
    """A chord before and after the moves; ``left_out`` names its strings that were not recorded."""

    shape: str
    before: Chord
    after: Chord
    left_out: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class NeckResult:
    """All that is shown, in words or as a document; ``remarks`` are labels and words of how the
    plucks came to be heard, ``session`` the id of the survey on record."""

    judged: Judged
    heard: tuple[HeardString, ...]
    strings: tuple[SurveyedString, ...]
    chords: tuple[HeardChord, ...]
    remarks: tuple[tuple[str, str], ...] = ()
    session: str | None = None

    @property
    def necks(self) -> list[tuple[str, StringNeck]]:
        """Label and survey of each string, as pictures want them."""
        return [(string.label, string.neck) for string in self.strings]


def heard_in_survey(
    instrument: Instrument, takes: Sequence[SessionTake], source: str
) -> tuple[HeardString, ...]:
    """The strings of a survey by ear, the highest first; ``source`` is what was listened to."""
    strings = []
    for number, spec in enumerate(instrument.strings, start=1):
        own = [take for take in takes if take.string == number]
        plucks = tuple(
            HeardPluck(source, take.reading, take.fret)
            if take.fate is TakeFate.ACCEPTED
            else HeardPluck(source, take.reading, why=take.why or str(take.fate))
            for take in own
        )
        if own:
            strings.append(HeardString(spec.note, number, plucks, statistics_of(own)))
    return tuple(strings)


def heard_on_record(record: SessionRecord) -> tuple[HeardString, ...]:
    """The strings of a survey on record."""
    takes = [take for string in record.log.strings for take in string.takes]
    return heard_in_survey(record.setup.instrument, takes, record.meta.source)


def neck_on_record(record: SessionRecord) -> NeckResult | None:
    """What a survey on record came to, by what it was judged then; None where too little of it was
    heard."""
    setup = record.setup
    heard = heard_on_record(record)
    by = Judged(setup.instrument, (), None, setup.prior, setup.tolerance_cents, setup.a4_hz)
    if not any(string.enough for string in heard):
        return None
    return judge_neck(heard, by, session=record.meta.id)


def judge_neck(
    heard: Sequence[HeardString],
    by: Judged,
    *,
    shapes: Sequence[str] = (),
    remarks: Sequence[tuple[str, str]] = (),
    session: str | None = None,
) -> NeckResult:
    """What the plucks come to.

    Raises
    ------
    PitchbenchError
        If no string was heard open and at two frets.
    """
    strings = tuple(_surveyed(string, by) for string in heard if string.enough)
    if not strings:
        raise PitchbenchError(
            f"There is too little to tell the nut from the saddle: {'; '.join(map(had, heard))}.",
            "Play each string open and at two frets or more, such as the 1st and the 12th, two "
            "seconds each; say a string that is far out of tune with --string, or tune it first.",
            ExitCode.NO_READING,
        )
    chords = tuple(_chord(shape, strings, by) for shape in shapes)
    return NeckResult(by, tuple(heard), strings, chords, tuple(remarks), session)


def had(string: HeardString) -> str:
    """ "G3: open 2 times, fret 12 1 time, 1 rejected"."""
    counts = Counter(take.fret for take in string.takes)
    rejected = sum(isinstance(pluck.reading, Rejected) for pluck in string.plucks)
    other = len(string.plucks) - rejected - counts.total()
    words = [
        f"{'open' if fret == 0 else f'fret {fret}'} {count} time{'s' * (count != 1)}"
        for fret, count in sorted(counts.items())
    ]
    words += [f"{other} on no fret of it"] * bool(other) + [f"{rejected} rejected"] * bool(rejected)
    return f"{string.note}: {', '.join(words) or 'no pluck at all'}"


def _surveyed(string: HeardString, by: Judged) -> SurveyedString:
    instrument = by.instrument
    if string.number is None:  # the setback on record is then of some other string
        instrument = replace(instrument, setback_mm=())
    opens = [pluck.reading for pluck in string.plucks if pluck.fret == 0]
    neck = survey(string.number or 0, string.takes, prior=by.prior)
    choice = best_saddle(neck, instrument, by.weights)
    verdict = judge_saddle(neck, choice, instrument, tolerance_cents=by.tolerance_cents)
    move_mm = 0.0 if verdict.move is None else verdict.move.mm
    stiffness = [reading.stiffness_b for reading in opens if reading.stiffness_b is not None]
    uneven = [words for reading in opens if (words := uneven_string(reading.partials))]
    return SurveyedString(
        number=string.number,
        note=string.note,
        files=string.sources,
        takes=string.takes,
        neck=neck,
        choice=choice,
        verdict=verdict,
        after_cents={
            fret.fret: after_move_cents(neck, fret.fret, instrument, move_mm=move_mm)
            for fret in neck.frets
        },
        findings=(
            *findings(neck, tolerance_cents=by.tolerance_cents, saddle_too=False),
            *(uneven[:1] if 2 * len(uneven) > len(opens) else ()),
        ),
        stiffness_b=median(stiffness) if stiffness else None,
    )


def _chord(shape: str, strings: Sequence[SurveyedString], by: Judged) -> HeardChord:
    """The chord on the strings that were surveyed; the others are left out of it."""
    instrument = by.instrument
    known = {string.number: string for string in strings}
    count = len(instrument.strings)
    frets = dict(zip(range(count, 0, -1), parse_shape(shape, count), strict=True))
    sounding = "-".join(
        "x" if fret is None or number not in known else str(fret) for number, fret in frets.items()
    )
    b_of = [known[n].stiffness_b or 0.0 if n in known else 0.0 for n in range(1, count + 1)]

    def move_mm(string: SurveyedString) -> float:
        return 0.0 if string.verdict.move is None else string.verdict.move.mm

    def now(number: int, fret: int) -> float:
        return known[number].neck.expected_cents(fret)

    def then(number: int, fret: int) -> float:
        string = known[number]
        return after_move_cents(string.neck, fret, instrument, move_mm=move_mm(string))

    return HeardChord(
        shape,
        sound_chord(sounding, instrument, now, stiffness_b=b_of, a4_hz=by.a4_hz),
        sound_chord(sounding, instrument, then, stiffness_b=b_of, a4_hz=by.a4_hz),
        tuple(
            str(instrument.string(n).note)
            for n, fret in frets.items()
            if fret is not None and n not in known
        ),
    )
