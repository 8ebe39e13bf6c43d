"""Wheel and sdist in clean environments: which Python, and which versions of what we depend on.

    python tests/install/matrix.py                                  every interpreter there is
    python tests/install/matrix.py --python /opt/3.15/bin/python3   this one
    python tests/install/matrix.py --unit-tests                     each row runs them too

Prints one table, a row per environment and a column per check. Needs uv (the ``test`` extra).
"""

from __future__ import annotations

import argparse
import json
import math
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "samples"
SHARP = SAMPLES / "a2-open-and-12th-sharp.flac"
#: Every pluck of the sample against its truth. They are read to about 0.03 cents; the stretch of
#: the second partial against the first is 0.17 cents on this string when open, 0.67 when fretted.
WITHIN_CENTS = 0.1

INTERPRETERS = ("3.11", "3.12", "3.13", "3.14", "3.15")


def uv(*arguments: str | Path, **options: object) -> subprocess.CompletedProcess[str]:
    """Run uv; what it says on stderr is the error's text if it fails."""
    from uv import find_uv_bin  # noqa: PLC0415  # so that --help needs nothing

    return run([find_uv_bin(), *map(str, arguments)], check=True, **options)


def run(
    command: Sequence[str | Path], *, check: bool = False, timeout: float = 600, **options: object
) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [str(word) for word in command],
        capture_output=True,
        text=True,
        timeout=timeout,
        stdin=subprocess.DEVNULL,
        check=False,
        **options,  # type: ignore[call-overload]
    )
    if check and done.returncode:
        raise AssertionError(f"{command[0]} ended with {done.returncode}: {done.stderr[-2000:]}")
    return done


@dataclass(frozen=True)
class Built:
    """What `uv build` makes: an sdist from the folder, and a wheel from that sdist."""

    wheel: Path
    sdist: Path


def build(folder: Path, source: Path = ROOT) -> Built:
    uv("build", "--quiet", "--out-dir", folder, source)
    (wheel,), (sdist,) = folder.glob("*.whl"), folder.glob("*.tar.gz")
    return Built(wheel, sdist)


@dataclass(frozen=True)
class Environment:
    """A virtual environment with nothing in it but what we put there."""

    folder: Path

    @classmethod
    def make(cls, folder: Path, interpreter: str | Path) -> Environment:
        uv("venv", "--quiet", "--no-config", "--python", interpreter, folder)
        return cls(folder)

    @property
    def python(self) -> Path:
        return self.folder / "bin" / "python"

    @property
    def program(self) -> Path:
        return self.folder / "bin" / "pitchbench"

    def install(self, *what: str | Path) -> None:
        uv("pip", "install", "--quiet", "--python", self.python, *what)

    def uninstall(self) -> None:
        uv("pip", "uninstall", "--quiet", "--python", self.python, "pitchbench")

    def pitchbench(
        self,
        *arguments: str | Path,
        home: str | Path | None,
        before: Sequence[str] = (),
    ) -> subprocess.CompletedProcess[str]:
        """Run the installed program from a folder that is not ours, with that home (None: unset);
        ``before`` is a command that runs it."""
        return run([*before, self.program, *arguments], cwd="/", env=environment(home))


def environment(home: str | Path | None) -> Mapping[str, str]:
    """No variable of ours but where programs are."""
    kept = {"PATH": os.environ["PATH"], "LANG": "C.UTF-8", "OMP_NUM_THREADS": "1"}
    return kept if home is None else {**kept, "HOME": str(home)}


# -- checks: each raises AssertionError ----------------------------------------------------------


def starts(place: Environment, home: Path) -> None:
    uv("pip", "check", "--python", place.python)
    source = (ROOT / "pitchbench" / "__init__.py").read_text(encoding="utf-8")
    wanted = re.search('^__version__ = "(.+)"$', source, re.MULTILINE)
    assert wanted is not None
    done = place.pitchbench("--version", home=home)
    assert done.stdout == f"pitchbench, version {wanted[1]}\n", done
    assert done.stderr == "", done
    done = place.pitchbench("trouble", "hum", home=home)  # what lies beside the code came along
    assert done.stdout.startswith("Hum\n"), done


def reads(place: Environment, home: Path) -> None:
    done = place.pitchbench(
        "offset", SHARP, "--string", "A2", "--scale", "648", "--format", "json", home=home
    )
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert document["verdict"] == "move", document
    (truth,) = (
        each
        for each in json.loads((SAMPLES / "truth.json").read_text())["recordings"]
        if each["file"] == SHARP.name
    )
    for reading, pluck in zip(document["readings"], truth["plucks"], strict=True):
        off_cents = 1200 * math.log2(reading["pitch_hz"] / pluck["pitch_hz"])
        assert abs(off_cents) < WITHIN_CENTS, (off_cents, reading)


def rehearses(place: Environment, home: Path) -> None:
    done = place.pitchbench("rehearse", "--strings", "6", "--format", "json", home=home)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["finished"] is True, done.stdout


def keeps(place: Environment, home: Path) -> None:
    """A session goes on record, though its string is out of tune throughout (3), and its sheet
    comes out with its figure."""
    words = ("session", "--recording", SHARP, "--strings", "5", "--keep", "--format", "json")
    done = place.pitchbench(*words, home=home)
    assert done.returncode == 3, done.stderr
    page = home / "sheet.html"
    done = place.pitchbench("sheet", "last", "--out", page, home=home)
    assert done.returncode == 0, done.stderr
    assert "<svg" in page.read_text(encoding="utf-8")


def draws(place: Environment, home: Path) -> None:
    picture = home / "drift.svg"
    sample = SAMPLES / "e2-soft-medium-hard.flac"
    done = place.pitchbench("drift", sample, "--out", picture, home=home)
    assert done.returncode == 0, done.stderr
    assert picture.read_bytes().startswith(b"<?xml")


CHECKS: tuple[Callable[[Environment, Path], None], ...] = (starts, reads, rehearses, keeps, draws)


def unit_tests(place: Environment, source: Path) -> None:
    """The unit tests, from a copy of the sources without the package: the installed one is met."""
    tools = ("hypothesis", "import-linter", "jsonschema", "pexpect", "pyte", "pytest", "ruff", "uv")
    held = run([place.python, "-c", _HELD], check=True).stdout
    constraints = place.folder / "held.txt"
    constraints.write_text(held)
    place.install("--constraint", constraints, *tools, "pytest-timeout", "pytest-xdist")
    ran = run(
        [place.folder / "bin" / "pytest", "-q", "-p", "no:cacheprovider", "tests/unit"],
        cwd=source,
        timeout=3600,
        env={**environment(os.environ.get("HOME")), "OPENBLAS_NUM_THREADS": "1"},
    )
    assert ran.returncode == 0, "\n".join(ran.stdout.splitlines()[-40:])


_HELD = (
    "import importlib.metadata as m\n"
    "print(*{f'{d.name}=={d.version}' for d in m.distributions() if d.name != 'pitchbench'},"
    " sep='\\n')"
)


# -- the matrix ----------------------------------------------------------------------------------


def interpreters() -> list[str]:
    """Those of ``INTERPRETERS`` that uv finds here; none is downloaded."""
    found = []
    for version in INTERPRETERS:
        try:
            where = uv("python", "find", "--no-python-downloads", "--system", version)
        except AssertionError:
            continue
        found.append(where.stdout.strip())
    return found


def lowest(interpreter: str, folder: Path) -> Path:
    """A requirements file with the lowest versions that we allow and that this Python has wheels
    for; what those need in turn is the newest."""
    place = folder / "lowest.txt"
    uv(
        "pip", "compile", "--quiet", "--python", interpreter, "--only-binary", ":all:",
        "--resolution", "lowest-direct", ROOT / "pyproject.toml", "--output-file", place,
    )  # fmt: skip
    return place


def environments(
    interpreter: str, built: Built, folder: Path
) -> list[tuple[str, Callable[[Environment], None]]]:
    """Name and installation of each environment of one interpreter."""

    def with_lowest(place: Environment) -> None:
        place.install("--only-binary", ":all:", "-r", lowest(interpreter, folder))
        place.install("--no-deps", built.wheel)

    return [
        ("wheel, newest", lambda place: place.install(built.wheel)),
        ("sdist, newest", lambda place: place.install(built.sdist)),
        ("wheel, lowest", with_lowest),
    ]


def row(place: Environment, home: Path, source: Path | None) -> Iterator[str]:
    """What every check comes to: "ok", or "FAILED" with what went wrong on stderr."""
    checks = [partial(check, place, home) for check in CHECKS]
    if source is not None:
        checks.append(partial(unit_tests, place, source))
    for check in checks:
        try:
            check()
        except AssertionError as error:
            print(f"{place.folder.name}: {check.func.__name__}: {error}", file=sys.stderr)
            yield "FAILED"
        else:
            yield "ok"


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--python", action="append", help="interpreter; else all that are found")
    parser.add_argument("--unit-tests", action="store_true", help="run them in every row")
    asked = parser.parse_args()
    titles = [check.__name__ for check in CHECKS] + ["unit tests"] * asked.unit_tests
    print("| Python | installed | versions |", " | ".join(titles), "|")
    print("|---" * (3 + len(titles)) + "|")
    failed = 0
    with tempfile.TemporaryDirectory(prefix="matrix-") as made:
        folder = Path(made)
        built = build(folder)
        source = None
        if asked.unit_tests:
            source = folder / "source"
            shutil.unpack_archive(built.sdist, folder)
            (folder / built.sdist.name.removesuffix(".tar.gz")).rename(source)
        for interpreter in asked.python or interpreters():
            version = run([interpreter, "--version"], check=True).stdout.split()[1]
            for name, install in environments(interpreter, built, folder):
                place = Environment.make(folder / f"{version} {name}", interpreter)
                home = folder / f"home of {version} {name}"
                home.mkdir()
                install(place)
                cells = list(row(place, home, source))
                failed += cells.count("FAILED")
                what, versions = name.split(", ")
                print("|", " | ".join([version, what, versions, *cells]), "|", flush=True)
                shutil.rmtree(place.folder)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
