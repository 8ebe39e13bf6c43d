"""Which changes of the code does no test notice? By hand, since it takes its time.

    .venv/bin/python tests/mutation.py intonation session            some 40 of each room, seed 1
    .venv/bin/python tests/mutation.py intonation/offset.py --sample 20 --seed 3

Single places are changed in a copy of the repository: a comparison takes its bound in or leaves it
out, plus becomes minus, "and" becomes "or", a number becomes another one, a condition is turned
round. Which lines each test of the room runs is written down first, once; then one of those
that run the changed line must fail, the module's own and the quick ones in front. What runs when a
module is imported is for all tests that name the module or run it. Tests are those in tests/unit
and tests/reference that need no sound server, browser or database server.

What no test notices is a survivor, and so is a change that makes no difference, which nobody can
tell from it without looking; so is what is not noticed in the time that each change has, which is
said. What hangs is noticed. No two runs of another seed are the same sample: a share of
survivors has bounds.

Each test and each change has a process of its own, forked from one that has imported everything.
What is tried at random is the same each time.

The operators are few and plain, so our own do; the libraries for it that we looked at want
a layout of their own or a dozen other packages.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import gc
import importlib
import os
import pickle
import random
import re
import shutil
import signal
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from types import CodeType, FrameType, FunctionType
from typing import Any, Final, TextIO

import pytest
import scipy.optimize  # here, once: else each process imports it when it is first used
import scipy.signal
import scipy.stats

ROOT = Path(__file__).parents[1]
ROOMS: Final = ("intonation", "session", "pitch", "records")

#: So long a change is tried; nearly all that are noticed are so in the first second.
_TRIED_S: Final = 12.0
#: A test that takes longer, slow as it is while its lines are written down, has no room in that.
_WAITED_S: Final = 5.0
#: A test hangs that takes so much longer than it does with the code as it is.
_HANGS: Final = 10.0
_HANGS_S: Final = 5.0

_PASSED, _NOTICED, _OUT_OF_TIME = range(3)

#: What a machine may lack, and what goes by the clock on the wall.
_WITHOUT: Final = "not live and not browser and not postgresql"

_SWAPPED: Final[dict[type[ast.AST], type[ast.AST]]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.And: ast.Or,
    ast.Or: ast.And,
}


@dataclass(frozen=True)
class Mutant:
    """One change: of which node of which module, counted as `ast.walk` goes, and which way."""

    module: Path
    text: str
    line: int
    what: str
    node: int
    way: int
    lines: frozenset[int]  #: those that run when the changed place does

    @property
    def tree(self) -> ast.Module:
        """The whole module with the change."""
        tree = ast.parse(self.text)
        node = next(node for index, node in enumerate(ast.walk(tree)) if index == self.node)
        _, change = list(changes_of(node))[self.way]
        change(node)
        return ast.fix_missing_locations(tree)


def changes_of(node: ast.AST) -> Iterator[tuple[str, Callable[[Any], None]]]:
    """Each way to change this node: in words, and what does it."""
    if isinstance(node, ast.Compare):
        for index, operator in enumerate(node.ops):
            if (other := _SWAPPED.get(type(operator))) is not None:
                yield (
                    f"{type(operator).__name__} -> {other.__name__}",
                    lambda n, i=index, o=other: n.ops.__setitem__(i, o()),
                )
    elif isinstance(node, ast.BinOp | ast.BoolOp) and type(node.op) in _SWAPPED:
        other = _SWAPPED[type(node.op)]
        yield f"{type(node.op).__name__} -> {other.__name__}", lambda n: setattr(n, "op", other())
    elif isinstance(node, ast.If | ast.IfExp | ast.While):
        turned = ast.UnaryOp(ast.Not(), node.test)
        yield "condition turned round", lambda n: setattr(n, "test", copy.deepcopy(turned))
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        value = node.value
        larger = value + 1 if value in (0, 1) else 2 * value
        new = (not value) if isinstance(value, bool) else larger
        yield f"{value} -> {new}", lambda n: setattr(n, "value", new)


def mutants_of(module: Path) -> list[Mutant]:
    """Every single change of a module."""
    text = (ROOT / module).read_text(encoding="utf-8")
    tree = ast.parse(text)
    # Neither what stands in types nor how a class is decorated shows in what it computes, nor that
    # sequences are of one length wherever they are.
    aside = {
        id(inner)
        for node in ast.walk(tree)
        for each in (
            getattr(node, "annotation", None),
            getattr(node, "returns", None),
            *getattr(node, "decorator_list", ()),
            node if isinstance(node, ast.keyword) and node.arg == "strict" else None,
        )
        if each is not None
        for inner in ast.walk(each)
    }
    # Inner statements come later and take theirs over.
    lines = {
        id(inner): own
        for statement in ast.walk(tree)
        if isinstance(statement, ast.stmt)
        for own in [frozenset(_own_lines(statement))]
        for inner in ast.walk(statement)
    }
    return [
        Mutant(module, text, node.lineno, what, index, way, lines[id(node)])  # type: ignore[attr-defined]
        for index, node in enumerate(ast.walk(tree))
        if id(node) not in aside
        for way, (what, _) in enumerate(changes_of(node))
    ]


def _own_lines(node: ast.AST) -> Iterator[int]:
    """The lines of a statement without those of the statements in it."""
    if hasattr(node, "lineno"):
        yield node.lineno
    for inner in ast.iter_child_nodes(node):
        if not isinstance(inner, ast.stmt):
            yield from _own_lines(inner)


def is_own(module: Path, test: str) -> bool:
    """Whether a test stands in the file of the module."""
    name = Path(test.partition("::")[0]).name
    return name.startswith((f"test_{module.parts[1]}_{module.stem}", f"test_{module.stem}"))


@cache
def names(module: Path, file: str) -> bool:
    """Whether a file of tests names the module."""
    return re.search(rf"\b{module.stem}\b", (ROOT / file).read_text(encoding="utf-8")) is not None


def tests_of(module: Path) -> set[str]:
    """The files of the module's own tests, of its room's, and of those of no room that name it."""
    room = module.parts[1]
    of_a_room = tuple(f"test_{path.name}_" for path in (ROOT / "pitchbench").iterdir())
    return {
        str(path.relative_to(ROOT))
        for path in (*ROOT.glob("tests/unit/test_*.py"), *ROOT.glob("tests/reference/*/test_*.py"))
        if is_own(module, path.name)
        or path.name.startswith(f"test_{room}_")
        or (
            f"pitchbench.{room}" in path.read_text(encoding="utf-8")
            and not path.name.startswith((*of_a_room, "test_command_"))
        )
    }


def in_child(work: Callable[[], int], most_s: float) -> int:
    """What ``work`` comes to in a process of its own, which ends with all that it has started."""
    child = os.fork()
    if not child:
        os.setpgid(0, 0)
        try:
            os._exit(work())
        except BaseException:
            traceback.print_exc()
            os._exit(_NOTICED)
    until = time.monotonic() + most_s
    try:
        while time.monotonic() < until:
            ended, status = os.waitpid(child, os.WNOHANG)
            if ended:
                return os.waitstatus_to_exitcode(status)
            time.sleep(0.002)
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return _NOTICED


class Lines:
    """The lines of the package that run while this is set to trace."""

    def __init__(self, place: Path) -> None:
        self.seen: set[tuple[str, int]] = set()
        self._place = f"{place}/"

    def __call__(self, frame: FrameType, event: str, arg: object) -> Any:
        if not frame.f_code.co_filename.startswith(self._place):
            return None
        return self._line

    def _line(self, frame: FrameType, event: str, arg: object) -> Any:
        if event == "line":
            self.seen.add((frame.f_code.co_filename, frame.f_lineno))
        return self._line


@dataclass(frozen=True)
class Ran:
    """What a test runs of the package, with the code as it is, and how long it takes."""

    lines: frozenset[tuple[str, int]]
    took_s: float


class Trials:
    """A plugin for pytest: instead of running its tests once, it runs them for each change."""

    def __init__(self, place: Path, said: TextIO, work: Callable[[Trials], None]) -> None:
        self.place = place
        self.said = said
        self._work = work
        self._at_import = Lines(place / "pitchbench")
        self._ran: dict[str, Ran] = {}
        self._failed = False
        # From here on, since the fixtures that all tests share import rooms before any test does.
        sys.settrace(self._at_import)

    @pytest.hookimpl(trylast=True)
    def pytest_configure(self) -> None:
        import hypothesis  # noqa: PLC0415  (pytest, which has a word to say in it, comes first)

        as_here = hypothesis.settings.get_profile("here")
        hypothesis.settings.register_profile("same", as_here, derandomize=True, database=None)
        hypothesis.settings.load_profile("same")

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._failed |= report.failed

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        for module in sorted((self.place / "pitchbench").glob("*/*.py")):
            if module.parent.name in ROOMS:
                importlib.import_module(f"pitchbench.{module.parent.name}.{module.stem}")
        sys.settrace(None)
        # Programs that the tests start must not find what another change left.
        sys.dont_write_bytecode = True
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
        self._session = session
        self._items = {item.nodeid: item for item in session.items}
        self._files = {name.partition("::")[0] for name in self._items}
        self._run_as_it_is()
        self._work(self)
        return True

    def _run_as_it_is(self) -> None:
        """Each test once, by itself."""
        note = self.place / "ran"

        def run(item: pytest.Item) -> int:
            lines = Lines(self.place / "pitchbench")
            began = time.monotonic()
            threading.settrace(lines)
            sys.settrace(lines)
            self._fails(item)
            sys.settrace(None)
            note.write_bytes(pickle.dumps(Ran(frozenset(lines.seen), time.monotonic() - began)))
            return _NOTICED if self._failed else _PASSED

        for name, item in self._items.items():
            if in_child(partial(run, item), _WAITED_S) == _PASSED:
                self._ran[name] = pickle.loads(note.read_bytes())
            else:
                print(
                    f"left out, since it fails or takes too long with the code as it is: {name}",
                    file=self.said,
                )

    def _fails(self, item: pytest.Item) -> bool:
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=None)
        return self._failed

    def tests_that_run(self, mutant: Mutant) -> list[str]:
        """Those that run what is changed: the module's own and quick ones in front."""
        module = str(self.place / mutant.module)
        lines = {(module, line) for line in mutant.lines}
        named: set[str] = set()
        if not lines.isdisjoint(self._at_import.seen):
            lines = {line for ran in self._ran.values() for line in ran.lines if line[0] == module}
            named = {file for file in self._files if names(mutant.module, file)}
        found = [
            name
            for name, ran in self._ran.items()
            if name.partition("::")[0] in named or not lines.isdisjoint(ran.lines)
        ]
        return sorted(found, key=lambda n: (not is_own(mutant.module, n), self._ran[n].took_s))

    def outcome(self, mutant: Mutant) -> tuple[int, list[str]]:
        """Whether the tests notice a change, and which were to."""
        tests = self.tests_that_run(mutant)
        target = self.place / mutant.module
        target.write_text(ast.unparse(mutant.tree), encoding="utf-8")
        try:
            return in_child(lambda: self._try(mutant, tests), most_s=3 * _TRIED_S), tests
        finally:
            target.write_text(mutant.text, encoding="utf-8")

    def _try(self, mutant: Mutant, tests: Sequence[str]) -> int:
        until = time.monotonic() + _TRIED_S
        module = str(self.place / mutant.module)
        at_import = any((module, line) in self._at_import.seen for line in mutant.lines)
        if at_import or not _exchange(mutant, module):
            self._forget_what_was_imported()
        for name in tests:
            if time.monotonic() > until:
                return _OUT_OF_TIME
            item = self._item(name)
            most_s = _HANGS_S + _HANGS * self._ran[name].took_s
            item.add_marker(pytest.mark.timeout(most_s), append=False)
            if self._fails(item):
                return _NOTICED
        return _PASSED

    def _forget_what_was_imported(self) -> None:
        for name, module in list(sys.modules.items()):
            if (getattr(module, "__file__", None) or "").startswith(str(self.place)):
                del sys.modules[name]
        self._items.clear()

    def _item(self, name: str) -> pytest.Item:
        if name not in self._items:
            found = self._session.perform_collect([name.partition("::")[0]])
            self._items |= {item.nodeid: item for item in found}
        return self._items[name]


def _exchange(mutant: Mutant, module: str) -> bool:
    """Give the functions that have been imported their changed code; whether that can be done."""
    before = compile(mutant.text, module, "exec", dont_inherit=True)
    after = compile(mutant.tree, module, "exec", dont_inherit=True)
    try:
        changed = dict(_pairs(before, after))
        functions = [
            each
            for each in gc.get_objects()
            if isinstance(each, FunctionType) and each.__code__ in changed
        ]
        for function in functions:
            function.__code__ = changed[function.__code__]
    except ValueError:  # a condition that never holds, and what it holds is gone
        return False
    return bool(functions)


def _pairs(before: CodeType, after: CodeType) -> Iterator[tuple[CodeType, CodeType]]:
    if before != after:
        yield before, after
    inner = [[each for each in c.co_consts if isinstance(each, CodeType)] for c in (before, after)]
    for one, other in zip(*inner, strict=True):
        yield from _pairs(one, other)


def bounds(survivors: int, tried: int) -> tuple[float, float]:
    """95 % bounds of the share of survivors (Clopper and Pearson, Biometrika 26, 1934)."""
    low = float(scipy.stats.beta.ppf(0.025, survivors, tried - survivors + 1)) if survivors else 0.0
    high = (
        float(scipy.stats.beta.ppf(0.975, survivors + 1, tried - survivors))
        if survivors < tried
        else 1.0
    )
    return low, high


def modules_of(asked: str) -> list[Path]:
    path = Path("pitchbench", asked)
    if path.suffix == ".py":
        return [path]
    return [each.relative_to(ROOT) for each in sorted((ROOT / path).glob("*.py"))]


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("what", nargs="+", help=f"rooms ({', '.join(ROOMS)}) or modules")
    options.add_argument("--sample", type=int, default=40, help="mutants of each")
    options.add_argument("--seed", type=int, default=1)
    asked = options.parse_args()
    # All are drawn at once: whoever works on the code meanwhile changes nothing of it.
    drawn = {
        what: [each for module in modules_of(what) for each in mutants_of(module)]
        for what in asked.what
    }
    files = {file for what in asked.what for each in modules_of(what) for file in tests_of(each)}

    def work(trials: Trials) -> None:
        for what, everything in drawn.items():
            chance = random.Random(asked.seed)
            sample = chance.sample(everything, min(asked.sample, len(everything)))
            survivors = 0
            for tried, mutant in enumerate(sample, start=1):
                outcome, tests = trials.outcome(mutant)
                if outcome in (_PASSED, _OUT_OF_TIME):
                    survivors += 1
                    late = f" in {_TRIED_S:.0f} s" if outcome == _OUT_OF_TIME else ""
                    of = f"not noticed{late} by {len(tests)} tests that run it"
                    print(f"{mutant.module}:{mutant.line}: {mutant.what}: {of}", file=said)
                low, high = bounds(survivors, tried)
                share = f"{survivors} of {tried}, {low:.1%} to {high:.1%}"
            print(
                f"{what}: {share} at 95 %, seed {asked.seed}, of {len(everything)} there are",
                file=said,
            )

    with tempfile.TemporaryDirectory() as made:
        place = Path(made).resolve()
        for name in ("pitchbench", "tests", "samples", "docs"):
            shutil.copytree(ROOT / name, place / name)
        for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
            shutil.copy(ROOT / name, place / name)
        # What the tests say is for nobody; what they leave goes with the copy.
        said = os.fdopen(os.dup(1), "w", buffering=1)
        blamed = os.dup(2)
        log = os.open(place / "log", os.O_RDWR | os.O_CREAT)
        for stream in (1, 2):
            os.dup2(log, stream)
        tempfile.tempdir = os.environ["TMPDIR"] = str(place / "tmp")
        os.mkdir(place / "tmp")
        os.chdir(place)
        sys.path[:1] = [str(place)]
        words = ["-s", "-q", "-p", "no:cacheprovider", "-m", _WITHOUT, *sorted(files)]
        try:
            if pytest.main(words, [Trials(place, said, work)]):
                said.write((place / "log").read_text(encoding="utf-8"))
        finally:
            os.dup2(blamed, 2)


if __name__ == "__main__":
    main()
