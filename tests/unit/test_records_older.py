"""What earlier versions wrote is read as it was meant."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import stores
from hypothesis import given
from hypothesis import strategies as st

from pitchbench.belief import Belief
from pitchbench.instrument import Bridge, BridgeKind, ScrewHeads
from pitchbench.intonation.bridge import Direction, Move, Rotation
from pitchbench.intonation.offset import Offset
from pitchbench.records.documents import from_json, to_document, to_json
from pitchbench.records.model import InstrumentRecord, SessionMeta, SessionRecord
from pitchbench.records.repository import Repository
from pitchbench.report.document import to_json as to_text
from pitchbench.report.export import export_json
from pitchbench.report.readings import move_document
from pitchbench.session.log import MoveEntry, VerdictEntry

FROZEN = Path(__file__).parent / "data" / "store-form-1.sqlite"
LENGTHS = st.floats(-9.0, 9.0)


def said_of(move: Move) -> dict[str, object]:
    """``move`` as every document holds it."""
    return json.loads(to_text(move_document(move)))


def said_then(move: Move) -> dict[str, object]:
    """The same before it was minded how far hardly any saddle goes."""
    said = said_of(move)
    later = "Hardly any saddle"
    return {**said, "cautions": [each for each in said["cautions"] if not each.startswith(later)]}


def old_move(move: Move) -> dict[str, object]:
    """``move`` in the form of export/1."""
    return {
        "string": move.string,
        **said_then(move),
        "slack_mm": move.slack_mm,
        "ends95_cents": move.ends95_cents and list(move.ends95_cents),
    }


def old_offset(offset: Offset) -> dict[str, object]:
    """``offset`` in the form of export/1."""
    document = to_document(offset)
    belief = document.pop("belief")
    return {
        **document,
        "offset_cents": offset.offset_cents,
        "u_cents": offset.u_cents,
        "interval95_cents": list(offset.interval95_cents),
        "scale_cents": belief["scale"],
        "dof": belief["dof"],
    }


def test_the_frozen_store_holds_its_offsets_and_moves(tmp_path):
    place = tmp_path / "old.sqlite"
    place.write_bytes(FROZEN.read_bytes())
    with Repository.open(place) as repository:
        entries = repository.session(repository.find_session("last")).entries
    verdict = next(entry for entry in entries if isinstance(entry, VerdictEntry))
    assert verdict.offset.belief == Belief(5.3, 1.8, 9.0)
    move = next(entry for entry in entries if isinstance(entry, MoveEntry)).move
    assert (move.mm, move.interval95_mm, move.slack_mm) == (1.9, (1.5, 2.3), 0.0)
    assert move.turns == pytest.approx(3.8, rel=1e-12)
    assert move.rotation is Rotation.CLOCKWISE
    assert not move.out_of_travel


@given(
    st.tuples(LENGTHS, LENGTHS, LENGTHS).map(sorted).filter(lambda mm: abs(mm[1]) > 1e-3),
    st.sampled_from(BridgeKind),
    st.one_of(st.none(), st.floats(0.3, 1.5)),
    st.one_of(st.none(), st.sampled_from(ScrewHeads)),
    st.one_of(st.none(), st.floats(0.0, 12.0)),
    st.floats(0.0, 0.5),
)
def test_all_that_an_older_move_said_of_itself_still_holds(mms, kind, pitch, heads, limit, slack):
    low, mm, high = mms
    bridge = Bridge(kind, pitch, heads if pitch else None, limit, limit)
    move = Move(6, mm, (low, high), bridge, slack_mm=slack if pitch else 0.0)
    read = from_json(json.dumps(old_move(move)), Move)
    said, again = said_then(move), said_of(read)
    assert again.pop("turns") == (pitch and pytest.approx(said["turns"], rel=1e-9))
    assert again == {key: value for key, value in said.items() if key != "turns"}
    assert (read.string, read.screw_mm, read.ends95_cents) == (6, move.screw_mm, None)


def test_what_older_forms_left_out_may_be_missing():
    document = old_move(Move(1, -1.9, (-2.3, -1.5), stores.an_instrument().bridge))
    for late in ("out_of_travel", "slack_mm", "ends95_cents"):
        del document[late]
    read = from_json(json.dumps(document), Move)
    assert read.direction is Direction.TOWARD_NUT
    assert read.interval95_mm == (-2.3, -1.5)


def test_what_is_written_now_reads_back_the_same():
    move = Move(6, -0.4, (-1.1, 0.3), stores.an_instrument().bridge, 0.2, 0.1, (-1.0, 1.0))
    assert from_json(to_json(move), Move) == move
    offset = stores.an_offset(4.2)
    assert from_json(to_json(offset), Offset) == offset
    assert from_json(json.dumps(old_offset(offset)), Offset) == offset


def test_an_export_of_the_first_form_is_read():
    guitar = stores.an_instrument()
    meta = SessionMeta("20260314-" + "a" * 32, "b" * 32, stores.NOON, stores.NOON, "0.1.0")
    record = SessionRecord(stores.a_setup(guitar), stores.a_log(guitar), meta)
    known = InstrumentRecord("b" * 32, guitar, stores.NOON, stores.NOON)
    document = json.loads("".join(export_json([known], [record])))
    document["schema"] = "pitchbench.export/1"
    for entry, written in zip(record.entries, document["sessions"][0]["entries"], strict=True):
        if written.get("offset"):
            written["offset"] = old_offset(entry.offset)
        if "move" in written:
            written["move"] = old_move(entry.move)
    read = stores.read_export(json.dumps(document)).sessions[0].entries
    for entry, again in zip(record.entries, read, strict=True):
        if isinstance(entry, VerdictEntry):
            assert again == entry
        if isinstance(entry, MoveEntry):
            assert said_of(again.made) == said_of(entry.made)
            assert again.made.screw_mm == entry.made.screw_mm
