"""What is set once for all: the settings file and the environment, as defaults of the options.

An option wins over the environment, the environment over the file.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

import platformdirs

from pitchbench.commands.common import A4, TOLERANCE, Quantity
from pitchbench.errors import PitchbenchError
from pitchbench.lengths import decimal
from pitchbench.records.places import STORE_VARIABLE

#: How every environment variable of the program begins.
_OURS: Final = "PITCHBENCH_"

#: Environment variable with the path of the settings file.
CONFIG_VARIABLE: Final = "PITCHBENCH_CONFIG"

#: What names something that has a tolerance of its own, which a setting must not override.
_HAS_ITS_OWN: Final = ("--instrument", "--session", "--resume")


@dataclass(frozen=True)
class Setting:
    """One thing that can be set.

    Parameters
    ----------
    meaning : what it is, for people.
    option : the parameter of commands whose default it is; None where no option says it.
    among : what it may be; a quantity, words, or None for any text.
    """

    meaning: str
    option: str | None = None
    among: Quantity | tuple[str, ...] | None = None

    def asks(self) -> str:
        """What may be given, in a sentence."""
        if isinstance(self.among, Quantity):
            return self.among.range.asks
        return f"Give one of: {', '.join(self.among)}." if self.among else "Give a text in quotes."

    def read(self, value: object) -> str | None:
        """``value`` as it would be typed; None if it is nothing that this may be."""
        if isinstance(value, bool):
            value = "yes" if value else "no"
        if self.among is _YES_NO:
            value = _SAID.get(str(value).strip().lower(), value)
        if isinstance(self.among, Quantity):
            try:
                number = float(decimal(str(value)))
            except ValueError:
                return None
            return str(value).strip() if self.among.fits(number) else None
        if not isinstance(value, str | int) or not str(value).strip():
            return None
        return str(value) if self.among is None or value in self.among else None


_YES_NO: Final = ("yes", "no")

#: How it is said: an environment has text alone, and the file says true and false.
_SAID: Final = {
    **dict.fromkeys(("yes", "true", "1"), "yes"),
    **dict.fromkeys(("no", "false", "0"), "no"),
}

#: Every setting by its key in the file; a dot stands for a table.
SETTINGS: Final = {
    "input": Setting("audio input, by number or part of its name", "device"),
    "a4": Setting("pitch of A4 in Hz", "a4", A4),
    "tolerance": Setting(
        "offset in cents that may be left, of what is not on record", "tolerance", TOLERANCE
    ),
    "units": Setting("how lengths are shown", "units", ("mm", "in")),
    "speak": Setting("whether guided work speaks", "speak", _YES_NO),
    "cue": Setting("whether guided work sounds tones", "cue", _YES_NO),
    "headphones": Setting("whether only you hear what is told", "headphones", _YES_NO),
    "large": Setting("whether guided work begins in large print", "large", _YES_NO),
    "pager": Setting("whether long output goes through a pager", "pager", _YES_NO),
    "technician": Setting("who did the work, on the setup sheet"),
    "paper": Setting("paper of the setup sheet", None, ("A4", "letter")),
    "workshop.name": Setting("whose sheet it is"),
    "workshop.address": Setting("where to find it; may have several lines"),
}


def _variable(key: str) -> str:
    """The environment variable that sets what has this key in the file."""
    return f"{_OURS}{key.replace('.', '_').upper()}"


#: Every environment variable that people set.
VARIABLES: Final = (
    *map(_variable, SETTINGS),
    CONFIG_VARIABLE,
    STORE_VARIABLE,
    "PITCHBENCH_THEME",  # screen/theme.py, which is slow to load
)

#: Those that the tests of the program go by.
_OF_TESTS: Final = tuple(
    _OURS + name
    for name in ("AXE", "FUZZ", "KILLS", "REALSET", "REQUIRE_LIVE", "REWRITE_GOLDENS", "STORIES")
)


def unknown_variables() -> Iterator[tuple[str, str]]:
    """Each environment variable that seems to be ours and is none, with the nearest that is one."""
    for name in sorted(os.environ):
        if name.startswith(_OURS) and name not in (*VARIABLES, *_OF_TESTS):
            (nearest,) = difflib.get_close_matches(name, VARIABLES, 1, 0.0)
            yield name, nearest


class Origin(StrEnum):
    """Where a value comes from."""

    ENVIRONMENT = "environment"
    FILE = "file"
    NOWHERE = "not set"


@dataclass(frozen=True)
class Value:
    """What a setting is, as it would be typed; None where it is not set."""

    key: str
    value: str | None
    origin: Origin

    @property
    def variable(self) -> str:
        """The environment variable that sets it."""
        return _variable(self.key)


def settings_file() -> Path:
    """Where the settings are, whether or not there is a file."""
    named = os.environ.get(CONFIG_VARIABLE)
    folder = platformdirs.user_config_path("pitchbench", appauthor=False)
    return Path(named) if named else folder / "settings.toml"


def values() -> dict[str, Value]:
    """Every setting by its key.

    Raises
    ------
    PitchbenchError
        If the file cannot be read, has a key that is none, or a value that makes no sense.
    """
    path = settings_file()
    in_file = dict(_flat(_read(path)))
    for key in in_file:
        if key not in SETTINGS:
            (nearest,) = difflib.get_close_matches(key, SETTINGS, 1, 0.0)
            raise PitchbenchError(
                f"{str(path)!r} sets {key!r}, which is no setting.",
                f"Did you mean {nearest!r}? See `pitchbench settings`.",
            )
    return {key: _value(key, in_file, path) for key in SETTINGS}


def _value(key: str, in_file: Mapping[str, object], path: Path) -> Value:
    value = Value(key, None, Origin.ENVIRONMENT)
    given, where = os.environ.get(value.variable) or None, value.variable
    said: object = given
    origin = Origin.ENVIRONMENT
    if given is None:
        if key not in in_file:
            return Value(key, None, Origin.NOWHERE)
        said, where, origin = in_file[key], f"{key!r} in {str(path)!r}", Origin.FILE
    typed = SETTINGS[key].read(said)
    if typed is None:
        raise PitchbenchError(f"{where} is {said!r}, which makes no sense.", SETTINGS[key].asks())
    return Value(key, typed, origin)


def _read(path: Path) -> dict[str, Any]:
    if not path.exists():
        if os.environ.get(CONFIG_VARIABLE):
            raise PitchbenchError(
                f"There is no settings file {str(path)!r}.", f"Check {CONFIG_VARIABLE}."
            )
        return {}
    import tomllib  # noqa: PLC0415  # most people have no such file

    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PitchbenchError(
            f"{str(path)!r} cannot be opened: {error.strerror}.", "Check who may read it."
        ) from error
    except ValueError as error:  # no TOML, or no UTF-8
        reason = str(error).rstrip(".")
        raise PitchbenchError(
            f"{str(path)!r} cannot be read as TOML: {reason}.",
            'Write one setting in a line, such as a4 = 442 or technician = "Anna".',
        ) from error


def _flat(table: Mapping[str, object], before: str = "") -> Iterator[tuple[str, object]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{before}{key}.")
        else:
            yield before + key, value


def default_map(commands: Sequence[str], args: Sequence[str]) -> dict[str, Any]:
    """The settings as click takes defaults: of the program, and by the name of each command.

    ``args`` is what was typed. An instrument that is on record keeps its own tolerance; only a new
    one is given the one that is set.
    """
    set_ = {
        setting.option: given.value
        for (key, setting), given in zip(SETTINGS.items(), values().values(), strict=True)
        if setting.option is not None and given.value is not None
    }
    own = any(word.partition("=")[0] in _HAS_ITS_OWN for word in args)
    of_a_run = {k: v for k, v in set_.items() if not (own and k == "tolerance")}
    new = {k: v for k, v in set_.items() if k == "tolerance"}
    return {**set_, **dict.fromkeys(commands, of_a_run), "instrument": {"add": new}}
