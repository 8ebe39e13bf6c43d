"""The two hues against both backgrounds, by the contrast ratio of WCAG 2.1.

Relative luminance and contrast ratio as defined there; at least 3:1 for graphics and large text
(success criteria 1.4.11 and 1.4.3). The definitions are from memory.
"""

from __future__ import annotations

import pytest

from pitchbench.screen.theme import Palette, make_theme


def luminance(colour: str) -> float:
    channels = [int(colour[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def test_the_ratio_itself() -> None:
    assert contrast("000000", "ffffff") == pytest.approx(21.0)
    # The lightest grey that still has 4.5:1 on white.
    assert contrast("767676", "ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("background", ["000000", "ffffff"])
@pytest.mark.parametrize("role", ["open", "fretted"])
def test_hues_can_be_seen_on_black_and_on_white(role: str, background: str) -> None:
    style: str = getattr(make_theme(Palette.COLOUR), role)
    assert contrast(style.rpartition("#")[2], background) >= 3.0


def test_no_role_is_green_or_red() -> None:
    for palette in Palette:
        theme = make_theme(palette)
        styles = " ".join(getattr(theme, name) for name in ("ask", "open", "fretted", "caution"))
        assert not {"green", "red", "bright_green", "bright_red"} & set(styles.split())
