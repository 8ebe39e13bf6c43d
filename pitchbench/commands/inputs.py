"""``pitchbench inputs``: which audio inputs there are and, asked, how good one of them is."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass
from itertools import chain
from typing import Final, Literal

import click
import numpy as np

from pitchbench.analysis.heard import Heard
from pitchbench.belief import half95
from pitchbench.commands import completion
from pitchbench.commands.common import (
    ExamplesFirst,
    Quantity,
    format_option,
    plain_option,
    show_result,
    tell,
)
from pitchbench.commands.live import input_channel_option
from pitchbench.errors import ExitCode
from pitchbench.notes import A4_HZ, Note, nearest_note
from pitchbench.pitch.bounds import as_cents, decaying_tone_sd_hz
from pitchbench.pitch.listener import Listener, PluckStarted, ReadingReady
from pitchbench.pitch.reading import Reading, Reason, Rejected
from pitchbench.report.document import Count, NonNegative, Positive, fill
from pitchbench.report.readings import reading_document
from pitchbench.session.words import reading_words, rejected_words
from pitchbench.sound.level import decibels
from pitchbench.sound.microphone import Microphone
from pitchbench.sound.noise import LEAST_S, Condition, HumLine, Silence, analyse_silence
from pitchbench.sound.portaudio import InputDevice, list_inputs
from pitchbench.sound.source import Block

# A device just opened may click, or be silent while it wakes.
_SETTLING_S: Final = 0.5

# The pluck for which the best possible precision is given: the worked case of the bounds in
# docs/definitions.md, section 1.
PLUCK_AMPLITUDE: Final = 0.1
PLUCK_DECAY_S: Final = 0.5
PLUCK_HEARD_S: Final = 2.0
NOTES: Final = tuple(map(Note.parse, ("B0", "E1", "A1", "E2", "A2", "D3", "G3", "B3", "E4")))

#: What the best precision leaves out (docs/method.md, "For the technician").
STRING_ADDS: Final = "A real string wanders by itself, and is read to ± 0.8 to 6 cents."

CURES: Final = {
    Condition.OK: "Nothing to do.",
    Condition.NOTHING_HEARD: (
        "Check that the input is not muted, that the plug is in, and that the system lets programs "
        "use the microphone."
    ),
    Condition.CLIPPING: "Turn the input gain down, and keep quiet while it is checked.",
    Condition.TOO_NOISY: (
        "Keep quiet while it is checked; bring the microphone nearer, or plug the instrument in, "
        "and turn fans and effects off."
    ),
    Condition.HUM: (
        "Move away from transformers, screens and dimmers, try another cable or a laptop on "
        "battery, and turn an instrument with single coils until the hum is least."
    ),
}

#: How long a pluck is waited for, and how long it is listened to: what rings longer is read.
_PLUCK_WAIT_S: Final = 12.0
_RINGS_S: Final = 6.0

#: The words that `pitchbench trouble` knows each of them by.
TROUBLES: Final = {
    Condition.NOTHING_HEARD: "nothing is heard",
    Condition.CLIPPING: "too loud",
    Condition.TOO_NOISY: "too quiet",
    Condition.HUM: "hum",
}

EXAMPLES = """\
  pitchbench inputs                         which inputs there are
  pitchbench inputs --check                 the default one: its noise, then one pluck
  pitchbench inputs --check --device 2      another one, by number or by part of its name
  pitchbench inputs --check --channel 2     the second socket of an interface
  pitchbench inputs --check --format json   the same for a script
"""


@dataclass(frozen=True)
class CheckedPluck:
    """A pluck as the input heard it, and its highest sample."""

    reading: Reading | Rejected
    peak: float


@dataclass(frozen=True)
class Check:
    """An input that was listened to while nobody played, and then, if that was ``asked`` for, a
    pluck; None where there was none."""

    device: InputDevice
    rate_hz: int
    silence: Silence
    asked: bool = False
    pluck: CheckedPluck | None = None

    def best_u_cents(self, note: Note) -> float:
        """Cramér-Rao bound for the first partial of a pluck in the noise that is there.

        For a note of amplitude ``PLUCK_AMPLITUDE`` that decays in ``PLUCK_DECAY_S`` and is heard
        for ``PLUCK_HEARD_S``; the noise near the note counts as white. Other partials help, glide
        and wander hurt.
        """
        f_hz = note.hz()
        sd_hz = decaying_tone_sd_hz(
            PLUCK_AMPLITUDE,
            self.silence.white_noise_sd(f_hz, self.rate_hz),
            decay_s=PLUCK_DECAY_S,
            n=round(PLUCK_HEARD_S * self.rate_hz),
            rate_hz=self.rate_hz,
        )
        return as_cents(sd_hz, f_hz)


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.option("--check", is_flag=True, help="Listen to the noise and hum, then to one pluck.")
@click.option("--device", metavar="NAME|NUMBER", help="Which input to check; else the default.",
              shell_complete=completion.inputs)  # fmt: skip
@input_channel_option
@click.option(
    "--seconds",
    type=Quantity("S", LEAST_S, 60.0, "how long to listen in seconds"),
    default=4.0,
    show_default=True,
    help="How long to listen while nobody plays.",
)
@click.option("--pluck/--no-pluck", default=True, help="Whether --check asks for a pluck [yes].")
@format_option
@plain_option
def command(
    *,
    check: bool,
    device: str | None,
    channel: int | None,
    seconds: float,
    pluck: bool,
    output_format: str,
    plain: bool,
) -> int:
    """List the audio inputs; with --check, say how good one of them is, and what it hears of one
    pluck."""
    inputs = list_inputs()
    checked = _check(device, channel, seconds, pluck=pluck) if check else None
    show_result(
        output_format,
        plain,
        document=lambda: document(inputs, checked),
        lines=lambda: check_lines(checked) if checked else map(_input_line, inputs),
        page=lambda: _page(inputs, checked),
    )
    if not inputs:
        tell("There is no audio input. Plug in a microphone or an audio interface.")
        return ExitCode.AUDIO_DEVICE
    if checked and checked.silence.condition is Condition.NOTHING_HEARD:
        return ExitCode.NO_READING
    return ExitCode.DONE


def _check(device: str | None, channel: int | None, seconds: float, *, pluck: bool) -> Check:
    microphone = Microphone(device, channel=channel or 1)
    tell(f"Listening to {microphone.name} for {seconds:g} s: damp the strings, and keep quiet.")
    with closing(microphone.blocks()) as blocks:
        quiet = _quiet(blocks, seconds, microphone.rate_hz)
        samples = np.concatenate([block.samples for block in quiet])
        silence = analyse_silence(samples, microphone.rate_hz)
        asked, heard = pluck and silence.condition is not Condition.NOTHING_HEARD, None
        if asked:
            tell("Now pluck one string and let it ring.")
            heard = one_pluck(quiet, blocks, microphone.rate_hz)
    return Check(microphone.device, microphone.rate_hz, silence, asked, heard)


def _quiet(blocks: Iterator[Block], seconds: float, rate_hz: int) -> list[Block]:
    """What comes first, in one piece, once the device has settled."""
    wanted, heard = round(seconds * rate_hz), list[Block]()
    while sum(len(block.samples) for block in heard) < wanted:
        block = next(blocks)
        if block.gap:
            heard = []
        if block.start >= round(_SETTLING_S * rate_hz):
            heard.append(block)
    return heard


def one_pluck(quiet: list[Block], blocks: Iterable[Block], rate_hz: int) -> CheckedPluck | None:
    """The first pluck in ``blocks``, if one comes in time; cut short if it rings for long.

    The ``quiet`` just before tells the noise. What sounds in it, such as a string that is being
    damped, was not asked for.
    """
    listener, peaks = Listener(rate_hz, offer_early=True), dict[int, float]()
    for block in quiet:
        list(listener.feed(block))
    asked = quiet[-1].start + len(quiet[-1].samples)
    until = asked + _PLUCK_WAIT_S * rate_hz
    for block in blocks:
        peaks[block.start] = float(np.abs(block.samples).max(initial=0.0))
        over = block.start + len(block.samples) >= until
        for heard in chain(listener.feed(block), listener.finish() if over else ()):
            if isinstance(heard, PluckStarted) and heard.onset_s * rate_hz >= asked:
                until = (heard.onset_s + _RINGS_S) * rate_hz
            elif isinstance(heard, ReadingReady) and heard.final:
                onset = heard.reading.onset_s * rate_hz
                if onset < asked:
                    continue
                began = onset - len(block.samples)
                return CheckedPluck(
                    heard.reading, max(peak for start, peak in peaks.items() if start >= began)
                )
        if over:
            break
    return None


def _input_line(device: InputDevice) -> str:
    number, name, channels, rate, default = _row(device)
    return f"input {number}: {', '.join(filter(None, (name, channels, rate, default)))}"


def _row(device: InputDevice) -> tuple[str, ...]:
    channels = "1 channel" if device.channels == 1 else f"{device.channels} channels"
    default = "the default" if device.default else ""
    return str(device.number), device.full_name, channels, f"{device.rate_hz} Hz", default


def _page(inputs: tuple[InputDevice, ...], check: Check | None) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    if check is not None:
        parts = (line.partition(": ") for line in check_lines(check))
        Page().facts((label, words) for label, _, words in parts)
    elif inputs:
        columns = [Column("input"), *(Column("", right=False) for _ in range(4))]
        Page().table(columns, map(_row, inputs))


def check_lines(check: Check) -> list[str]:
    """The check as plain lines, label before value."""
    silence = check.silence
    lines = [
        f"input: {check.device.full_name}, {check.rate_hz} Hz",
        f"result: {silence.condition}",
        f"what to do: {CURES[silence.condition]}",
        *_more(silence.condition),
        f"level: {_level(silence.level_dbfs)}",
        f"peak: {_level(silence.peak_dbfs)}",
        f"clipped samples: {silence.clipped}",
        f"noise floor, 20 to 5000 Hz without hum: {_level(silence.floor_dbfs)}",
        f"hum of the mains: {_level(silence.hum_dbfs)}",
    ]
    lines += [
        f"hum at {line.frequency_hz:.0f} Hz: {_level(line.level_dbfs)}, "
        f"{line.above_floor_db:+.1f} dB against the noise floor"
        for line in silence.hum
    ]
    if notes := _heard_notes(check):
        best, worst = (choose(notes, key=check.best_u_cents) for choose in (min, max))
        lines.append(
            f"± by the noise alone: {_noise_alone(check, best)} for {best} to "
            f"{_noise_alone(check, worst)} for {worst}, at best: the first partial of a pluck of "
            f"{decibels(PLUCK_AMPLITUDE):.0f} dB peak, decaying in {PLUCK_DECAY_S} s, heard for "
            f"{PLUCK_HEARD_S:g} s. {STRING_ADDS}"
        )
    return [*lines, *(_pluck_lines(check) if check.asked else ())]


def _noise_alone(check: Check, note: Note) -> str:
    """The ± that the noise by itself leaves at best."""
    return f"{half95(check.best_u_cents(note)):.2g} cents"


def _pluck_lines(check: Check) -> list[str]:
    """What was heard of a pluck, and what a reading of such a note may be trusted to."""
    pluck = check.pluck
    if pluck is None:
        return ["pluck: none was heard"]
    reading, level = pluck.reading, f"peak {_level(decibels(pluck.peak))}"
    if isinstance(reading, Rejected):
        return [f"pluck: {level}, not read: {rejected_words(reading.reason)}"]
    note, off_cents = nearest_note(reading.pitch_hz)
    above = "" if reading.snr_db is None else f", at its end {reading.snr_db:.0f} dB above noise"
    hum = " and hum" if above and check.silence.hum else ""
    # A part greater than the whole is no noise: something sounded while it should have been quiet.
    of_noise = (
        f", of which the noise makes {_noise_alone(check, note)} at best"
        if check.best_u_cents(note) <= reading.u_cents
        else ""
    )
    return [
        f"pluck: {note}, {reading.pitch_hz:.2f} Hz, {level}{above}{hum}",
        f"pitch of the pluck: {reading_words(reading, off_cents, note)}",
        f"± to expect of such a note: {half95(reading.u_cents):.2f} cents{of_noise}",
    ]


def _more(condition: Condition) -> list[str]:
    """Where to read on, if something is wrong."""
    words = TROUBLES.get(condition)
    return [] if words is None else [f"more: pitchbench trouble {words}"]


def _level(level_dbfs: float | None) -> str:
    return "none" if level_dbfs is None else f"{level_dbfs:.1f} dBFS"


# -- document ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class AssumedPluck:
    """The pluck for which the precision is given."""

    amplitude: Positive = PLUCK_AMPLITUDE
    decay_s: Positive = PLUCK_DECAY_S
    heard_s: Positive = PLUCK_HEARD_S


@dataclass(frozen=True)
class BestPrecision:
    """The least standard uncertainty that the noise allows."""

    note: Note
    pitch_hz: Positive
    u_cents: Positive


@dataclass(frozen=True)
class PluckDocument:
    """The pluck that was asked for; a rejected one has a reason, and what could be measured."""

    status: Literal["settled", "rejected"]
    reason: Reason | None
    note: Note | None
    pitch_hz: Positive | None
    cents_from_note: float | None
    u_cents: NonNegative | None
    peak_dbfs: float | None
    snr_db: float | None


@dataclass(frozen=True)
class CheckDocument:
    """An input that was listened to; levels in dB below full scale, null where there is none."""

    input: InputDevice
    rate_hz: int
    heard_s: NonNegative
    condition: str
    cure: str
    trouble: str | None
    level_dbfs: float | None
    peak_dbfs: float | None
    clipped_samples: Count
    zeros_s: NonNegative
    floor_dbfs: float | None
    mains_hz: Positive | None
    hum_dbfs: float | None
    hum: tuple[HumLine, ...]
    assumed_pluck: AssumedPluck
    best_precision: tuple[BestPrecision, ...]
    pluck: PluckDocument | None


@dataclass(frozen=True)
class InputsDocument:
    """What `pitchbench inputs --format json` prints."""

    schema: Literal["pitchbench.inputs/1"]
    inputs: tuple[InputDevice, ...]
    check: CheckDocument | None


def document(inputs: tuple[InputDevice, ...], check: Check | None) -> InputsDocument:
    """The inputs, and what became of the one that was checked."""
    checked = None if check is None else _check_document(check)
    return fill(InputsDocument, inputs=inputs, check=checked)


def _check_document(check: Check) -> CheckDocument:
    silence = check.silence
    best = [
        BestPrecision(note, note.hz(), check.best_u_cents(note)) for note in _heard_notes(check)
    ]
    return fill(
        CheckDocument,
        check,
        silence,
        input=check.device,
        condition=silence.condition.name.lower(),
        cure=CURES[silence.condition],
        trouble=TROUBLES.get(silence.condition),
        clipped_samples=silence.clipped,
        assumed_pluck=AssumedPluck(),
        best_precision=best,
        pluck=check.pluck
        and reading_document(
            PluckDocument,
            Heard(check.device.full_name, check.pluck.reading),
            a4_hz=A4_HZ,
            peak_dbfs=decibels(check.pluck.peak),
        ),
    )


def _heard_notes(check: Check) -> tuple[Note, ...]:
    """The notes whose best precision can be told: none where nothing at all was heard."""
    return () if check.silence.floor_dbfs is None else NOTES
