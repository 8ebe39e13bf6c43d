"""pitchbench: set the intonation of a guitar or bass by ear of the microphone.

For programs (docs/python.md): ``import pitchbench as pb``, then `pb.read`, `pb.offset`,
`pb.saddle_move` and the rest of ``dir(pb)``. Each name loads what it needs when it is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:  # what is loaded later, for those who read without running
    from pitchbench.analysis.drift import DriftResult as DriftResult
    from pitchbench.analysis.heard import Plucks as Plucks
    from pitchbench.analysis.neck import NeckResult as NeckResult
    from pitchbench.analysis.offset import JudgedOffset as JudgedOffset
    from pitchbench.analysis.offset import Role as Role
    from pitchbench.analysis.repeatability import StudyResult as StudyResult
    from pitchbench.api import drift as drift
    from pitchbench.api import listen as listen
    from pitchbench.api import neck as neck
    from pitchbench.api import offset as offset
    from pitchbench.api import read as read
    from pitchbench.api import repeatability as repeatability
    from pitchbench.api import saddle_move as saddle_move
    from pitchbench.belief import Belief as Belief
    from pitchbench.errors import DeviceError as DeviceError
    from pitchbench.errors import NoReadingError as NoReadingError
    from pitchbench.errors import PitchbenchError as PitchbenchError
    from pitchbench.errors import ReadError as ReadError
    from pitchbench.errors import RecordsError as RecordsError
    from pitchbench.instrument import Bridge as Bridge
    from pitchbench.instrument import BridgeKind as BridgeKind
    from pitchbench.instrument import Instrument as Instrument
    from pitchbench.instrument import Material as Material
    from pitchbench.instrument import ScrewHeads as ScrewHeads
    from pitchbench.instrument import StringSpec as StringSpec
    from pitchbench.intonation.bridge import Direction as Direction
    from pitchbench.intonation.bridge import Move as Move
    from pitchbench.intonation.bridge import Rotation as Rotation
    from pitchbench.intonation.classify import LeftOut as LeftOut
    from pitchbench.intonation.offset import Offset as Offset
    from pitchbench.intonation.verdict import Decision as Decision
    from pitchbench.intonation.verdict import Verdict as Verdict
    from pitchbench.notes import Note as Note
    from pitchbench.pitch.reading import Partial as Partial
    from pitchbench.pitch.reading import Reading as Reading
    from pitchbench.pitch.reading import Reason as Reason
    from pitchbench.pitch.reading import Rejected as Rejected
    from pitchbench.pitch.reading import Trace as Trace
    from pitchbench.presets import PRESETS as PRESETS
    from pitchbench.presets import preset as preset
    from pitchbench.refit import with_gauges as with_gauges
    from pitchbench.refit import with_tuning as with_tuning
    from pitchbench.sound.microphone import InputLostError as InputLostError
    from pitchbench.strings.forecast import Forecast as Forecast
    from pitchbench.strings.forecast import forecast as forecast
    from pitchbench.strings.virtual import VirtualInstrument as VirtualInstrument

__version__ = "0.1.0"

_HOME: Final = {
    "analysis.drift": ("DriftResult",),
    "analysis.heard": ("Plucks",),
    "analysis.neck": ("NeckResult",),
    "analysis.offset": ("JudgedOffset", "Role"),
    "analysis.repeatability": ("StudyResult",),
    "api": ("drift", "listen", "neck", "offset", "read", "repeatability", "saddle_move"),
    "belief": ("Belief",),
    "errors": ("DeviceError", "NoReadingError", "PitchbenchError", "ReadError", "RecordsError"),
    "instrument": ("Bridge", "BridgeKind", "Instrument", "Material", "ScrewHeads", "StringSpec"),
    "intonation.bridge": ("Direction", "Move", "Rotation"),
    "intonation.classify": ("LeftOut",),
    "intonation.offset": ("Offset",),
    "intonation.verdict": ("Decision", "Verdict"),
    "notes": ("Note",),
    "pitch.reading": ("Partial", "Reading", "Reason", "Rejected", "Trace"),
    "presets": ("PRESETS", "preset"),
    "refit": ("with_gauges", "with_tuning"),
    "sound.microphone": ("InputLostError",),
    "strings.forecast": ("Forecast", "forecast"),
    "strings.virtual": ("VirtualInstrument",),
}
_HOME_OF: Final = {name: home for home, names in _HOME.items() for name in names}

__all__ = [*_HOME_OF]  # noqa: PLE0604


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = globals()[name] = getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
    return found


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
