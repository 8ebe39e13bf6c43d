"""docs/accuracy.md: each benchmark owns the part between its own two markers."""

from __future__ import annotations

from pathlib import Path

PAGE = Path(__file__).parents[2] / "docs" / "accuracy.md"


def write_section(name: str, text: str, page: Path = PAGE) -> None:
    """Put ``text`` between ``<!-- name -->`` and ``<!-- /name -->``, or at the end of the page."""
    start, end = f"<!-- {name} -->", f"<!-- /{name} -->"
    old = page.read_text(encoding="utf-8") if page.exists() else "# Accuracy as measured\n"
    section = f"{start}\n{text.strip()}\n{end}"
    if start in old and end in old:
        before, _, rest = old.partition(start)
        new = before + section + rest.partition(end)[2]
    else:
        new = old.rstrip("\n") + "\n\n" + section + "\n"
    page.write_text(new, encoding="utf-8")
