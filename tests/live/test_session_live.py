"""`pitchbench session` through the real PortAudio, on a virtual device: one string's whole story,
and one that is broken off."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from guided_bench import bench
from virtual_mic import VirtualMic

from pitchbench.records.repository import Repository
from pitchbench.session.log import MoveEntry, NoteEntry, Outcome, TakeFate
from pitchbench.session.state import resume

pytestmark = [pytest.mark.live, pytest.mark.timeout(240)]


def test_one_strings_whole_story_by_sound_alone(vmic: VirtualMic, tmp_path: Path) -> None:
    with bench(vmic, tmp_path) as running:
        advised = running.play_until(r"^move: ")
        # 12th fret, 648 mm: 2.67 cents per mm (docs/definitions.md, section 3); the fretted
        # takes scatter by 0.3 cents, and a cent of error in the offset would be 0.37 mm.
        needed_mm = running.found_cents / 2.67
        assert "away from the nut" in advised, running.session.text()
        assert float(re.search(r"([\d.]+) mm", advised)[1]) == pytest.approx(needed_mm, abs=0.3)  # type: ignore[index]
        running.session.wait_for("^do: Slacken")
        running.play_until(r"^done: String 6: leave it")
        running.session.wait_for("^Kept on record")
        assert running.session.process.wait(20) == 0
        assert abs(running.hands.instrument.true_offset_cents(running.string)) < 1.0
        entries = running.kept()
        (move,) = [e for e in entries if isinstance(e, MoveEntry)]
        assert move.made_mm == pytest.approx(needed_mm, abs=0.3)


def test_the_device_removed_halfway_saves_what_it_has_and_goes_on(
    vmic: VirtualMic, tmp_path: Path
) -> None:
    with bench(vmic, tmp_path) as running:
        running.play_until(r"^take 2: accepted, string 6 at the 12th fret")
        vmic.remove_device()
        said = running.session.wait_for("the input is lost")
        assert "Kept on record as session" in said
        assert [take.fate for take in running.takes()] == [TakeFate.ACCEPTED] * 2

        vmic.restore_device()
        running.session.wait_for("^note: input back")
        running.session.process.terminate()
        running.session.wait_for("interrupted")
        assert running.session.process.wait(20) == 130
        entries = running.kept()
        texts = [e.text for e in entries if isinstance(e, NoteEntry)]
        assert any(text.startswith("input lost") for text in texts)
        with Repository.open(running.store) as repository:
            record = repository.session(repository.session_ids()[0])
        assert record.meta.finished_at is None
        state = resume(record.setup, record.entries)
        assert state.log.string.now is not None
        assert state.log.string.outcome is not Outcome.LEAVE
        found_cents = pytest.approx(running.found_cents, abs=1.0)
        assert state.log.string.now.offset_cents == found_cents, running.session.text()
