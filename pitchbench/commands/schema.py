"""``pitchbench schema``: the form of every JSON document that the other commands write."""

from __future__ import annotations

import importlib
import json
from typing import Any, Final

import click

from pitchbench.commands import completion
from pitchbench.commands.common import ExamplesFirst
from pitchbench.errors import PitchbenchError

EXAMPLES = """\
  pitchbench schema              every document there is, and which command writes it
  pitchbench schema offset       the JSON Schema of one
"""

#: Name, module and dataclass of each document; its ``schema`` begins with ``pitchbench.NAME/``.
DOCUMENTS: Final = {
    "readings": ("report.readings", "ReadingsDocument"),
    "offset": ("report.offset", "OffsetDocument"),
    "offsets": ("report.whole", "OffsetsDocument"),
    "neck": ("report.neck_document", "NeckDocument"),
    "stretch": ("report.stretch", "StretchDocument"),
    "drift": ("report.drift", "DriftDocument"),
    "repeatability": ("report.repeatability", "RepeatabilityDocument"),
    "forecast": ("commands.forecast", "ForecastDocument"),
    "session": ("report.session", "SessionDocument"),
    "rehearsal": ("report.session", "RehearsalDocument"),
    "inputs": ("commands.inputs", "InputsDocument"),
    "instrument": ("commands.instrument", "InstrumentDocument"),
    "instruments": ("commands.instrument", "InstrumentsDocument"),
    "today": ("commands.today", "TodayDocument"),
    "history": ("commands.history", "HistoryDocument"),
    "sessions": ("commands.history", "SessionsDocument"),
    "records": ("commands.records", "RecordsDocument"),
    "trouble": ("commands.trouble", "TroubleDocument"),
    "guide": ("commands.guide", "GuideDocument"),
    "guides": ("commands.guide", "GuidesDocument"),
    "settings": ("commands.settings", "SettingsDocument"),
    "export": ("report.export", "ExportDocument"),
}


def schema_named(name: str) -> dict[str, Any]:
    """The JSON Schema of the documents called ``name``.

    Raises
    ------
    PitchbenchError
        If there are no such documents.
    """
    if name not in DOCUMENTS:
        raise PitchbenchError(
            f"There is no document called {name!r}.", f"Choose one of: {', '.join(DOCUMENTS)}."
        )
    from pitchbench.report.document import schema_of  # noqa: PLC0415  # with its library

    module, kind = DOCUMENTS[name]
    return schema_of(getattr(importlib.import_module(f"pitchbench.{module}"), kind))


@click.command(cls=ExamplesFirst, examples=EXAMPLES)
@click.argument("name", required=False, metavar="[NAME]", shell_complete=completion.documents)
def command(name: str | None) -> None:
    """The JSON Schema of a document; without NAME, every document and the command that writes it.

    NAME is what stands between "pitchbench." and "/" in the document's `schema`.
    """
    if name is not None:
        click.echo(json.dumps(schema_named(name), indent=2))
        return
    from pitchbench.screen.tables import Page  # noqa: PLC0415  # for the list alone

    page = Page()
    for each in DOCUMENTS:
        page.say(f"{each}  {schema_named(each)['description']}", hanging=2)
