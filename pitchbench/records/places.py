"""Where the records are, of what form, and how their sessions are named, known without loading a
database."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

import platformdirs

#: Environment variable with the path or URL of the store.
STORE_VARIABLE: Final = "PITCHBENCH_STORE"

#: The form of the store: raise it with the tables in schema.py and a step in migrations.py.
SCHEMA_VERSION: Final = 4

#: Of the 41 characters of a session's id, people read and type these: "20260314-a3f91c".
SHORT_ID_LENGTH: Final = 15


def default_path() -> Path:
    """The file that the records are in where nobody says otherwise."""
    return platformdirs.user_data_path("pitchbench", appauthor=False) / "records.sqlite"


def place_of(said: str | Path | None = None) -> str:
    """The path or URL of the store: as said, else as the environment says, else the default."""
    return str(said or os.environ.get(STORE_VARIABLE, "") or default_path())


def file_of(place: str) -> Path:
    """The file that ``place`` names; a home that nobody has is a folder's name."""
    return Path(os.path.expanduser(place)).absolute()  # that of Path would raise


def is_there(place: str) -> bool:
    """Whether a file of this name holds anything; not where the name is none, or may not be looked
    up."""
    file = file_of(place)
    if not os.path.exists(file):  # that of Path would raise
        return False
    return os.path.isdir(file) or os.path.getsize(file) > 0


def is_url(place: str) -> bool:
    """Whether ``place`` is a server's, not a file."""
    return "://" in place or place.startswith(("postgresql:", "postgres:"))
