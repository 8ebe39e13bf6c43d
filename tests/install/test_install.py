"""What is installed works: from a wheel and from an sdist, from any folder, for any user, with no
home and with no PortAudio; and to uninstall it leaves the records alone.

The same over every Python and the lowest versions of what we depend on: ``matrix.py``, by hand.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from matrix import ROOT, SAMPLES, Built, Environment, build, reads, rehearses, run, starts

#: One environment for all of them, not one for each worker.
pytestmark = pytest.mark.xdist_group("install")

SAMPLE = SAMPLES / "b0-bass.flac"
linux = pytest.mark.skipif(sys.platform != "linux", reason="uses Linux's namespaces and users")


def interpreter() -> str:
    """One that other users may run too, if there is one: root's own folder is closed to them."""
    system = Path("/usr/bin/python3")
    if system.exists():
        new = run([system, "-c", "import sys; print(sys.version_info >= (3, 11))"])
        if new.stdout == "True\n":
            return str(system)
    return sys.executable


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    """A place that other users may read, with blanks and letters outside ASCII in its name."""
    with tempfile.TemporaryDirectory(prefix="pb install ") as made:
        place = Path(made, "Gitarre – für ελένη 名前")
        place.mkdir()
        Path(made).chmod(0o755)
        yield place


@pytest.fixture(scope="module")
def built(folder: Path) -> Built:
    return build(folder / "built")


@pytest.fixture(scope="module")
def installed(folder: Path, built: Built) -> Environment:
    """The wheel in an environment of its own."""
    place = Environment.make(folder / "environment", interpreter())
    place.install(built.wheel)
    return place


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path


def test_two_builds_are_the_same_to_the_byte(folder: Path, monkeypatch: pytest.MonkeyPatch):
    """At another time, in another folder, by another user's habits: so anybody can hold what was
    published against its source."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1767225600")  # the first day of 2026
    here = build(folder / "one")
    copy = folder / "elsewhere" / "copy"
    passed_over = shutil.ignore_patterns(".git", ".venv", ".*_cache", "__pycache__", ".hypothesis")
    shutil.copytree(ROOT, copy, ignore=passed_over)
    for path in copy.rglob("*"):
        os.utime(path, (1e9, 1e9))
        path.chmod(0o700 if path.is_dir() else 0o600)
    there = build(folder / "other", copy)
    assert here.wheel.read_bytes() == there.wheel.read_bytes()


def test_the_wheel_says_what_it_needs(built: Built):
    """Where PEP 770 puts it, so that an audit finds it in an installed copy too."""
    with zipfile.ZipFile(built.wheel) as wheel:
        (name,) = [name for name in wheel.namelist() if name.endswith("sboms/sbom.cdx.json")]
        bill = json.loads(wheel.read(name))
    assert (bill["bomFormat"], bill["specVersion"]) == ("CycloneDX", "1.5")
    assert "numpy" in {component["name"] for component in bill["components"]}


def test_the_sdist_holds_the_whole_and_the_wheel_the_package_alone(folder: Path, built: Built):
    shutil.unpack_archive(built.sdist, folder / "unpacked")
    (whole,) = (folder / "unpacked").iterdir()
    assert {path.name for path in whole.iterdir() if not path.name.startswith(".")} == {
        *("README.md", "DEVELOPERS.md", "PKG-INFO", "pyproject.toml"),
        *("docs", "pitchbench", "samples", "tests"),
    }
    shutil.unpack_archive(built.wheel, folder / "wheel", "zip")
    kept = {path.relative_to(folder / "wheel") for path in (folder / "wheel").rglob("*")}
    assert {path.parts[0].split("-")[0] for path in kept} == {"pitchbench"}
    ours = {
        path.relative_to(ROOT)
        for path in (ROOT / "pitchbench").rglob("*")
        if path.is_file() and path.suffix != ".pyc"
    }
    assert ours <= kept


def test_it_works_from_an_odd_folder(installed: Environment, home: Path):
    for check in (starts, reads, rehearses):
        check(installed, home)


@pytest.mark.parametrize("nowhere", [None, "/nonexistent", "/dev/null"])
def test_without_a_home(installed: Environment, nowhere: str | None, tmp_path: Path):
    """Sound is read all the same, and records may be kept where one says."""
    done = installed.pitchbench("read", SAMPLE, home=nowhere)
    assert (done.returncode, done.stderr) == (0, "")
    assert "B0" in done.stdout
    store = tmp_path / "records.sqlite"
    added = ("instrument", "add", "Blue", "--like", "bass-four")
    done = installed.pitchbench(*added, "--store", store, home=nowhere)
    assert done.returncode == 0
    assert store.exists()


@linux
@pytest.mark.skipif(os.geteuid() != 0, reason="only root may become somebody else")
def test_as_another_user(installed: Environment, tmp_path: Path):
    """Nobody has no home to keep records in: that is said, and everything else works."""
    samples = Path(tempfile.mkdtemp(prefix="pb-samples-"))
    samples.chmod(0o777)
    shutil.copy(SAMPLE, samples)
    nobody = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups")
    try:
        done = installed.pitchbench(
            "read", samples / SAMPLE.name, home="/nonexistent", before=nobody
        )
        assert (done.returncode, done.stderr) == (0, "")
        assert "B0" in done.stdout
        done = installed.pitchbench(
            *("drift", samples / SAMPLE.name, "--out", samples / "drift.svg"),
            home="/nonexistent",
            before=nobody,
        )
        assert (done.returncode, done.stderr) == (0, f"Figure: {samples}/drift.svg\n")
        done = installed.pitchbench("instrument", "list", home="/nonexistent", before=nobody)
    finally:
        shutil.rmtree(samples)
    assert done.returncode == 5
    assert done.stderr == (
        "pitchbench: The folder for the records, '/nonexistent/.local/share/pitchbench', cannot be "
        "made: Permission denied.\n"
        "Choose another place with --store FILE or the variable PITCHBENCH_STORE.\n"
    )


#: Hides every PortAudio there is, in a namespace of its own, and the loader's memory of it.
_WITHOUT_PORTAUDIO = """
set -e
for library in $(ldconfig -p | grep -o '/.*libportaudio.*'); do
  mount --bind /dev/null "$(readlink -f "$library")"
done
ldconfig -X -C "$0" 2>/dev/null
mount --bind "$0" /etc/ld.so.cache
exec "$@"
"""


@linux
@pytest.mark.skipif(os.geteuid() != 0, reason="only root may hide a library")
def test_without_portaudio(installed: Environment, home: Path, tmp_path: Path):
    hidden = ("unshare", "--mount", "sh", "-c", _WITHOUT_PORTAUDIO, str(tmp_path / "cache"))
    for words in (["read", SAMPLE], ["rehearse", "--strings", "1", "--format", "json"]):
        done = installed.pitchbench(*words, home=home, before=hidden)
        assert done.returncode == 0, done.stderr
    for words in (["session"], ["inputs"]):
        done = installed.pitchbench(*words, home=home, before=hidden)
        assert done.returncode == 4
        assert done.stderr.splitlines()[-2:] == [
            "pitchbench: The PortAudio library, which live audio needs, is not installed.",
            "On Debian or Ubuntu: apt install libportaudio2. On Fedora: dnf install portaudio.",
        ]


def test_records_outlive_the_program(installed: Environment, built: Built, home: Path):
    """Taken out and put in again, from the sdist this time, it knows its instruments still."""
    assert installed.pitchbench("instrument", "add", "Blue bass", home=home).returncode == 0
    installed.uninstall()
    assert not installed.program.exists()
    assert list(home.rglob("records.sqlite"))
    installed.install(built.sdist)
    done = installed.pitchbench("instrument", "list", "--format", "json", home=home)
    (summary,) = json.loads(done.stdout)["instruments"]
    assert summary["record"]["instrument"]["name"] == "Blue bass"
