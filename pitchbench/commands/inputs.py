"""``pitchbench inputs``: which audio inputs there are and, asked, how good one of them is."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass
from typing import Final, Literal

import click
import numpy as np
from numpy.typing import NDArray

from pitchbench.commands.common import (
    ExamplesFirst,
    Quantity,
    echo_json,
    format_option,
    plain_option,
    printable,
)
from pitchbench.errors import ExitCode
from pitchbench.notes import Note
from pitchbench.pitch.bounds import as_cents, decaying_tone_sd_hz
from pitchbench.report.document import Count, NonNegative, Positive, fill
from pitchbench.sound.level import decibels
from pitchbench.sound.microphone import InputDevice, Microphone, list_inputs
from pitchbench.sound.noise import LEAST_S, Condition, HumLine, Silence, analyse_silence

# A device just opened may click, or be silent while it wakes.
_SETTLING_S: Final = 0.5

# The pluck for which the best possible precision is given: the worked case of the bounds in
# docs/definitions.md, section 1.
PLUCK_AMPLITUDE: Final = 0.1
PLUCK_DECAY_S: Final = 0.5
PLUCK_HEARD_S: Final = 2.0
NOTES: Final = tuple(map(Note.parse, ("B0", "E1", "A1", "E2", "A2", "D3", "G3", "B3", "E4")))

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

#: The words that `pitchbench trouble` knows each of them by.
TROUBLES: Final = {
    Condition.NOTHING_HEARD: "nothing is heard",
    Condition.CLIPPING: "too loud",
    Condition.TOO_NOISY: "too quiet",
    Condition.HUM: "hum",
}

EXAMPLES = """\
  pitchbench inputs                         which inputs there are
  pitchbench inputs --check                 listen to the default one for a few seconds
  pitchbench inputs --check --device 2      another one, by number or by part of its name
  pitchbench inputs --check --format json   the same for a script
"""


@dataclass(frozen=True)
class Check:
    """An input that was listened to while nobody played."""

    device: InputDevice
    rate_hz: int
    silence: Silence

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
@click.option("--check", is_flag=True, help="Listen while nobody plays: level, noise, hum.")
@click.option("--device", metavar="NAME|NUMBER", help="Which input to check; else the default.")
@click.option(
    "--seconds",
    type=Quantity("S", LEAST_S, 60.0, "how long to listen in seconds"),
    default=4.0,
    show_default=True,
    help="How long to listen.",
)
@format_option
@plain_option
def command(
    check: bool,
    device: str | None,
    seconds: float,
    output_format: str,
    plain: bool,  # noqa: ARG001  # the text is plain lines already
) -> int:
    """List the audio inputs; with --check, say how good one of them is."""
    inputs = list_inputs()
    checked = _check(device, seconds) if check else None
    if output_format == "json":
        echo_json(document(inputs, checked))
    elif checked is None:
        click.echo("\n".join(map(_input_line, inputs)), nl=bool(inputs))
    else:
        click.echo("\n".join(check_lines(checked)))
    if not inputs:
        click.echo("There is no audio input. Plug in a microphone or an audio interface.", err=True)
        return ExitCode.AUDIO_DEVICE
    if checked and checked.silence.condition is Condition.NOTHING_HEARD:
        return ExitCode.NO_READING
    return ExitCode.DONE


def _check(device: str | None, seconds: float) -> Check:
    microphone = Microphone(device)
    click.echo(
        f"Listening to {printable(microphone.name)} for {seconds:g} s: damp the strings, "
        "and keep quiet.",
        err=True,
    )
    silence = analyse_silence(_listen(microphone, seconds), microphone.rate_hz)
    return Check(microphone.device, microphone.rate_hz, silence)


def _listen(microphone: Microphone, seconds: float) -> NDArray[np.float32]:
    skip = round(_SETTLING_S * microphone.rate_hz)
    wanted = skip + round(seconds * microphone.rate_hz)
    heard: list[NDArray[np.float32]] = []
    with closing(microphone.blocks()) as blocks:
        while sum(map(len, heard)) < wanted:
            heard.append(next(blocks).samples)
    return np.concatenate(heard)[skip:wanted]


def _input_line(device: InputDevice) -> str:
    default = ", the default" if device.default else ""
    channels = "1 channel" if device.channels == 1 else f"{device.channels} channels"
    name = printable(device.full_name)
    return f"input {device.number}: {name}, {channels}, {device.rate_hz} Hz{default}"


def check_lines(check: Check) -> list[str]:
    """The check as plain lines, label before value."""
    silence = check.silence
    lines = [
        f"input: {printable(check.device.full_name)}, {check.rate_hz} Hz",
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
        lines.append(
            "assumed for the precision: the first partial alone of a pluck of "
            f"{decibels(PLUCK_AMPLITUDE):.0f} dB peak, decaying in {PLUCK_DECAY_S} s, heard for "
            f"{PLUCK_HEARD_S:g} s"
        )
        lines += [
            f"precision to expect at best for {note}: {check.best_u_cents(note):.2g} cents"
            for note in notes
        ]
    return lines


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
    )


def _heard_notes(check: Check) -> tuple[Note, ...]:
    """The notes whose best precision can be told: none where nothing at all was heard."""
    return () if check.silence.floor_dbfs is None else NOTES
