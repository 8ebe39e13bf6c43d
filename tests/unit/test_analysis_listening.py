"""Plucks read side by side: the same readings, order and errors as one after the other."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import shutil
import signal
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from other_sounds import RATE_HZ, in_a_room, knock, silence, talk
from recordings import Note, Ran, record
from string_sound import note

from pitchbench.analysis.listening import listen_to, readings_in
from pitchbench.errors import ExitCode, PitchbenchError, RecordsError
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.presets import preset
from pitchbench.sound.recording import Recording
from pitchbench.strings.virtual import VirtualInstrument

Capsys = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Three recordings of different strings, the first the longest."""
    folder = tmp_path_factory.mktemp("recordings")
    virtual = VirtualInstrument(preset("six-string"), seed=5)
    paths = []
    for string, plucks in ((6, 3), (5, 1), (1, 2)):
        paths.append(folder / f"string-{string}.wav")
        record(paths[-1], virtual, [Note(string)] * plucks)
    return paths


@pytest.mark.parametrize("command", ["read", "repeatability"])
@pytest.mark.parametrize("form", ["json", "text"])
def test_side_by_side_says_the_same(
    capsys: Capsys, files: list[Path], command: str, form: str
) -> None:
    one, two = (Ran(capsys, command, *files, "--format", form, "--jobs", n) for n in ("1", "2"))
    assert one.code in (0, None)
    assert all(path.stem in one.out for path in files)
    assert (one.code, one.out, one.err) == (two.code, two.out, two.err)


@pytest.fixture(scope="module")
def among_words(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One recording: more plucks than may wait to be read, with talk and knocks between them."""
    path = tmp_path_factory.mktemp("one") / "among-words.wav"
    plucks = [note(f1_hz, before_s=0.0, noise=0.0, ring_s=1.2) for f1_hz in (82.4, 110.0, 146.8)]
    between = [silence(0.5), talk(1.5), silence(0.3), knock(), silence(0.6)]
    parts = [part for _ in range(4) for pluck in plucks for part in (pluck, *between)]
    soundfile.write(path, in_a_room(silence(1.0), *parts), RATE_HZ, subtype="FLOAT")
    return path


def test_plucks_of_one_recording_are_read_side_by_side(among_words: Path) -> None:
    alone, shared = (next(listen_to([among_words], jobs=jobs)).readings for jobs in (1, 2))
    as_heard = tuple(readings_in(Recording(among_words).blocks(), RATE_HZ))
    assert sum(isinstance(each, Reading) for each in alone) == 12
    assert _told(alone) == _told(shared) == _told(as_heard)


def _told(readings: Sequence[Reading | Rejected]) -> list[tuple[object, ...]]:
    return [(type(r), r.onset_s, r.ring_s, r.pitch_hz, r.u_cents, r.partials) for r in readings]


@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="nothing to share on a single core")
def test_unless_told_otherwise_processes_are_started_where_there_is_much_to_hear(
    files: list[Path], tmp_path: Path
) -> None:
    first, rate_hz = soundfile.read(files[0], dtype="float32")
    room = np.random.default_rng(1).normal(0.0, 1e-4, 180 * rate_hz).astype(np.float32)
    much = tmp_path / "much.wav"
    soundfile.write(much, np.concatenate((first, room)), rate_hz)
    for paths, processes in ((files, 0), ([files[1], much], 1)):
        heard = listen_to(paths, jobs=None)
        next(heard)
        assert min(len(multiprocessing.active_children()), 1) == processes
        heard.close()
        assert not multiprocessing.active_children()


def test_readings_come_in_the_order_of_the_files(files: list[Path]) -> None:
    order = [files[0], files[2], files[1]]
    heard = list(listen_to(order, jobs=3))
    assert [sound.path for sound in heard] == order
    assert [len(sound.readings) for sound in heard] == [3, 2, 1]


#: Fills the memory that processes share, in a namespace of its own.
_NO_ROOM = """
set -e
mount -t tmpfs -o size=4k tmpfs /dev/shm
printf full > /dev/shm/full
exec "$@"
"""


@pytest.mark.skipif(
    not sys.platform.startswith("linux") or os.geteuid() != 0, reason="only root may fill /dev/shm"
)
def test_full_shared_memory_changes_nothing(files: list[Path]) -> None:
    full = ["unshare", "--mount", "sh", "-c", _NO_ROOM, "sh"]
    semaphore = [sys.executable, "-c", "import multiprocessing as m; m.Lock()"]
    assert (
        "No space left"
        in subprocess.run([*full, *semaphore], capture_output=True, text=True, check=False).stderr
    )
    program = "from pitchbench.commands import main; main()"
    words = [sys.executable, "-c", program, "read", *files, "--jobs", "2", "--format", "json"]
    there, here = (
        subprocess.run([*before, *words], capture_output=True, check=True).stdout
        for before in (full, [])
    )
    assert there == here


def test_a_damaged_file_ends_it_after_those_before_it(files: list[Path], tmp_path: Path) -> None:
    nonsense = tmp_path / "nonsense.wav"
    _spoil(files[1], nonsense)
    said = []
    for jobs in (1, 2):
        heard = listen_to([files[0], nonsense, files[2]], jobs=jobs)
        assert len(next(heard).readings) == 3
        with pytest.raises(PitchbenchError) as error:
            next(heard)
        said.append((error.value.what, error.value.remedy, error.value.exit_code))
    assert said[0] == said[1]
    assert "no numbers" in said[0][0]
    assert said[0][2] is ExitCode.NO_READING


def _spoil(path: Path, target: Path) -> None:
    """The same sound with a sample in it that is no number."""
    samples, rate_hz = soundfile.read(path, dtype="float32")
    samples[rate_hz] = np.nan
    soundfile.write(target, samples, rate_hz, subtype="FLOAT")


def test_a_process_that_dies_is_said(files: list[Path]) -> None:
    heard = listen_to([*files, *files], jobs=2)
    next(heard)
    for process in multiprocessing.active_children():
        process.kill()
        process.join()
    with pytest.raises(PitchbenchError, match="ended before its time") as error:
        list(heard)
    assert "--jobs 1" in error.value.remedy


def test_a_wrong_name_is_told_before_any_listening(files: list[Path]) -> None:
    with pytest.raises(PitchbenchError, match="There is no file"):
        next(listen_to([*files, Path("not-there.wav")], jobs=2))


def test_errors_survive_the_way_between_processes() -> None:
    error = RecordsError("It is wrong.", "Do this.")
    back = pickle.loads(pickle.dumps(error))
    assert (str(back), back.what, back.remedy) == (str(error), error.what, error.remedy)
    assert str(back) == "It is wrong. Do this."
    assert back.exit_code is ExitCode.RECORDS


@pytest.mark.skipif(sys.platform == "win32", reason="signals to a group of processes")
@pytest.mark.parametrize("starting", [True, False])
def test_ctrl_c_ends_all_of_them_with_one_sentence(
    files: list[Path], tmp_path: Path, starting: bool
) -> None:
    """While the second process is being started, and while both read."""
    many = [Path(shutil.copy(files[0], tmp_path / f"{n}.wav")) for n in range(40)]
    code = "from pitchbench.commands import main; main()"
    program = subprocess.Popen(
        [sys.executable, "-c", code, "read", *many, "--plain", "--jobs", "2"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert program.stdout is not None
    if starting:
        while "spawn_main" not in _of_group(program.pid):
            assert program.poll() is None
    else:
        assert program.stdout.readline().startswith("recording:")
    os.killpg(program.pid, signal.SIGINT)
    out, err = program.communicate(timeout=60)
    assert program.returncode == ExitCode.INTERRUPTED
    assert err == "\npitchbench: interrupted.\n"
    assert out.count("recording:") < len(many) - 1
    assert "spawn_main" not in _of_group(program.pid)


def _of_group(group: int) -> str:
    """The processes of a group."""
    words = ["ps", "-e", "-ww", "-o", "pgid=", "-o", "args="]
    listed = subprocess.run(words, capture_output=True, text=True, check=True)
    return "".join(line for line in listed.stdout.splitlines() if int(line.split()[0]) == group)
