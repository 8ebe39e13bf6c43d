"""A session of an instrument on record opens with what changed since it was last set."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
import soundfile
import stores
from recordings import Ran

from pitchbench.commands import main
from pitchbench.instrument import Bridge, BridgeKind
from pitchbench.intonation.bridge import Move
from pitchbench.records.repository import Repository
from pitchbench.session.log import MoveEntry, OtherWayEntry


def said_of_silence(tmp_path, capsys, place):
    """What a session of the instrument on record says before it hears anything."""
    sound = tmp_path / "silence.wav"
    soundfile.write(sound, np.zeros(24_000, dtype=np.float32), 48_000)
    words = ["--instrument", "Mine", "--recording", str(sound), "--keep", "--store", place]
    with pytest.raises(SystemExit):
        main(["session", *words, "--plain"])
    return capsys.readouterr().err


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
    said = said_of_silence(tmp_path, capsys, place)
    assert "Mine was last set on 2026-03-14; since then: action 1.8 → 2.4 mm" in said
    with Repository.open(place) as repository:
        meta = repository.session(repository.find_session("last")).meta
    assert meta.parameters == {"rate_hz": 48_000}


FILED = (
    "string 5 0.20 mm toward the nut (1.30 mm left), "
    "string 6 0.42 mm away from the nut (1.08 mm left)"
)


@pytest.fixture
def filed(tmp_path):
    """A store whose instrument has been filed, and what it is."""
    place = str(tmp_path / "records.sqlite")
    saddle = Bridge(BridgeKind.FIXED_SADDLE, None, None, 1.5, 1.5)
    mine = stores.an_instrument("Mine", bridge=saddle)
    old = replace(mine, bridge=replace(saddle, travel_away_mm=0.9))
    with Repository.open(place) as repository:
        repository.add_instrument(mine)
        for day, (instrument, mm) in enumerate(((old, 0.7), (mine, 0.3), (mine, 0.12))):
            at = stores.NOON + timedelta(days=day)
            session_id = repository.begin_session(stores.a_setup(instrument), at=at)
            move = Move(6, mm, (mm, mm), instrument.bridge)
            repository.append(session_id, MoveEntry(1.0, 6, move, mm))
        move = Move(5, 0.2, (0.2, 0.2), saddle)
        repository.append(session_id, MoveEntry(2.0, 5, move, 0.2), sequence=1)
        repository.append(session_id, OtherWayEntry(3.0, 5), sequence=2)
    return place, mine


def test_a_session_knows_what_was_filed_before_it(filed, tmp_path, capsys):
    """Sessions of the saddle as it is now; one with another travel on record had another one."""
    place, mine = filed
    said = said_of_silence(tmp_path, capsys, place)
    assert f"Filed before: {FILED}. Has it a new saddle? Say what travel that one has" in said
    with Repository.open(place) as repository:
        setup = repository.session(repository.find_session("last")).setup
    assert setup.filed_mm == (0.0, 0.0, 0.0, 0.0, -0.2, pytest.approx(0.42))
    out = Ran(capsys, "instrument", "show", "Mine", "--store", place, "--plain").out
    assert f"filed since: {FILED}\n" in out
    assert "saddle travel in all away from it: 1.5 mm\n" in out
    assert "travel left" not in out
    with Repository.open(place) as repository:
        new = replace(mine, bridge=replace(mine.bridge, travel_away_mm=1.2))
        repository.change_instrument("Mine", new)
    assert "Filed before" not in said_of_silence(tmp_path, capsys, place)


def test_recordings_and_forecasts_are_judged_knowing_what_was_filed(filed, capsys):
    place, _ = filed
    asked = ("--instrument", "Mine", "--store", place, "--format", "json")
    sharp, low_e = "samples/a2-open-and-12th-sharp.flac", "samples/chords-e2.flac"
    for heard in ((sharp,), (sharp, "--string", "A2")):
        ran = Ran(capsys, "offset", *heard, *asked)
        assert ran.err.count(f"Filed before: {FILED}.") == 1
        move = ran.document["move"]
        assert (move["mm"], move["out_of_travel"]) == (0.0, True)
        assert move["cautions"][0].startswith("What was filed cannot be put back")
    ran = Ran(capsys, "neck", low_e, "--spread", "0.5", "--play", "lead above 5", *asked)
    assert ran.err.count(f"Filed before: {FILED}.") == 1
    (string,), (setting,) = ran.document["strings"], ran.document["compromise"]["strings"]
    left_mm = pytest.approx(1.5 - 0.42)
    assert (string["move"]["mm"], string["move"]["out_of_travel"]) == (left_mm, True)
    assert setting["move_mm"] == left_mm
    ran = Ran(capsys, "forecast", "--measured", "5=6", "--measured", "6=9", *asked)
    assert ran.err.count(f"Filed before: {FILED}.") == 1
    fifth, sixth = (each["move"] for each in ran.document["strings"][4:])
    assert (fifth["mm"], sixth["mm"]) == (0.0, left_mm)
    assert fifth["cautions"][0].startswith("What was filed cannot be put back")
