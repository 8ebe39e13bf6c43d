"""What is known of an instrument, in words."""

from __future__ import annotations

from pitchbench.instrument import Instrument, StringSpec
from pitchbench.intonation.tolerance import tolerance_words
from pitchbench.lengths import diameter_words, length_figures, length_unit, length_words, span_words
from pitchbench.notes import ordinal
from pitchbench.units import in_cents


def described(instrument: Instrument) -> list[tuple[str, str]]:
    """Label and value of everything that is known of ``instrument``, in reading order."""
    bridge = instrument.bridge
    # What was filed of it since is told apart.
    travel = "saddle travel in all" if bridge.is_filed else "saddle travel left"
    optional = [
        ("owner", instrument.owner_mark),
        ("string set", instrument.string_set),
        ("strings fitted", instrument.strings_fitted and instrument.strings_fitted.isoformat()),
        ("action at the 12th fret", _mm(instrument.action_mm)),
        ("relief", _mm(instrument.relief_mm)),
        ("screw, saddle travel per turn", _mm(bridge.screw_pitch_mm)),
        ("screw heads", bridge.screw_heads and f"{bridge.screw_heads} side"),
        (f"{travel} toward the nut", _mm(bridge.travel_toward_nut_mm)),
        (f"{travel} away from it", _mm(bridge.travel_away_mm)),
        ("strings sharing a saddle", " ".join("-".join(map(str, group)) for group in bridge.pairs)),
        ("courses", " ".join(f"{one}-{other}" for one, other in instrument.courses)),
        ("at the nut", "clamps, and fine tuners at the bridge" if bridge.locking_nut else ""),
        ("setback, string 1 first", _setback(instrument)),
        (
            "temperature",
            None if instrument.temperature_c is None else f"{instrument.temperature_c:g} °C",
        ),
        ("notes", instrument.notes),
    ]
    frets = "fretless" if instrument.fretless else f"{instrument.frets}"
    return [
        ("name", instrument.name),
        ("kind", instrument.kind),
        ("strings", f"{len(instrument.strings)}"),
        ("tuning, string 1 last", instrument.tuning),
        ("scale", span_words(instrument.scales_mm)),
        ("frets", frets),
        ("held", "left-handed" if instrument.left_handed else "right-handed"),
        ("bridge", str(bridge.kind)),
        ("tolerance", tolerance_words(instrument.tolerances_cents)),
        *((label, value) for label, value in optional if value),
        *(
            (f"string {number}", _string_in_words(spec))
            for number, spec in enumerate(instrument.strings, start=1)
        ),
    ]


def unsaid(instrument: Instrument) -> str:
    """What nobody has said of this instrument, though it stands above."""
    known = {"strings": True, "action": instrument.action_mm, "relief": instrument.relief_mm}
    return ", ".join(
        what for what, value in known.items() if value and not instrument.is_said(what)
    )


def _string_in_words(spec: StringSpec) -> str:
    core = f", core {diameter_words(spec.core_mm)}" if spec.core_mm else ""
    sort = "wound" if spec.wound else "plain"
    own = f", scale {length_words(spec.scale_mm, None)}" if spec.scale_mm else ""
    left = f", may be {in_cents(spec.tolerance_cents)} off" if spec.tolerance_cents else ""
    short = f", begins at the {ordinal(spec.nut_fret)} fret" if spec.nut_fret else ""
    wire = f"{diameter_words(spec.diameter_mm)} {sort}, {spec.material}{core}"
    return f"{spec.note}, {wire}{own}{short}{left}"


def in_a_line(instrument: Instrument) -> str:
    """Kind, tuning, scale and bridge, with commas between."""
    return ", ".join(in_short_words(instrument))


def in_short_words(instrument: Instrument) -> tuple[str, ...]:
    """Kind, tuning, scale and bridge."""
    scale = span_words(instrument.scales_mm)
    return instrument.kind, instrument.tuning, scale, str(instrument.bridge.kind)


def _setback(instrument: Instrument) -> str:
    figures = " ".join(length_figures(mm, None) for mm in instrument.setback_mm)
    return figures and f"{figures} {length_unit()}"


def _mm(value: float | None) -> str | None:
    return None if value is None else length_words(value, None)
