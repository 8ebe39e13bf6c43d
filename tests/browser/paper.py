"""A sheet on paper and for people who cannot see it."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path
from typing import Any

PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}

#: axe-core comes from the npm registry; .ci/run says where it is.
AXE = os.environ.get("PITCHBENCH_AXE")


def pages_and_size(pdf: Path) -> tuple[int, tuple[float, float]]:
    """Pages, and width and height in mm to a tenth, by poppler's pdfinfo."""
    told = subprocess.run(["pdfinfo", pdf], capture_output=True, text=True, check=True).stdout
    lines = dict(line.split(":", 1) for line in told.splitlines() if ":" in line)
    width, _, height, *_ = lines["Page size"].split()
    size = (round(float(width) / 72 * 25.4, 1), round(float(height) / 72 * 25.4, 1))
    named = next(
        (s for s in PAPERS.values() if abs(s[0] - size[0]) + abs(s[1] - size[1]) < 1), size
    )
    return int(lines["Pages"]), named


def words_in(pdf: Path, *options: str) -> str:
    """What stands in it, by poppler's pdftotext."""
    command = ["pdftotext", *options, str(pdf), "-"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def checked_for_access(page: Any) -> dict[str, Any]:
    """What axe-core says of the page that is shown."""
    page.add_script_tag(path=AXE)
    result: dict[str, Any] = page.evaluate(
        "axe.run(document, {resultTypes: ['violations', 'incomplete']})"
    )
    return result
