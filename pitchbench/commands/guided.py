"""Shared parts of `session` and `rehearse`: options, how they are shown, how they are kept."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar

import click

from pitchbench.commands.common import (
    fail_at_the_end,
    going_on,
    is_plain,
    printable,
    together,
    whole_number,
    words_of,
    write_line,
)
from pitchbench.commands.instrument_options import instrument_options
from pitchbench.commands.listening import tell_damage
from pitchbench.ending import saving
from pitchbench.errors import RECORD_SO, NoReadingError, PitchbenchError, RecordsError
from pitchbench.pitch.reading import Reading
from pitchbench.records.hand import held, in_turn
from pitchbench.records.model import Parameter, SessionKind, SessionRecord
from pitchbench.screen.keys import KeyReader
from pitchbench.screen.live import LiveScreen
from pitchbench.screen.pictures import Picture
from pitchbench.session.engine import Keys, NotKeptError, TellRecords, View, run
from pitchbench.session.job import Job
from pitchbench.session.log import Entry, Ignored, Setup, TakeEntry, TakeFate
from pitchbench.session.words import cause_words
from pitchbench.sound.hearing import Hearing
from pitchbench.sound.recorder import Recorder
from pitchbench.sound.recording import Recording
from pitchbench.sound.source import Source

if TYPE_CHECKING:
    from pitchbench.records.repository import Repository
    from pitchbench.session.teller import Teller

_J = TypeVar("_J", bound=Job)

_HIGHEST_FRET: Final = 24


def string_numbers(text: str) -> tuple[int, ...]:
    """String numbers in the order of work, as "6,5,1"; PitchbenchError if it is no list of
    different ones."""
    words = words_of(text)
    numbers = tuple(n for word in words if (n := whole_number(word)) is not None)
    if not words or len(numbers) != len(words) or len(set(numbers)) != len(numbers):
        raise PitchbenchError(
            f"--strings {text!r} makes no sense here.",
            "Give different string numbers with commas between, 1 being the highest: 6,5.",
        )
    return numbers


#: What a session is told of its instrument, whichever that is.
DETAILS: Final = (
    "preset_name",
    "tuning",
    "scale",
    "bridge",
    "screw_pitch",
    "screw_heads",
    "left_handed",
    "tolerance",
    "locking_nut",
    "capo",
)
guided_instrument: Final = instrument_options(*DETAILS)


work_options: Final = together(
    click.option(
        "--strings",
        type=string_numbers,
        metavar="6,5,...",
        help="Strings to set, in this order [all].",
    ),
    click.option(
        "--fret",
        type=click.IntRange(1, _HIGHEST_FRET),
        default=12,
        show_default=True,
        help="Fret that is compared with the open string.",
    ),
)


def work_on(setup: Setup, strings: tuple[int, ...] | None) -> Setup:
    """``setup`` with the chosen strings, and the tolerance of its instrument.

    Raises
    ------
    PitchbenchError
        If the instrument has no such string or fret.
    """
    instrument = setup.instrument
    for number in strings or ():
        if not 1 <= number <= len(instrument.strings):
            raise PitchbenchError(
                f"{printable(instrument.name)} has no string {number}.",
                f"Give numbers from 1, the highest, to {len(instrument.strings)}.",
            )
    highest = min(map(instrument.highest_fret, strings or range(1, len(instrument.strings) + 1)))
    if setup.fret > highest:
        raise PitchbenchError(
            f"{printable(instrument.name)} has no fret {setup.fret}.",
            f"Give a fret from 1 to {highest}; 12 is usual.",
        )
    return replace(setup, strings=strings or (), tolerance_cents=instrument.tolerance_cents)


@dataclass(frozen=True)
class Shown(Generic[_J]):
    """How a job is shown: what the engine calls, where it asks for keys, whether it is a screen and
    whether that stands when all is done."""

    views: tuple[View[_J], ...]
    keys: Keys | None
    live: bool
    tell_records: TellRecords
    stays: bool = False


@contextlib.contextmanager
def shown(
    picture: Picture[_J],
    output_format: str,
    plain: bool,
    source: Source | None = None,
) -> Iterator[Shown[_J]]:
    """The screen where there is a terminal; else plain lines, on stderr if stdout is for JSON. If
    ``source`` keeps the sound, it is said when it can keep no more of it."""
    json = output_format == "json"
    if not json and not is_plain(plain):
        with LiveScreen(picture=picture) as screen:
            notices: dict[str, str] = {}

            def notice(label: str, words: str) -> None:
                notices[label] = words
                screen.show_notice(" ".join(filter(None, notices.values())))

            yield Shown(
                (screen, *_sound_told(source, notice)),
                screen.keys,
                live=True,
                tell_records=lambda trouble: notice(
                    "records", "" if trouble is None else _records_words(trouble)
                ),
                stays=picture.stays,
            )
        return

    def write(line: str) -> None:
        write_line(line, err=json)

    def tell(label: str, words: str) -> None:
        write(f"{label}: {words}")

    with KeyReader(own=picture.keys) as keys:
        yield Shown(
            (picture.lines(write), *_sound_told(source, tell)),
            keys.poll if keys.at_terminal else None,
            live=False,
            tell_records=lambda trouble: tell("records", _records_words(trouble)),
        )


def _sound_told(source: Source | None, tell: Callable[[str, str], None]) -> list[View[Any]]:
    """A view that says once that a recorder can keep no more of the sound, if ``source`` is one."""
    if not isinstance(source, Recorder):
        return []
    told = False

    def look(_old: Job, _new: Job) -> None:
        nonlocal told
        if source.trouble is not None and not told:
            told = True
            tell("sound", f"Kept no further: {source.trouble.what}")

    return [look]


def _records_words(trouble: PitchbenchError | None) -> str:
    """What a person is told when the records cannot be written, and when they can again."""
    if trouble is None:
        return "Everything is on record again."
    return f"Not on record yet, tried again every second: {trouble.what}"


#: How long an entry waits for another program that holds the records, before it waits its turn
#: among those that are tried again: the screen stands still meanwhile.
_BUSY_S: Final = 0.5


class Keeping:
    """Keeps each entry of one session on record as it comes to be.

    Parameters
    ----------
    repository : the store.
    session_id : the session that the entries belong to.
    kept : how many entries it has on record already.

    Attributes
    ----------
    rescued : whether the records did not take all, so that the session is in a file of its own.
    """

    def __init__(self, repository: Repository, session_id: str, kept: int = 0) -> None:
        self.repository = repository
        self.session_id = session_id
        self._kept = kept
        begun = repository.session(session_id, traces_too=False)
        self._setup, self._meta = begun.setup, begun.meta
        self._tried: Entry | None = None
        self.rescued = False

    def __call__(self, entry: Entry) -> None:
        """When this returns, ``entry`` is safe; after it has raised, call it with the same one."""
        again, self._tried = entry is self._tried, entry
        with in_turn():
            self.repository.append(
                self.session_id, entry, again=again, sequence=self._kept, busy_s=_BUSY_S
            )
        self._kept += 1

    def end(self, job: Job) -> None:
        """Say that the session came to its end, or that it is not in hand any more."""
        if self.rescued:
            return
        try:
            with in_turn():
                if job.complete:
                    self.repository.finish_session(self.session_id, at=self._ended_at(job))
                else:
                    self.repository.let_go(self.session_id)
        except PitchbenchError as error:
            fail_at_the_end(error)

    def words(self) -> str:
        """What a person is told about it."""
        return f"Kept on record as session {self.short_id}."

    def tell(self, store: str | None, *, go_on: bool) -> None:
        """Say where it is kept and, with ``go_on``, how to go on with it."""
        if self.rescued:
            return
        with contextlib.suppress(OSError):  # the terminal may be what has gone
            click.echo(self.words(), err=True)
            if go_on:
                click.echo(printable(f"Go on with: {going_on(self._meta, store)}"), err=True)

    @property
    def short_id(self) -> str:
        """The part of the session's id that people read and type."""
        return self._meta.short_id

    def rescue(self, trouble: NotKeptError) -> None:
        """Write the session to a file of its own, and say so when its result has been shown."""
        self.rescued = True
        fail_at_the_end(self.write_apart(trouble))

    def write_apart(self, trouble: NotKeptError) -> PitchbenchError:
        """Write the session to a file of its own, since the records do not take it; what the person
        is to be told."""
        from pitchbench.report.export import export_json, write_file  # noqa: PLC0415

        job = trouble.job
        finished_at = self._ended_at(job) if job.complete else None
        meta = replace(self._meta, finished_at=finished_at)
        record = SessionRecord(self._setup, job.entries, meta)
        name = f"pitchbench-session-{meta.id}.json"
        refusals = []
        for folder in (Path.cwd(), Path(tempfile.gettempdir())):
            try:
                pieces = (piece.encode() for piece in export_json([], [record]))
                write_file(folder / name, pieces, force=False)
            except PitchbenchError as error:
                refusals.append(error)
                continue
            return RecordsError(
                trouble.what,
                f"The whole session is in {str(folder / name)!r}: when the records can be reached, "
                "take it in with `pitchbench import`.",
            )
        return refusals[-1]

    def _ended_at(self, job: Job) -> datetime:
        """Now; but if the clock was set back meanwhile, as long after the start as was heard."""
        return max(datetime.now(UTC), self._meta.started_at + timedelta(seconds=job.at_s))


@dataclass(frozen=True)
class Start(Generic[_J]):
    """Where a job starts; its id on record if it goes on with an old one, and how many of its
    entries are there."""

    job: _J
    session_id: str | None = None
    kept: int = 0


def keeping_of(
    stack: contextlib.ExitStack,
    repository: Repository,
    start: Start[Any],
    source: Source,
    parameters: Mapping[str, Parameter],
    *,
    record: Path | None,
    kind: SessionKind = SessionKind.SETUP,
) -> Keeping:
    """Put the job on record, where it is not there yet, with where its sound is kept; it is in hand
    until ``stack`` ends."""
    session_id = start.session_id
    if session_id is None:
        session_id = repository.begin_session(
            start.job.setup,
            at=datetime.now(UTC),
            source=source.name,
            parameters={"rate_hz": source.rate_hz, **parameters},
            kind=kind,
        )
        stack.enter_context(held(repository, session_id))
    keeping = Keeping(repository, session_id, start.kept)
    for entry in start.job.entries[start.kept :]:
        keeping(entry)
    if record is not None:
        repository.keep_audio(session_id, record)
    return keeping


def worked(
    source: Source,
    job: _J,
    shown: Shown[_J],
    keeping: Keeping | None,
    *,
    store: str | None,
    views: Sequence[View[_J]] = (),
    hearing: Hearing | None = None,
    teller: Teller[_J] | None = None,
) -> _J:
    """The job as it ended; whatever ended it, it is said where what was heard is kept.

    ``views`` look on as well; ``hearing`` says how the input stands, ``teller`` tells it to the
    ear.
    """
    try:
        with saving():
            job = run(
                source,
                job,
                views=(*shown.views, *views),
                keys=shown.keys,
                keep=keeping,
                tell_records=shown.tell_records,
                rescue=None if keeping is None else keeping.rescue,
                stays=shown.stays,
                hearing=hearing,
                teller=teller,
            )
        if isinstance(source, Recording):
            tell_damage(source.name, source.damaged_after_s)
        if keeping is not None:
            keeping.end(job)
    finally:
        if keeping is not None:
            keeping.tell(store, go_on=not job.complete)
    return job


def refuse_silence(recording: Path | None, entries: Sequence[Entry]) -> None:
    """Raise NoReadingError after a recording in which no note of the instrument was heard, or none
    that counts; ``entries`` are its alone."""
    if recording is None:
        return
    heard = [entry.take for entry in entries if isinstance(entry, TakeEntry)]
    read = [take for take in heard if isinstance(take.reading, Reading)]
    if not read:
        raise NoReadingError(
            "There is no usable reading in what was heard." if heard else "No pluck was heard.",
            RECORD_SO,
        )
    if all(take.ignored is Ignored.NO_NOTE_OF_IT for take in read):
        raise NoReadingError(
            "Nothing that was heard is a note of the instrument.",
            "Name what was played with --preset, --instrument or --tuning, and its strings with "
            "--strings.",
        )
    if all(take.fate is not TakeFate.ACCEPTED for take in heard):
        causes = dict.fromkeys(cause_words(take.why) for take in heard)
        raise NoReadingError(
            f"No pluck counts: {', '.join(causes)}.",
            "--plain says it of each; `pitchbench offset` compares notes out of tune, too.",
        )
