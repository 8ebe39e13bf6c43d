"""What a program calls: recordings in, results out (docs/python.md). All of it is ``pitchbench``'s.

Readings are given as `read` returns them, or, for several recordings of the same thing, as one such
sequence for each; recordings are taken to follow one another, each as long as it was. All pitches
and times are floats in the unit that a name ends with; what is positive is sharp, or goes away from
the nut.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Generator, Iterable, Mapping, Sequence
from contextlib import closing
from enum import StrEnum
from itertools import chain
from pathlib import Path
from typing import TypeVar

from numpy.typing import ArrayLike

from pitchbench import ranges
from pitchbench.analysis.drift import DriftResult, drift_plucks, lay_over, pull_of_magnet
from pitchbench.analysis.heard import Plucks, plucks_of
from pitchbench.analysis.listening import listen_to, readings_in
from pitchbench.analysis.neck import Judged, NeckResult, heard_string, judge_neck
from pitchbench.analysis.offset import Comparison, JudgedOffset, Role, compare, judged
from pitchbench.analysis.repeatability import StudyResult, study_takes, takes_in
from pitchbench.errors import PitchbenchError, ReadError, another_wanted
from pitchbench.instrument import Bridge, BridgeKind, Instrument, ScrewHeads, check_instrument
from pitchbench.intonation.bridge import Move, cancelling_move
from pitchbench.intonation.offset import DEFAULT_PRIOR, Offset
from pitchbench.notes import A4_HZ, Note
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.presets import preset
from pitchbench.refit import with_bridge, with_scale, with_tolerance
from pitchbench.sound.microphone import Microphone
from pitchbench.sound.samples import Samples
from pitchbench.strings.pluck import sounding_string

_Kind = TypeVar("_Kind", bound=StrEnum)

#: Readings of one recording, or a sequence of them for each of several.
Readings = Iterable[Reading | Rejected | Iterable[Reading | Rejected]]


def read(
    sound: str | os.PathLike[str] | ArrayLike,
    sr: float | None = None,
    *,
    channel: int | None = None,
) -> Plucks:
    """Every pluck in a recording or in an array, in order.

    Parameters
    ----------
    sound : the path of a sound file (as for `pitchbench read`), or float samples, full scale ±1, of
        the shape (n,) or (n, channels).
    sr : sampling rate of the array in Hz, 8000 to 192000; a file knows its own.
    channel : counted from 1; None takes the one in which most happens.

    Returns
    -------
    A sequence: one `Reading` for each pluck that settled, one `Rejected` for each that did not. It
    knows its ``length_s``, by which one recording follows another on the clock. A damaged file
    gives what comes before the damage, with a warning.

    Raises
    ------
    ReadError
        If there is no such file or it is no recording that can be opened (its beginning is damaged,
        say), or an array has another shape, no rate or samples that are no numbers.
    NoReadingError
        If a file can be opened, but is empty, holds no sound, none that is whole, or samples that
        are no numbers.

    Notes
    -----
    The settled pitch is that of the first partial, from one glide fitted to the phases of all
    partials with the stiff-string law between them (docs/definitions.md, docs/method.md).

    Examples
    --------
    >>> import pitchbench as pb
    >>> guitar = pb.VirtualInstrument(pb.preset("six-string"), seed=1)
    >>> (reading,) = pb.read(guitar.pluck(6, 0), guitar.rate_hz)
    >>> abs(reading.pitch_hz / guitar.true_hz(6, 0) - 1) < 1e-4
    True
    """
    if not isinstance(sound, str | os.PathLike):
        if sr is None:
            raise ReadError(
                "The sampling rate of the samples is not known.", "Give it with sr, in Hz."
            )
        samples = Samples(sound, sr, channel=channel)
        readings = tuple(readings_in(samples.blocks(), samples.rate_hz))
        return Plucks("", samples.length_s, readings)
    if sr is not None:
        raise ReadError("A recording knows its own sampling rate.", "Give sr with an array alone.")
    (heard,) = listen_to([Path(sound)], channel=channel)
    if heard.damaged_after_s is not None:
        warnings.warn(
            f"{heard.source!r} is damaged: only its first {heard.damaged_after_s:.1f} s "
            "could be read.",
            stacklevel=2,
        )
    return heard


def listen(
    device: str | int | None = None, *, channel: int = 1, rate_hz: int = 48_000
) -> Generator[Reading | Rejected, None, None]:
    """Readings from a microphone, each as soon as its note has ended, without end.

    The device is opened when the first is asked for and let go of when the iterator is closed or
    thrown away.

    Parameters
    ----------
    device : number, or name or part of it; None for the system's default input.
    channel : which of its channels, counted from 1.
    rate_hz : sampling rate that is asked for; the device may choose another.

    Raises
    ------
    DeviceError
        While iterating, if there is no such input or it cannot be opened; `InputLostError` below it
        once the sound stops coming.

    Examples
    --------
    >>> import pitchbench as pb
    >>> from contextlib import closing
    >>> with closing(pb.listen()) as readings:  # doctest: +SKIP
    ...     reading = next(readings)
    """
    microphone = Microphone(device, rate_hz=rate_hz, channel=channel)
    with closing(microphone.blocks()) as blocks:
        yield from readings_in(blocks, microphone.rate_hz)


def offset(
    readings: Readings = (),
    string: str | Note | None = None,
    fret: int = 12,
    *,
    open: Readings = (),
    fretted: Readings = (),
    a4_hz: float = A4_HZ,
    tolerance_cents: float = 2.0,
) -> JudgedOffset:
    """How far a fretted note is off, how sure that is, and whether it is good enough.

    Parameters
    ----------
    readings : plucks of one string, open and fretted in any order, told apart by pitch.
    string : the open note, such as "E2"; None to have it inferred.
    fret : which fret, 1 to 24.
    open, fretted : plucks of which it is known what they are; they follow the others.
    a4_hz : pitch of A4, for the names of notes, 380 to 480 Hz.
    tolerance_cents : what may be left alone, 0.1 to 50 cents.

    Returns
    -------
    ``offset`` with its belief, in cents, positive where the fretted note is sharp; ``verdict``;
    ``plucks``, what each was taken for (``role``) and why others were left out (``left_out``).

    Raises
    ------
    NoReadingError
        If either note is missing.
    PitchbenchError
        If an argument makes no sense, such as a note of no name or readings out of order.

    Notes
    -----
    offset = 1200 log2(f_fretted / f_open) - 100 fret, between geometric means; its belief is a
    Student distribution (Welch and Satterthwaite; GUM, JCGM 100:2008, G.4).

    Examples
    --------
    >>> import pitchbench as pb
    >>> guitar = pb.VirtualInstrument(pb.preset("six-string"), seed=1)
    >>> plucks = [guitar.pluck(6, fret) for fret in (0, 12, 0, 12)]
    >>> result = pb.offset([pb.read(each, guitar.rate_hz) for each in plucks], "E2")
    >>> abs(result.offset.offset_cents - guitar.true_offset_cents(6)) < 0.5
    True
    """
    ranges.FRET.check(whole=True, fret=fret)
    ranges.A4.check(a4_hz=a4_hz)
    ranges.TOLERANCE.check(tolerance_cents=tolerance_cents)
    said = ((None, readings), (Role.OPEN, open), (Role.FRETTED, fretted))
    told = [(plucks, role) for role, each in said for plucks in plucks_of(each)]
    comparison = compare(
        [plucks for plucks, _ in told],
        [role for _, role in told],
        string=None if string is None else _note(string),
        fret=fret,
        a4_hz=a4_hz,
    )
    return judged(comparison, tolerance_cents=tolerance_cents)


def saddle_move(
    offset: Offset | Comparison,
    scale_mm: float = 648.0,
    *,
    setback_mm: float = 0.0,
    bridge: BridgeKind | str = BridgeKind.SCREW_SADDLES,
    screw_pitch_mm: float | None = None,
    screw_heads: ScrewHeads | str | None = None,
) -> Move:
    """The saddle move that cancels an offset, whatever the verdict; or what of it may be filed.

    Parameters
    ----------
    offset : what `offset` returned, or the ``offset`` in it.
    scale_mm : scale length, 300 to 1100 mm.
    setback_mm : how far the saddle stands behind the scale length already, -20 to 50 mm.
    bridge : kind of bridge, such as "screw-saddles"; it says what to mind.
    screw_pitch_mm : travel per turn of the length screw, 0.2 to 2 mm.
    screw_heads : "tail" or "neck", the side where the heads of the screws sit.

    Returns
    -------
    ``mm``, positive away from the nut, with its 95 % interval; ``turns`` and ``rotation`` where the
    screw is known; ``cautions``. With a fixed saddle, which is filed, ``mm`` is short of the mark
    and within the travel, and ``asked_mm`` all that is asked.

    Raises
    ------
    PitchbenchError
        If it is no offset, scale, setback or screw are out of the question, there is no such kind
        of bridge, or no place of the saddle cures such an offset.

    Notes
    -----
    Exact geometry: the open string, retuned, and the fretted one change by their lengths' ratios
    (docs/definitions.md, section 3).

    Examples
    --------
    >>> import pitchbench as pb
    >>> sharp = pb.offset(pb.read("samples/a2-open-and-12th-sharp.flac"), "A2")
    >>> move = pb.saddle_move(sharp, 648, screw_pitch_mm=0.5, screw_heads="tail")
    >>> move.direction.value, move.rotation.value, 1.5 < move.mm < 4.0
    ('away_from_nut', 'clockwise', True)
    """
    ranges.SETBACK.check(setback_mm=setback_mm)
    if isinstance(offset, Comparison):
        offset = offset.offset
    if not isinstance(offset, Offset):
        raise another_wanted("An offset is", offset, "Give what `pitchbench.offset` returns.")
    kind = _one_of(BridgeKind, bridge)
    known = with_bridge(
        with_scale(Instrument("", "", scale_mm, (), Bridge(kind)), scale_mm),
        screw_pitch_mm=screw_pitch_mm,
        screw_heads=None if screw_heads is None else _one_of(ScrewHeads, screw_heads),
    )
    return cancelling_move(
        offset,
        string=0,
        scale_mm=known.scale_mm,
        setback_mm=setback_mm,
        bridge=known.bridge,
    )


def neck(
    strings: Mapping[str, Readings],
    instrument: Instrument | None = None,
    *,
    weights: Mapping[int, float] | None = None,
    chords: Sequence[str] = (),
    tolerance_cents: float | None = None,
    a4_hz: float = A4_HZ,
) -> NeckResult:
    """What ails each string over the neck: nut, saddle or single frets; and the best saddle.

    Parameters
    ----------
    strings : plucks of each string by its open note, open and at two frets or more, told apart by
        pitch: ``{"G3": pb.read("g.wav")}``.
    instrument : scale, bridge and strings; None for the built-in six-string.
    weights : how much each fret of the neck is used; None for all that were heard alike.
    chords : shapes such as "022100", lowest string first, to be heard before and after.
    tolerance_cents : what may be left alone; the instrument's own unless given.
    a4_hz : pitch of A4.

    Returns
    -------
    ``strings``, one for each that was heard well enough, with ``neck`` (nut and saddle in cents,
    each with its belief, and every fret), ``choice``, ``verdict`` and ``findings``; ``chords``.

    Raises
    ------
    NoReadingError
        If no string was heard open and at two frets.
    PitchbenchError
        If a name is no note, the neck has no such fret as is weighed, or a chord does not fit the
        instrument.

    Notes
    -----
    offset(n) = nut + saddle (2^(n/12) - 1) + residual(n), by weighted least squares; frets that
    stand out are left out of the fit (docs/definitions.md).

    Examples
    --------
    >>> import pitchbench as pb
    >>> guitar = pb.VirtualInstrument(pb.preset("six-string"), seed=1)
    >>> plucks = [pb.read(guitar.pluck(3, fret), guitar.rate_hz) for fret in (0, 3, 7, 12)]
    >>> (string,) = pb.neck({"G3": plucks}).strings
    >>> [fret.fret for fret in string.neck.frets]
    [3, 7, 12]
    """
    known = preset("six-string") if instrument is None else instrument
    check_instrument(known)
    if tolerance_cents is not None:
        ranges.TOLERANCE.check(tolerance_cents=tolerance_cents)
        known = with_tolerance(known, tolerance_cents)
    ranges.A4.check(a4_hz=a4_hz)
    if weights is not None and not isinstance(weights, Mapping):
        raise another_wanted("Weights are", weights, "Give them by fret: {5: 1.0, 12: 2.0}.")
    heard = [
        heard_string(_note(name), plucks_of(readings), known, a4_hz)
        for name, readings in _each(strings, "string")
    ]
    by = Judged(known, (), weights, DEFAULT_PRIOR, a4_hz)
    return judge_neck(heard, by, shapes=chords)


def drift(
    readings: Readings,
    instrument: Instrument | None = None,
    string: int | None = None,
    fret: int = 0,
    *,
    near: Readings = (),
    far: Readings = (),
    a4_hz: float = A4_HZ,
) -> DriftResult:
    """How notes move from attack to tail, laid over each other, and what points to a fault.

    Parameters
    ----------
    readings : plucks of any notes.
    instrument, string, fret : what was played, to be held against its physics; ``string`` is its
        number, 1 the highest.
    near, far : plucks of one note with the pickup near the string and far from it.
    a4_hz : pitch of A4.

    Returns
    -------
    ``plucks``, each with its ``drift`` (None where it was rejected: ``time_s`` and ``cents`` of the
    shape (n,), decay, beats), ``strength`` and ``flags``; ``magnet``.

    Raises
    ------
    NoReadingError
        If ``near`` or ``far`` was given and either has no usable reading.
    PitchbenchError
        If an instrument is given without the string that was played, or the other way round, or has
        no such string or fret.

    Examples
    --------
    >>> import pitchbench as pb
    >>> result = pb.drift(pb.read("samples/e2-soft-medium-hard.flac"))
    >>> [pluck.strength.value for pluck in result.plucks]
    ['soft', 'medium', 'hard']
    """
    ranges.FRET_OR_OPEN.check(whole=True, fret=fret)
    ranges.A4.check(a4_hz=a4_hz)
    physics = None
    if instrument is None and (string is not None or fret):
        raise PitchbenchError(
            "A string or a fret says nothing without its instrument.", "Give the instrument too."
        )
    if instrument is not None:
        check_instrument(instrument)
        if string is None or not 1 <= string <= len(instrument.strings):
            raise PitchbenchError(
                f"{instrument.name} has no string {string}.",
                f"Give its number, 1 to {len(instrument.strings)}, 1 being the highest.",
            )
        physics = sounding_string(instrument, string, fret, a4_hz=a4_hz)
    all_plucks, nears, fars = (
        list(chain.from_iterable(map(drift_plucks, plucks_of(each))))
        for each in (readings, near, far)
    )
    magnet = pull_of_magnet(nears, fars) if nears or fars else None
    return lay_over([*all_plucks, *nears, *fars], physics, magnet=magnet, a4_hz=a4_hz)


def repeatability(
    players: Mapping[str, Readings],
    strings: Sequence[str] = (),
    *,
    within_cents: float = 1.0,
    a4_hz: float = A4_HZ,
) -> StudyResult:
    """How far takes of the same note spread, within one player and between players.

    Parameters
    ----------
    players : plucks of each player by name; every note several times, told apart by pitch.
    strings : open notes that were played; the lowest that is heard if there is none.
    within_cents : how near the mean of the takes should be to the truth.
    a4_hz : pitch of A4.

    Returns
    -------
    ``study`` with the precision of every note and player, in cents, and what it says of habits;
    ``takes``; ``takes_needed(spread)``.

    Raises
    ------
    NoReadingError
        If nobody plays any note twice.
    PitchbenchError
        If an argument makes no sense.

    Notes
    -----
    Repeatability and reproducibility after ISO 5725-2:1994, 7.4, players standing in for
    laboratories.

    Examples
    --------
    >>> import pitchbench as pb
    >>> plucks = pb.read("samples/a2-open-and-12th-sharp.flac")
    >>> study = pb.repeatability({"anna": plucks}).study
    >>> {note: precision.takes for note, precision in study.notes.items()}
    {'A2': 3, 'A3': 3}
    """
    ranges.A4.check(a4_hz=a4_hz)
    ranges.WITHIN.check(within_cents=within_cents)
    sounds = [
        (name, plucks) for name, each in _each(players, "player") for plucks in plucks_of(each)
    ]
    takes = takes_in(sounds, [_note(each) for each in strings], a4_hz=a4_hz)
    return study_takes(takes, within_cents=within_cents, a4_hz=a4_hz)


def _note(said: str | Note) -> Note:
    return said if isinstance(said, Note) else Note.parse(str(said))


def _each(given: Mapping[str, Readings], whose: str) -> Iterable[tuple[str, Readings]]:
    if not isinstance(given, Mapping):
        raise PitchbenchError(
            f"Readings of each {whose} are wanted here, not {type(given).__name__}.",
            f"Give them by its name: {{{whose}: readings}}.",
        )
    return given.items()


def _one_of(kind: type[_Kind], said: str) -> _Kind:
    try:
        return kind(said)
    except ValueError as error:
        raise PitchbenchError(
            f"{said!r} is not a known choice.", f"Give one of: {', '.join(kind)}."
        ) from error
