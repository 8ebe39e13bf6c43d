"""Documents as earlier versions wrote them, brought to the form of this one.

Pure functions, document in and document out; one that is in the present form is handed back as it
is. `records/documents.py` calls them wherever such a document is read, from a store or an export.
"""

from __future__ import annotations

from typing import Any, Final

from pitchbench.instrument import BridgeKind, ScrewHeads
from pitchbench.intonation.bridge import CAUTIONS, Direction, Rotation, out_of_travel_advice
from pitchbench.session.log import Step

Document = dict[str, Any]

#: The steps that ask for the open string; which note was asked for at the others was not kept.
_OPEN_STEPS: Final = (Step.BEFORE, Step.TUNE, Step.RETUNE)

#: What an offset held beside its belief, which they follow from.
_DERIVED: Final = ("offset_cents", "u_cents", "interval95_cents", "scale_cents", "dof")


def current_entry(document: Document) -> Document:
    """An entry: until export/2 a note also told of a step that began, of a new tolerance and of how
    far a saddle was said to be moved."""
    if document["kind"] != "note":
        return document
    common = {"at_s": document["at_s"], "string": document["string"]}
    if document.get("said_mm") is not None:
        return {"kind": "said", **common, "mm": document["said_mm"]}
    if document.get("tolerance_cents") is not None:
        # It was that of all strings; the note stood at the one at work.
        at_s = document["at_s"]
        return {"kind": "tolerance", "at_s": at_s, "cents": document["tolerance_cents"]}
    if document.get("step") is not None and document["string"] is not None:
        fret = 0 if document["step"] in _OPEN_STEPS else None
        return {"kind": "step", **common, "step": document["step"], "fret": fret}
    return document


def current_offset(document: Document) -> Document:
    """An offset: until export/2 centre, scale and degrees of freedom lay beside what follows from
    them."""
    if "scale_cents" not in document:
        return document
    belief = {
        "centre": document["offset_cents"],
        "scale": document["scale_cents"],
        "dof": document["dof"],
    }
    kept = {key: value for key, value in document.items() if key not in _DERIVED}
    return {**kept, "belief": belief}


def current_move(document: Document) -> Document:
    """A move: until export/2 its lengths were positive and counted in its direction, and what now
    follows from the bridge was kept instead of the bridge."""
    if "direction" not in document:
        return document
    low, high = document["interval95_mm"]
    away = document["direction"] == Direction.AWAY_FROM_NUT
    return {
        "string": document["string"],
        "mm": document["mm"] if away else -document["mm"],
        "interval95_mm": [low, high] if away else [-high, -low],
        "bridge": _bridge(document, away=away),
        "slack_mm": document.get("slack_mm", 0.0),
        "ends95_cents": document.get("ends95_cents"),
    }


def _bridge(document: Document, *, away: bool) -> Document:
    """The bridge as far as the move tells: what its turns, rotation, cautions and being out of
    travel follow from."""
    turns, rotation = document["turns"], document["rotation"]
    screw_mm = document["mm"] + document.get("slack_mm", 0.0)
    heads = None
    if rotation is not None:
        clockwise = rotation == Rotation.CLOCKWISE
        heads = ScrewHeads.TAIL if clockwise == away else ScrewHeads.NECK
    # It was not out of travel, so the saddle could go as far as it was to.
    limit_mm = 0.0 if document.get("out_of_travel") else abs(document["mm"])
    return {
        "kind": _kind(document, screws=turns is not None),
        "screw_pitch_mm": screw_mm / turns if turns else None,
        "screw_heads": heads,
        "travel_away_mm" if away else "travel_toward_nut_mm": limit_mm,
    }


def _kind(document: Document, *, screws: bool) -> BridgeKind:
    """The kind of bridge whose cautions the move had; where no kind has them any more, one that
    has screws or not as this one did."""
    said = tuple(document["cautions"])
    for kind, cautions in CAUTIONS.items():
        if said in (cautions, (*out_of_travel_advice(kind), *cautions)):
            return kind
    return BridgeKind.SCREW_SADDLES if screws else BridgeKind.SLIDING_WOOD
