"""``pitchbench read``: every pluck in recordings."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from pitchbench.analysis.heard import Heard, Listened
from pitchbench.analysis.listening import offers_in
from pitchbench.analysis.second_opinion import METHOD, load_aubio, second_opinions
from pitchbench.belief import half95
from pitchbench.commands import completion
from pitchbench.commands.common import (
    ExamplesFirst,
    echo_json,
    is_plain,
    open_records,
    write_line,
)
from pitchbench.commands.listening import (
    listen,
    listening_options,
    recordings_meant,
    shown_all_the_same,
)
from pitchbench.errors import RECORD_SO, NoReadingError, PitchbenchError, RecordsError
from pitchbench.notes import nearest_note
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.records.model import SessionRecord
from pitchbench.report.again import AgainDocument, again_lines, compared
from pitchbench.report.document import fill
from pitchbench.report.readings import (
    OpinedReading,
    ReadingsDocument,
    note_name,
    reading_document,
    sound_documents,
    value,
)
from pitchbench.session.words import rejected_words, sharp_or_flat
from pitchbench.sound.recording import Recording
from pitchbench.units import cents_between

#: The narrowest terminal in which the attack is shown.
_ATTACK_FROM_WIDTH = 70

#: As a microphone hands it on: what is offered early depends on where a block ends.
_SESSION_BLOCK = 512

EXAMPLES = """\
  pitchbench read low-e.wav                      every pluck in a recording
  pitchbench read *.flac --format json           several recordings, for a script
  pitchbench read from-anna                      every recording in a folder
  pitchbench read low-e.wav --second-opinion     another library's settled pitch beside ours
  pitchbench read --again last                   the sound that the last session kept
"""

#: A reading with aubio's pitch of the same stretch of sound, None where there is none.
_Opined = tuple[Reading | Rejected, float | None]


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.argument(
    "files", nargs=-1, type=click.Path(path_type=Path), metavar="FILE...", callback=recordings_meant
)
@click.option(
    "--second-opinion",
    "opinion",
    is_flag=True,
    help=f"Also ask aubio ({METHOD}), which reads stiff strings some cents sharp.",
)
@click.option("--again", metavar="SESSION", shell_complete=completion.sessions,
              help='Sound that a session kept: its id, or "last".')  # fmt: skip
@listening_options
def command(
    *,
    files: tuple[Path, ...],
    channel: int | None,
    jobs: int | None,
    a4: float,
    opinion: bool,
    again: str | None,
    store: str | None,
    plain: bool,
    output_format: str,
) -> None:
    """Read every pluck in recordings: settled pitch, uncertainty, attack and quality.

    WAV, FLAC, Ogg, MP3 and AIFF are read, at 8 to 192 kHz; with the extra `phone`, recordings and
    videos of telephones (M4A, MP4, MOV, 3GP, WebM, WMA) too. A pluck that cannot be trusted is
    rejected with its reason, and shown all the same.
    """
    if opinion:
        load_aubio()
    kept = None if again is None else _kept(again, store)
    if kept is not None:
        files = (*files, _sound_of(kept))
    if not files:
        raise PitchbenchError("No recording was named.", "Give one or more sound files.")
    documents: list[OpinedReading] = []
    sounds: list[Listened] = []
    with shown_all_the_same(sounds, output_format, a4_hz=a4):
        for listened in listen(files, channel=channel, jobs=jobs, plain=plain):
            sounds.append(listened)
            opinions = second_opinions(listened) if opinion else (None,) * len(listened.readings)
            opined = list(zip(listened.readings, opinions, strict=True))
            documents += [
                reading_document(
                    OpinedReading,
                    Heard(listened.source, reading),
                    a4_hz=a4,
                    second_opinion_hz=pitch_hz,
                    second_opinion_cents=_apart_cents(reading, pitch_hz),
                )
                for reading, pitch_hz in opined
            ]
            if output_format == "text":
                _show(listened, opined, a4=a4, opinion=opinion, plain=is_plain(plain))
    if documents and output_format == "text" and not is_plain(plain):
        _print_legend(a4, opinion)
    result = None if kept is None else _read_again(kept, channel)
    lacks = None
    if not any(each.status == "settled" for each in documents):
        lacks = "There is no usable reading in what was heard."
        lacks = lacks if documents else "No pluck was heard."
    if output_format == "json":
        document = fill(
            ReadingsDocument,
            a4_hz=a4,
            readings=documents,
            sounds=sound_documents(sounds),
            again=result,
            lacks=lacks,
        )
        echo_json(document)
    elif result is not None:
        for label, words in again_lines(result):
            write_line(f"again, {label}: {words}")
    if lacks is not None:
        raise NoReadingError(lacks, RECORD_SO)


def _kept(session: str, store: str | None) -> SessionRecord:
    """The session on record whose sound is to be read again."""
    with open_records(store) as repository:
        return repository.session(repository.find_session(session), traces_too=False)


def _sound_of(kept: SessionRecord) -> Path:
    """The recording that it kept."""
    meta = kept.meta
    if meta.audio is None or not meta.audio.exists():
        raise RecordsError(
            f"The sound of session {meta.short_id} is not here.",
            "Its takes are on record all the same: see `pitchbench sheet`.",
        )
    return meta.audio


def _read_again(kept: SessionRecord, channel: int | None) -> AgainDocument:
    """What this version hears in the sound that a session kept, against what was heard then."""
    recording = Recording(_sound_of(kept), channel=channel, block_size=_SESSION_BLOCK)
    return compared(kept, offers_in(recording))


def _apart_cents(reading: Reading | Rejected, pitch_hz: float | None) -> float | None:
    """How far the second opinion lies above the reading."""
    if pitch_hz is None or isinstance(reading, Rejected):
        return None
    return cents_between(pitch_hz, reading.pitch_hz)


def _show(
    listened: Listened, opined: Sequence[_Opined], *, a4: float, opinion: bool, plain: bool
) -> None:
    if plain:
        write_line(
            f"recording: {listened.source}, {listened.length_s:.1f} s, "
            f"{listened.rate_hz} Hz, channel {listened.channel}, {_count(listened.readings)}"
        )
        for number, each in enumerate(opined, start=1):
            write_line(f"{_label(each[0], number)}: {_words(each, a4, opinion=opinion)}")
    else:
        _print_table(listened, opined, a4=a4, opinion=opinion)


def _label(reading: Reading | Rejected, number: int) -> str:
    return f"pluck {number}{', rejected' * isinstance(reading, Rejected)}"


def _count(readings: Sequence[Reading | Rejected]) -> str:
    plucks = f"{len(readings)} pluck{'s' * (len(readings) != 1)}"
    rejected = sum(isinstance(reading, Rejected) for reading in readings)
    return f"{plucks}, {rejected} of them rejected" if rejected else plucks


def _words(opined: _Opined, a4_hz: float, *, opinion: bool) -> str:
    """Everything about one pluck, in the order of interest."""
    reading, pitch_hz = opined
    words = [f"at {reading.onset_s:.2f} s"]
    if isinstance(reading, Rejected):
        words += [f"about {note_name(reading, a4_hz)}", rejected_words(reading.reason)]
        return ", ".join(words)
    note, cents = nearest_note(reading.pitch_hz, a4_hz)
    words += [
        f"{reading.pitch_hz:.3f} Hz",
        sharp_or_flat(cents, half95(reading.u_cents), of=note),
        f"attack {reading.attack_cents:+.1f} cents",
        f"settled after {reading.settle_s:.2f} s",
        f"tail {reading.tail_s:.1f} s",
        f"wander {reading.wander_cents:.2f} cents",
    ]
    if reading.stiffness_b is not None:
        words.append(f"stiffness B {reading.stiffness_b:.2e}")
    if reading.snr_db is not None:
        words.append(f"{reading.snr_db:.0f} dB above the noise")
    if opinion:
        apart = _apart_cents(reading, pitch_hz)
        words.append(
            "no second opinion, too short"
            if pitch_hz is None
            else f"second opinion {pitch_hz:.3f} Hz, {apart:+.2f} cents from ours"
        )
    return ", ".join(words)


def _print_table(
    listened: Listened, opined: Sequence[_Opined], *, a4: float, opinion: bool
) -> None:
    """A table as wide as the terminal: the narrower it is, the fewer columns."""
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    page = Page()
    page.say(f"{listened.source}: {listened.length_s:.1f} s, {_count(listened.readings)}")
    if not opined:
        return
    columns = [
        Column("at s"),
        Column("note", right=False),
        Column("cents"),
        Column("±"),
        Column("Hz", from_width=50),
        Column("attack", from_width=_ATTACK_FROM_WIDTH),
        Column("settled", from_width=_ATTACK_FROM_WIDTH),
        Column("tail s", from_width=100),
        Column("wander", from_width=100),
        Column("B", from_width=120),
        Column("dB", from_width=100),
    ]
    columns += [Column("aubio")] if opinion else []
    page.table([*columns, Column("", right=False)], [_row(each, a4, opinion) for each in opined])
    page.gap()


def _print_legend(a4_hz: float, opinion: bool) -> None:
    from pitchbench.screen.tables import Page  # noqa: PLC0415  # for terminals alone

    page = Page()
    words = f"cents from the note, A4 = {a4_hz:g} Hz; ± holds 95 %"
    if page.width >= _ATTACK_FROM_WIDTH:
        words += "; attack in cents above the settled pitch, settled after so many s"
    page.say(words + ("; aubio in cents from ours" if opinion else ""))


def _row(opined: _Opined, a4_hz: float, opinion: bool) -> list[str]:
    reading, pitch_hz = opined
    if isinstance(reading, Rejected):
        pitch, why = ["-", "-", "-"], rejected_words(reading.reason)
    else:
        cents = nearest_note(reading.pitch_hz, a4_hz)[1]
        half = half95(reading.u_cents)
        pitch, why = [f"{cents:+.2f}", f"{half:.2f}", f"{reading.pitch_hz:.3f}"], ""
    cells = [
        value(reading.onset_s, 2),
        note_name(reading, a4_hz),
        *pitch,
        value(reading.attack_cents, 1, sign=True),
        value(reading.settle_s, 2),
        value(reading.tail_s, 1),
        value(reading.wander_cents, 2),
        "-" if reading.stiffness_b is None else f"{reading.stiffness_b:.1e}",
        value(reading.snr_db, 0),
    ]
    if opinion:
        cells.append(value(_apart_cents(reading, pitch_hz), 2, sign=True))
    return [*cells, why]
