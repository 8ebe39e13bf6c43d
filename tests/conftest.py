"""Fixtures that more than one folder of tests uses, and where what must not be skipped is said."""

# ruff: noqa: E402 - the libraries read how many threads they may use when they are imported

from __future__ import annotations

import os

# Tests run side by side: each keeps to one core, and so do the programs that it starts.
for _variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[_variable] = "1"

import itertools
import signal
import tempfile
from collections.abc import Generator, Iterator
from pathlib import Path

import hypothesis
import pytest
import stores

# How long an example takes is no property of it on a machine that others use as well.
hypothesis.settings.register_profile("here", deadline=None)
hypothesis.settings.load_profile("here")

# A shell that puts the tests into the background has them ignore Ctrl-C, nohup has them ignore
# hang-ups, and they would have their children do so.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
    signal.signal(signal.SIGHUP, signal.SIG_DFL)

# What whoever runs the tests has set for themselves is none of theirs; nor is the size of window
# that workers side by side are told of.
os.environ["PITCHBENCH_CONFIG"] = os.devnull
os.environ["PAGER"] = ""
for _size in ("COLUMNS", "LINES"):
    os.environ.pop(_size, None)

# Programs that the tests start are those of this checkout, whichever one is installed.
os.environ["PYTHONPATH"] = os.pathsep.join(
    [str(Path(__file__).parents[1]), *filter(None, [os.environ.get("PYTHONPATH")])]
)

# What numba has compiled it keeps in files, which two workers write and read at once where all is
# freshly installed: that has ended one of them with a segmentation fault.
if worker := os.environ.get("PYTEST_XDIST_WORKER"):
    _compiled = tempfile.TemporaryDirectory(prefix=f"numba-{worker}-", ignore_cleanup_errors=True)
    os.environ["NUMBA_CACHE_DIR"] = _compiled.name

_numbers = itertools.count()

#: Where everything is installed and allowed, a test that skips itself for want of it fails instead.
_REQUIRED = os.environ.get("PITCHBENCH_REQUIRE_LIVE") == "1"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Live tests run in real time: under xdist they are to share a worker (DEVELOPERS.md)."""
    for item in items:
        if item.get_closest_marker("live"):
            item.add_marker(pytest.mark.xdist_group("live"))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    _fail_if_skipped(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """A whole module is skipped only where a library is missing."""
    report = yield
    _fail_if_skipped(report)
    return report


def _fail_if_skipped(report: pytest.TestReport | pytest.CollectReport) -> None:
    if _REQUIRED and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, but required here: {report.longrepr}"


@pytest.fixture(scope="session")
def postgresql_folder() -> Iterator[str]:
    """The socket folder of a real PostgreSQL server, started for this run of the tests."""
    if stores.postgresql_binaries() is None:
        pytest.skip("PostgreSQL is not installed")
    pytest.importorskip("psycopg")
    with stores.postgresql_server() as folder:
        yield folder


@pytest.fixture
def postgresql_url(postgresql_folder: str) -> str:
    """The URL of an empty database."""
    return stores.new_database(postgresql_folder, f"bench{next(_numbers)}")


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgresql)])
def store_place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where an empty store may be made: a file, and a database on a server."""
    if request.param == "sqlite":
        return str(tmp_path / "records.sqlite")
    return str(request.getfixturevalue("postgresql_url"))
