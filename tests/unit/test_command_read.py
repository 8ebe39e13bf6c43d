"""`pitchbench read`: what it writes of recordings whose truth is known."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pexpect
import pytest
import soundfile
import stores
from recordings import RATE_HZ, Note, Ran, play, record

from pitchbench.presets import preset
from pitchbench.records.repository import Repository
from pitchbench.report.again import compared
from pitchbench.session.log import Entry, Setup, TakeEntry
from pitchbench.session.rehearsal import rehearse
from pitchbench.session.saddles import weigh
from pitchbench.session.state import State
from pitchbench.strings.virtual import VirtualInstrument
from pitchbench.units import cents_between

Capsys = pytest.CaptureFixture[str]
NOTES = (Note(6), Note(6, 12), Note(3), Note(1, 5))


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[float]]:
    """Four notes on a guitar, and their true pitches."""
    path = tmp_path_factory.mktemp("sound") / "four.wav"
    virtual = VirtualInstrument(preset("six-string"), seed=11, rate_hz=RATE_HZ)
    return path, record(path, virtual, NOTES)


def test_json_gives_the_true_pitches(capsys: Capsys, recorded: tuple[Path, list[float]]) -> None:
    path, true_hz = recorded
    ran = Ran(capsys, "read", path, "--format", "json")
    assert (ran.code, ran.err) == (0, "")
    readings = ran.document["readings"]
    assert [r["status"] for r in readings] == ["settled"] * 4
    assert [r["note"] for r in readings] == ["E2", "E3", "G3", "A4"]
    for reading, hz in zip(readings, true_hz, strict=True):
        # Stiffness alone would pull a plain period estimate by one cent and more.
        assert cents_between(reading["pitch_hz"], hz) == pytest.approx(0.0, abs=0.2)
        assert reading["u_cents"] < 0.3
        assert reading["file"] == str(path)
    onsets = [r["onset_s"] for r in readings]
    assert onsets == pytest.approx([0.6, 3.1, 5.6, 8.1], abs=0.02)
    assert ran.document["sounds"][0]["length_s"] == pytest.approx(10.6)


def test_cents_follow_the_pitch_of_a4(capsys: Capsys, recorded: tuple[Path, list[float]]) -> None:
    usual, sharper = (
        Ran(capsys, "read", recorded[0], "--format", "json", "--a4", a4).document["readings"][0]
        for a4 in ("440", "442")
    )
    assert sharper["pitch_hz"] == usual["pitch_hz"]
    moved = sharper["cents_from_note"] - usual["cents_from_note"]
    assert moved == pytest.approx(-cents_between(442, 440), abs=1e-6)


def test_one_plain_line_per_pluck_label_first(
    capsys: Capsys, recorded: tuple[Path, list[float]]
) -> None:
    ran = Ran(capsys, "read", recorded[0])
    lines = ran.out.splitlines()
    assert [line.split(":")[0] for line in lines] == ["recording", *(f"pluck {n}" for n in "1234")]
    assert "cents" in lines[1]
    assert " Hz" in lines[1]
    assert "±" in lines[1]
    assert "\x1b" not in ran.out


def test_a_rejected_pluck_is_shown_with_its_reason(capsys: Capsys, tmp_path: Path) -> None:
    path = tmp_path / "short.wav"
    virtual = VirtualInstrument(preset("six-string"), seed=3, rate_hz=RATE_HZ)
    record(path, virtual, [Note(5), Note(5, ring_s=0.25)])
    ran = Ran(capsys, "read", path, "--format", "json")
    assert ran.code == 0
    settled, rejected = ran.document["readings"]
    assert (settled["status"], settled["reason"]) == ("settled", None)
    assert (rejected["status"], rejected["reason"]) == ("rejected", "too_short")
    line = Ran(capsys, "read", path).out.splitlines()[2]
    assert line.startswith("pluck 2, rejected: ")
    assert line.endswith("too short: let it ring longer")


def test_without_a_usable_reading_it_prints_what_there_is_and_ends_with_3(
    capsys: Capsys, tmp_path: Path
) -> None:
    path = tmp_path / "short.wav"
    virtual = VirtualInstrument(preset("six-string"), seed=3, rate_hz=RATE_HZ)
    record(path, virtual, [Note(5, ring_s=0.25)])
    ran = Ran(capsys, "read", path, "--format", "json")
    assert ran.code == 3
    assert len(ran.document["readings"]) == 1
    assert ran.err.count(".\n") == 2


def test_several_files_keep_their_order(
    capsys: Capsys, recorded: tuple[Path, list[float]], tmp_path: Path
) -> None:
    path = tmp_path / "one.wav"
    virtual = VirtualInstrument(preset("bass-five"), seed=2, rate_hz=RATE_HZ)
    record(path, virtual, [Note(5)])
    ran = Ran(capsys, "read", path, recorded[0], "--format", "json")
    readings = ran.document["readings"]
    assert [r["file"] for r in readings] == [str(path)] + [str(recorded[0])] * 4
    assert readings[0]["note"] == "B0"


def test_the_channel_can_be_chosen(capsys: Capsys, tmp_path: Path) -> None:
    virtual = VirtualInstrument(preset("six-string"), seed=5, rate_hz=RATE_HZ)
    sound = play(virtual, [Note(4)])
    path = tmp_path / "stereo.wav"
    soundfile.write(path, np.stack([0.01 * virtual.room(len(sound)), sound], axis=1), RATE_HZ)
    assert Ran(capsys, "read", path, "--format", "json").document["sounds"][0]["channel"] == 2
    assert Ran(capsys, "read", path, "--channel", "2").code == 0
    silent = Ran(capsys, "read", path, "--channel", "1")
    assert silent.code == 3
    assert "No pluck was heard." in silent.err


def test_damage_is_told_and_what_came_before_it_is_read(capsys: Capsys, tmp_path: Path) -> None:
    path = tmp_path / "cut.flac"
    virtual = VirtualInstrument(preset("six-string"), seed=4, rate_hz=RATE_HZ)
    soundfile.write(path, play(virtual, [Note(5), Note(5), Note(5)]), RATE_HZ)
    path.write_bytes(path.read_bytes()[: int(0.6 * path.stat().st_size)])
    ran = Ran(capsys, "read", path, "--format", "json")
    assert ran.code == 0
    assert "is damaged: only its first" in ran.err
    assert 2.6 < ran.document["sounds"][0]["damaged_after_s"] < 6.0
    assert ran.document["readings"][0]["note"] == "A2"


def test_the_sound_that_a_session_kept_is_read_again(
    capsys: Capsys, recorded: tuple[Path, list[float]], tmp_path: Path
) -> None:
    store = tmp_path / "records.sqlite"
    with Repository.open(store) as repository:
        session = repository.begin_session(
            Setup(preset("six-string")), at=datetime(2026, 3, 1, tzinfo=UTC)
        )
        repository.keep_audio(session, recorded[0])
    again = Ran(capsys, "read", "--again", "last", "--store", store, "--format", "json")
    direct = Ran(capsys, "read", recorded[0], "--format", "json")
    assert again.document["readings"] == direct.document["readings"]
    with Repository.open(store) as repository:
        repository.keep_audio(session, tmp_path / "gone.flac")
    lost = Ran(capsys, "read", "--again", "last", "--store", store)
    assert lost.code == 5
    assert "is not here." in lost.err


# -- second opinion ----------------------------------------------------------------------------


@pytest.mark.peers
def test_a_second_opinion_is_what_aubio_says_of_the_same_tail(
    capsys: Capsys, recorded: tuple[Path, list[float]]
) -> None:
    pytest.importorskip("aubio")
    from benchmarks import peers  # noqa: PLC0415

    ran = Ran(capsys, "read", recorded[0], "--second-opinion", "--format", "json")
    sound, _ = soundfile.read(recorded[0], dtype="float32")
    for reading in ran.document["readings"]:
        first = round(RATE_HZ * (reading["onset_s"] + reading["settle_s"]))
        last = round(RATE_HZ * (reading["onset_s"] + reading["ring_s"]))
        f0_hz = peers.track_with_aubio("yinfast", sound[first:last], RATE_HZ)[8:]
        # Another stretch of the note, or another window, would differ by more.
        expected = cents_between(float(np.median(f0_hz[f0_hz > 0.0])), reading["pitch_hz"])
        assert reading["second_opinion_cents"] == pytest.approx(expected, abs=0.01)
        said = cents_between(reading["second_opinion_hz"], reading["pitch_hz"])
        assert reading["second_opinion_cents"] == pytest.approx(said, abs=1e-9)


def test_without_aubio_it_says_how_to_get_it(
    capsys: Capsys, recorded: tuple[Path, list[float]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "aubio", None)  # as if it were not installed
    ran = Ran(capsys, "read", recorded[0], "--second-opinion")
    assert ran.code == 2
    assert ".venv/bin/pip install '.[aubio]'" in ran.err
    assert ran.out == ""
    assert Ran(capsys, "read", recorded[0]).code == 0


# -- on a terminal -----------------------------------------------------------------------------


@pytest.mark.parametrize(("lines", "columns"), [(24, 80), (12, 40)])
def test_the_table_fits_the_terminal(
    recorded: tuple[Path, list[float]], lines: int, columns: int
) -> None:
    child = pexpect.spawn(
        sys.executable,
        ["-c", "from pitchbench.commands import main; main()", "read", str(recorded[0])],
        dimensions=(lines, columns),
        env={"TERM": "xterm", "LC_ALL": "C.UTF-8", "NO_COLOR": "1", "PATH": ""},
        encoding="utf-8",
        timeout=60,
    )
    child.expect(pexpect.EOF)
    shown = child.before.replace("\x1b[2m", "").replace("\x1b[0m", "").splitlines()
    assert max(map(len, shown)) <= columns
    rows = [line.split() for line in shown if " E3 " in line]
    assert len(rows) == 1
    assert len(rows[0]) == {80: 7, 40: 4}[columns]


@pytest.mark.parametrize("columns", [80, 40])
def test_what_is_wrong_is_broken_at_spaces_on_a_terminal(columns: int) -> None:
    child = pexpect.spawn(
        sys.executable,
        ["-c", "from pitchbench.commands import main; main()", "read", "low-e.wav", "--a4", "x"],
        dimensions=(24, columns),
        env={"TERM": "xterm", "LC_ALL": "C.UTF-8", "NO_COLOR": "1", "PATH": ""},
        encoding="utf-8",
        timeout=60,
    )
    child.expect(pexpect.EOF)
    lines = child.before.splitlines()
    assert max(map(len, lines)) <= columns
    assert " ".join(lines) == (
        "pitchbench: --a4 'x' makes no sense here. "
        "Give the pitch of A4 in Hz, a number from 380 to 480."
    )
    assert len(lines) == {80: 2, 40: 4}[columns]


@pytest.fixture(scope="module")
def kept_with_sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, State]:
    """A rehearsal of one string, kept with its sound, in a store."""
    folder = tmp_path_factory.mktemp("kept")
    setup = Setup(preset("six-string"), strings=(6,), tolerance_cents=3.0)
    done = rehearse(setup, seed=4, record=folder / "session.flac").state
    with Repository.open(folder / "records.sqlite") as repository:
        session = repository.begin_session(setup, at=datetime(2026, 3, 1, tzinfo=UTC))
        for entry in done.entries:
            repository.append(session, entry)
        repository.keep_audio(session, folder / "session.flac")
    return folder / "records.sqlite", done


def test_what_is_read_again_as_it_was_does_not_matter(
    capsys: Capsys, kept_with_sound: tuple[Path, State]
) -> None:
    store, done = kept_with_sound
    words = ("read", "--again", "last", "--store", store)
    again = Ran(capsys, *words, "--format", "json").document["again"]
    assert again["takes"] == sum(len(string.accepted) for string in done.log.strings)
    assert again["takes"] > 4
    assert again["otherwise"] == []
    (string,) = again["strings"]
    assert not string["matters"]
    stated = done.log.strings[5].now
    assert stated is not None
    assert string["before_cents"] == stated.offset_cents
    low, high = stated.interval95_cents
    assert string["interval95_half_cents"] == pytest.approx((high - low) / 2, abs=1e-9)
    assert abs(string["change_cents"]) < 0.05
    lines = Ran(capsys, *words, "--plain").out.splitlines()
    assert any(line.startswith("again, string 6 E2: offset ") for line in lines)
    assert "does not matter: it changed by less than the ± that it had" in lines[-1]


def test_what_is_read_otherwise_is_told_take_by_take_and_whether_it_matters(
    capsys: Capsys, kept_with_sound: tuple[Path, State], tmp_path: Path
) -> None:
    """As if an earlier version had read the last fretted takes 20 cents flat, on a string that has
    a tolerance of its own."""
    store, done = kept_with_sound
    place = tmp_path / "wrong.sqlite"
    accepted = done.log.strings[5].accepted
    last = max(take.round for take in accepted)
    bent = [take.number for take in accepted if (take.fret, take.round) == (12, last)]

    def earlier(entry: Entry) -> Entry:
        if not isinstance(entry, TakeEntry) or entry.take.number not in bent:
            return entry
        reading = entry.take.reading
        ratio = 2 ** (-20 / 1200)
        partials = tuple(
            replace(each, frequency_hz=each.frequency_hz * ratio) for each in reading.partials
        )
        flat = replace(reading, pitch_hz=reading.pitch_hz * ratio, partials=partials)
        return replace(entry, take=replace(entry.take, reading=flat))

    guitar = done.log.setup.instrument
    low_e = replace(guitar.string(6), tolerance_cents=5.0)
    own = replace(guitar, strings=(*guitar.strings[:5], low_e))
    with Repository.open(store) as old, Repository.open(place) as new:
        kept = old.session(old.find_session("last"))
        setup = replace(kept.setup, instrument=own)
        bad = replace(kept, setup=setup, entries=tuple(map(earlier, kept.entries)))
        new.take_in([], [bad])
        new.keep_audio(kept.meta.id, kept.meta.audio)
    ran = Ran(capsys, "read", "--again", "last", "--store", place, "--format", "json")
    again = ran.document["again"]
    assert [each["take"] for each in again["otherwise"]] == bent
    assert [each["change_cents"] for each in again["otherwise"]] == pytest.approx(
        [20.0] * len(bent), abs=0.05
    )
    (string,) = again["strings"]
    assert string["matters"]
    # Each offset is what the session states of it: a change is weighed with all that is known.
    flat_offset, true_offset = (weigh(log, log.strings[5]) for log in (bad.log, done.log))
    assert string["before_cents"] == flat_offset.offset_cents
    assert string["now_cents"] == pytest.approx(true_offset.offset_cents, abs=0.05)
    assert string["change_cents"] == string["now_cents"] - string["before_cents"]
    assert string["change_cents"] > 19.0
    assert string["why"].endswith("it lies within 5 cents now")


def test_takes_at_other_frets_say_nothing_of_the_offset_read_again(
    kept_with_sound: tuple[Path, State],
) -> None:
    """A survey of the neck keeps its sound too."""
    with Repository.open(kept_with_sound[0]) as repository:
        kept = repository.session(repository.find_session("last"))
    sharp_hz = 1.02 * kept.setup.instrument.string(6).note.hz() * 2 ** (5 / 12)
    reading = stores.a_reading(sharp_hz, 1000.0)
    last = kept.log.strings[5].accepted[-1]
    fifth = TakeEntry(1002.0, replace(last, number=99, fret=5, reading=reading))
    with_fifth = replace(kept, entries=(*kept.entries, fifth))
    plain, more = (
        compared(each, [e.take.reading for e in each.entries if isinstance(e, TakeEntry)])
        for each in (kept, with_fifth)
    )
    assert more.takes == plain.takes + 1
    assert more.strings == plain.strings


def test_how_far_a_recording_was_heard_stays_in_one_line(tmp_path: Path) -> None:
    """A line wider than the terminal is not written over, but scrolls by a hundred times."""
    name = f"{'a-long-name-' * 6}.wav"
    virtual = VirtualInstrument(preset("six-string"), seed=3)
    record(tmp_path / name, virtual, [Note(5, ring_s=2.0)] * 14)
    child = pexpect.spawn(
        sys.executable,
        ["-c", "from pitchbench.commands import main; main()", "read", name],
        cwd=str(tmp_path),
        dimensions=(12, 40),
        env={"TERM": "xterm", "LC_ALL": "C.UTF-8", "NO_COLOR": "1", "PATH": "", "PAGER": ""},
        encoding="utf-8",
        timeout=60,
    )
    child.expect("100%")
    bars = child.before.replace("\x1b[?25l", "").replace("\x1b[K", "").split("\r")
    assert len(bars) > 5
    assert max(map(len, bars)) <= 40
    child.expect(pexpect.EOF)
