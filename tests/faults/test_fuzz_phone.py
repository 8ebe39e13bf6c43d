"""Damaged files of telephones and video cameras: FFmpeg's decoders see what nobody made.

PITCHBENCH_FUZZ=2000 tries that many per form, at random; without it, few and always the same.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pitchbench.errors import NoReadingError, PitchbenchError, ReadError
from pitchbench.sound.recording import Recording

pytest.importorskip("av")

import phone_files
from phone_files import AAC, AMR, LOSSY, MOVIE, OPUS, Form

FORMS = [AAC, OPUS, AMR, *LOSSY[5:]]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[Form, Path]:
    """A second of noise in each form."""
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, 48_000).astype(np.float32)
    folder = tmp_path_factory.mktemp("whole")
    return {
        form: phone_files.write(folder / str(form), noise, 48_000, form, pictures=form is MOVIE)
        for form in FORMS
    }


#: Where, and what: other bytes, some bytes less, or the same once more. Headers are short, so a
#: third of the places lies in them.
places = st.floats(0, 1) | st.floats(0, 0.02) | st.floats(0.98, 1)
damages = st.lists(
    st.tuples(places, st.binary(min_size=1, max_size=8) | st.integers(-500, 500)),
    min_size=1,
    max_size=5,
)


def damaged(content: bytes, damage: list[tuple[float, bytes | int]]) -> bytes:
    changed = bytearray(content)
    for place, what in damage:
        at = int(place * len(changed))
        if isinstance(what, bytes):
            changed[at : at + len(what)] = what
        elif what < 0:
            del changed[at : at - what]
        else:
            changed[at:at] = changed[at : at + what]
    return bytes(changed)


@pytest.mark.parametrize("form", FORMS, ids=str)
@settings(
    max_examples=int(os.environ.get("PITCHBENCH_FUZZ", "40")),
    derandomize="PITCHBENCH_FUZZ" not in os.environ,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(damage=damages)
def test_it_is_read_as_far_as_it_goes_or_refused(
    tmp_path: Path,
    capfd: pytest.CaptureFixture[str],
    whole: dict[Form, Path],
    form: Form,
    damage: list[tuple[float, bytes | int]],
) -> None:
    path = tmp_path / f"damaged.{form.suffix}"
    path.write_bytes(damaged(whole[form].read_bytes(), damage))
    said: PitchbenchError | None = None
    try:
        for block in Recording(path, block_size=65_536).blocks():
            assert np.all(np.isfinite(block.samples))
    except PitchbenchError as error:
        said = error
    if said is not None:
        assert isinstance(said, ReadError | NoReadingError)
        assert said.what.endswith(".")
        assert said.remedy.endswith(".")
    assert capfd.readouterr() == ("", "")
