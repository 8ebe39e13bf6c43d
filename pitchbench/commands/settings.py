"""``pitchbench settings``: what is set once for all, and where each value comes from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import click

from pitchbench.commands.common import format_option, plain_option, show_result
from pitchbench.commands.defaults import SETTINGS, Origin, Value, settings_file, values
from pitchbench.commands.help_page import ExamplesFirst
from pitchbench.report.document import fill

EXAMPLES: Final = """\
  pitchbench settings                    what is set, and where
  pitchbench settings --format json      the same, for a script
"""


@dataclass(frozen=True)
class SettingDocument:
    """One setting: as it would be typed, null where it is not set."""

    key: str
    value: str | None
    origin: Origin
    variable: str


@dataclass(frozen=True)
class SettingsDocument:
    """What `pitchbench settings --format json` prints."""

    schema: Literal["pitchbench.settings/1"]
    file: Path
    settings: tuple[SettingDocument, ...]


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@format_option
@plain_option
def command(output_format: str, plain: bool) -> None:
    """What is set once for all, and which value comes from where.

    An option wins over the environment, the environment over the settings file.
    """
    found = [*values().values()]
    show_result(
        output_format,
        plain,
        document=lambda: fill(SettingsDocument, file=settings_file(), settings=found),
        lines=lambda: [("file", _file_words()), *((each.key, _words(each)) for each in found)],
        page=lambda: _print_page(found),
    )


def _file_words() -> str:
    path = settings_file()
    return str(path) if path.exists() else f"{path}, not written yet"


def _words(each: Value) -> str:
    if each.value is None:
        return f"not set; {SETTINGS[each.key].meaning}"
    return f"{_on_one_line(each)}, from {_from(each)}"


def _on_one_line(each: Value) -> str:
    return ", ".join((each.value or "not set").splitlines())


def _from(each: Value) -> str:
    return {Origin.ENVIRONMENT: each.variable, Origin.FILE: "the file"}.get(each.origin, "")


def _print_page(found: list[Value]) -> None:
    from pitchbench.screen.tables import Column, Page  # noqa: PLC0415  # for terminals alone

    page = Page()
    page.say(f"Settings file: {_file_words()}", hanging=2)
    page.gap()
    headings = ("setting", "value", "from", "what it is")
    widths = (0, 0, 60, 80)
    columns = [Column(h, right=False, from_width=w) for h, w in zip(headings, widths, strict=True)]
    rows = [[e.key, _on_one_line(e), _from(e), SETTINGS[e.key].meaning] for e in found]
    page.table(columns, rows)
    page.gap()
    page.say('In the file one line each, such as a4 = 442 or technician = "Anna".')
