"""A session of an instrument on record opens with what changed since it was last set."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import soundfile
import stores

from pitchbench.commands import main
from pitchbench.records.repository import Repository


def test_a_session_says_what_changed_since_the_last_one(tmp_path, capsys):
    place = str(tmp_path / "records.sqlite")
    with Repository.open(place) as repository:
        repository.add_instrument(stores.an_instrument("Mine"))
        setup = stores.a_setup(stores.an_instrument("Mine"))
        session_id = repository.begin_session(setup, at=stores.NOON)
        for entry in stores.a_log():
            repository.append(session_id, entry)
        repository.finish_session(session_id, at=stores.NOON)
        higher = replace(stores.an_instrument("Mine"), action_mm=2.4)
        repository.change_instrument("Mine", higher)
    sound = tmp_path / "silence.wav"
    soundfile.write(sound, np.zeros(24_000, dtype=np.float32), 48_000)
    words = ["--instrument", "Mine", "--recording", str(sound), "--keep", "--store", place]
    with pytest.raises(SystemExit):
        main(["session", *words, "--plain"])
    said = capsys.readouterr().err
    assert "Mine was last set on 2026-03-14; since then: action 1.8 → 2.4 mm" in said
    with Repository.open(place) as repository:
        meta = repository.session(repository.find_session("last")).meta
    assert meta.parameters == {"rate_hz": 48_000}
