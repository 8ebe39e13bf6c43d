"""docs/definitions.md: its tables, and the check values on it that no other test holds.

The values are derived: each follows from a formula on that page, here by a way of its own where
there is one. Half a unit of the last digit printed is the tolerance unless a line says otherwise.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest

from pitchbench.intonation import geometry
from pitchbench.notes import Note
from pitchbench.strings.physics import Neck, fretted_lengths, kappa_of_stretch_test, offset_cents
from pitchbench.units import CENTS_PER_NEPER, cents_between, fret_ratio

TEXT = (Path(__file__).parents[3] / "docs" / "definitions.md").read_text(encoding="utf-8")


def _linear_cents(move_mm: float, *, fret: float, scale_mm: float) -> float:
    """The first-order form: -(1200 / ln 2) (gamma - 1) x / s."""
    return -CENTS_PER_NEPER * (fret_ratio(fret) - 1.0) * move_mm / scale_mm


def rows(first_cell: str) -> list[list[str]]:
    """The rows below the header that begins with ``first_cell``, without that header."""
    found = re.search(rf"^\| {re.escape(first_cell)} \|.*\n\|[-|]+\|\n((?:\|.*\n)+)", TEXT, re.M)
    assert found, first_cell
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in found[1].splitlines()]


def header(first_cell: str) -> list[str]:
    found = re.search(rf"^\| {re.escape(first_cell)} \|(.*)\|$", TEXT, re.M)
    assert found, first_cell
    return [cell.strip() for cell in found[1].split("|")]


# -- section 1


def test_how_far_the_fifth_partial_of_a_stiff_string_lies_above_the_harmonic():
    for b, cents in rows("B"):
        fifth, first = (k * math.sqrt(1 + float(b) * k**2) for k in (5, 1))
        assert cents_between(fifth, 5 * first) == pytest.approx(float(cents), abs=0.5e-2)


def test_the_bound_of_a_harmonic_set_is_the_inverted_fisher_information():
    """Amplitudes and phases unknown; N of many periods, so that the partials do not overlap."""
    n, amplitudes, noise_sd, w0 = 6000, np.array([0.1, 0.05, 0.08]), 0.01, 2 * math.pi * 0.0173
    t = np.arange(n) - (n - 1) / 2
    columns = [np.zeros(n)]
    for k, amplitude in enumerate(amplitudes, start=1):
        angle = k * w0 * t + 0.3 * k
        columns[0] = columns[0] - k * t * amplitude * np.sin(angle)
        columns += [-amplitude * np.sin(angle), np.cos(angle)]
    jacobian = np.stack(columns, axis=1)
    exact = np.linalg.inv(jacobian.T @ jacobian)[0, 0] * noise_sd**2
    order = np.arange(1, len(amplitudes) + 1)
    bound = 24 * noise_sd**2 / (n * (n**2 - 1) * np.sum((order * amplitudes) ** 2))
    # What overlaps is of the order of 1 / (number of periods) = 1 %; a lost factor is 2 or more.
    assert bound == pytest.approx(exact, rel=0.02)


# -- sections 3 and 4


@pytest.mark.parametrize("column", range(7))
def test_the_table_of_moves_is_what_the_program_calculates(column):
    fret = int(header("fret")[column])
    linear, exact = (float(row[column + 1]) for row in rows("fret"))
    found = _linear_cents(1.0, fret=fret, scale_mm=648)
    assert found == pytest.approx(linear, abs=0.51e-4)
    found = geometry.saddle_change_cents(1.0, fret=fret, scale_mm=648)
    assert found == pytest.approx(exact, abs=0.51e-4)


def test_larger_moves_and_what_cancels():
    for move_mm, cents in zip(header("move, mm"), rows("move, mm")[0][1:], strict=True):
        found = geometry.saddle_change_cents(float(move_mm), fret=12, scale_mm=648)
        assert found == pytest.approx(float(cents), abs=0.51e-3)
    for setback_mm, row in zip((0.0, 3.0), rows("to cancel, cents"), strict=True):
        for cents, move_mm in zip(header("to cancel, cents"), row[1:], strict=True):
            found = geometry.saddle_move_mm(
                float(cents), fret=12, scale_mm=648, setback_mm=setback_mm
            )
            assert found == pytest.approx(float(move_mm), abs=0.51e-3)


def test_the_nut_moves_every_fret_alike():
    """A nut 0.5 mm nearer the bridge, worked out from lengths: the fretted string stays as it is,
    the open one is shorter and is tuned down again, every fretted note with it."""
    found = geometry.nut_change_cents(0.5, scale_mm=648)
    for fret in (1, 7, 12):
        fretted_mm = 648 / fret_ratio(fret)
        before, after = 648 / fretted_mm, 647.5 / fretted_mm
        assert found == pytest.approx(cents_between(after, before), abs=1e-9)


def test_what_the_saddle_does_in_per_cent_of_the_12th_fret():
    for fret, percent in zip((1, 12, 19, 24), header("per cent"), strict=True):
        assert 100 * (fret_ratio(fret) - 1) == pytest.approx(float(percent), abs=0.5)


# -- section 5


def test_kemps_partials_as_inharmonicity():
    found = [(2 ** (200 / 1200) - 1) / partial**2 for partial in (10, 6)]
    assert found[0] == pytest.approx(1.22e-3, abs=0.5e-5)
    assert found[1] == pytest.approx(3.40e-3, abs=0.5e-5)
    assert found[1] / found[0] == pytest.approx(2.78, abs=0.5e-2)
    assert (fret_ratio(21) / fret_ratio(12)) ** 2 == pytest.approx(2.83, abs=0.5e-2)


def nylon() -> list[tuple[str, list[float]]]:
    return [(row[0], [float(cell) for cell in row[1:]]) for row in rows("note")]


def test_the_nylon_set_agrees_with_itself():
    """T, R, kappa and b follow from radius, mass and modulus at 650 mm: three figures each."""
    assert len(nylon()) == 6
    for note, (radius_mm, g_per_m, tension, r, kappa, b, gpa, _, _) in nylon():
        area, e = math.pi * (radius_mm * 1e-3) ** 2, gpa * 1e9
        assert 4 * 0.65**2 * Note.parse(note).hz() ** 2 * g_per_m * 1e-3 == pytest.approx(
            tension, rel=0.005
        )
        assert kappa_of_stretch_test(r) == pytest.approx(kappa, abs=0.11)  # R to one decimal
        assert e * area / tension == pytest.approx(kappa, rel=0.01)
        bending = e * math.pi * (radius_mm * 1e-3) ** 4 / 4
        assert math.sqrt(bending / tension) / 0.65 == pytest.approx(b, rel=0.005)


def test_the_setbacks_of_the_nylon_set_compensate():
    """On the prototype's neck they take the rms over frets 1 to 12 from 3 cents and more to less
    than 0.2; with a wrong sign it grows."""
    neck, frets = Neck(650.0, 1.0, 4.0), np.arange(1, 13)

    def rms(kappa: float, b: float, saddle_mm: float, nut_mm: float) -> float:
        offsets = offset_cents(
            neck, frets, kappa=kappa, b=b, saddle_setback_mm=saddle_mm, nut_setback_mm=nut_mm
        )
        return float(np.sqrt(np.mean(offsets**2)))

    for _, (_, _, _, _, kappa, b, _, saddle_mm, nut_mm) in nylon():
        plain = rms(kappa, b, 0.0, 0.0)
        assert plain > 3.0
        assert rms(kappa, b, saddle_mm, nut_mm) < 0.2
        assert rms(kappa, b, -saddle_mm, -nut_mm) > plain


def test_stretch_at_the_12th_fret_from_the_clearance():
    action_mm, nut_mm = 1.8, 0.5
    neck = Neck(648.0, nut_mm, 2 * (action_mm - nut_mm))
    # Exact but for terms of fourth order and the saddle's own rise: some 1e-4 of it.
    assert fretted_lengths(neck, 12).stretch == pytest.approx(2 * (action_mm / 648) ** 2, rel=1e-3)


# -- section 6


def test_the_notes():
    pairs = re.findall(r"\b([A-G]\d) \| (\d+\.\d{4})\b", TEXT)
    assert len(pairs) == 13
    for note, hz in pairs:
        assert Note.parse(note).hz() == pytest.approx(float(hz), abs=0.51e-4)


def test_cents_per_neper():
    assert pytest.approx(1731.234, abs=0.5e-3) == CENTS_PER_NEPER
