"""Which changes of the code does no test notice? By hand, since it takes its time.

    .venv/bin/python tests/mutation.py intonation session            some 40 of each room, seed 1
    .venv/bin/python tests/mutation.py intonation/offset.py --sample 20 --seed 3

Single places are changed in a copy of the repository: a comparison takes its bound in or leaves it
out, plus becomes minus, "and" becomes "or", a number becomes another one, a condition is turned
round. The tests of that module must fail; where they do not, those of its room must. What no test
notices is a survivor, and so is a change that makes no difference, which nobody can tell from it
without looking. No two runs of another seed are the same sample: a share of survivors has bounds.

The operators are few and plain, so our own do; the libraries for it that we looked at want
a layout of their own or a dozen other packages.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

from scipy.stats import beta

ROOT = Path(__file__).parents[1]
ROOMS: Final = ("intonation", "session", "pitch", "records")

#: A mutant hangs, which its tests notice, if they take so many times longer than all tests of the
#: room do with the code as it is; what else the machine does takes its share.
_HANGS: Final = 4.0

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

    @property
    def source(self) -> str:
        """The whole module with the change."""
        tree = ast.parse(self.text)
        node = next(node for index, node in enumerate(ast.walk(tree)) if index == self.node)
        _, change = list(changes_of(node))[self.way]
        change(node)
        return ast.unparse(ast.fix_missing_locations(tree))


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
    found = []
    for index, node in enumerate(ast.walk(tree)):
        if id(node) in aside:
            continue
        for way, (what, _) in enumerate(changes_of(node)):
            found.append(Mutant(module, text, node.lineno, what, index, way))  # type: ignore[attr-defined]
    return found


def tests_for(module: Path) -> list[list[Path]]:
    """The module's own tests, then those of its room; quick ones in front."""
    room = module.parts[1]
    names = (f"test_{room}_{module.stem}*.py", f"test_{module.stem}*.py")
    own = sorted({path for name in names for path in ROOT.glob(f"tests/unit/{name}")})
    of_room = sorted(ROOT.glob(f"tests/unit/test_{room}_*.py"), key=lambda p: p.stat().st_size)
    rest = [path for path in of_room if path not in own]
    return [[path.relative_to(ROOT) for path in paths] for paths in (own, rest) if paths]


@cache
def patience_s(room: str, place: Path) -> float:
    """How long the tests of a room may take; with the code as it is they must pass."""
    tests = sorted(path.relative_to(ROOT) for path in ROOT.glob(f"tests/unit/test_{room}_*.py"))
    began = time.monotonic()
    if _fail(tests, place, None):
        raise SystemExit(f"the tests of {room} fail with the code as it is")
    return _HANGS * (time.monotonic() - began)


def is_noticed(mutant: Mutant, place: Path) -> bool:
    """Whether a test fails with the change, in the copy at ``place``."""
    most_s = patience_s(mutant.module.parts[1], place)
    target = place / mutant.module
    before = target.read_text(encoding="utf-8")
    target.write_text(mutant.source, encoding="utf-8")
    try:
        return any(_fail(tests, place, most_s) for tests in tests_for(mutant.module))
    finally:
        target.write_text(before, encoding="utf-8")


def _fail(tests: list[Path], place: Path, most_s: float | None) -> bool:
    words = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *map(str, tests)]
    environment = {**os.environ, "PYTHONPATH": str(place), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(
            words, cwd=place, env=environment, capture_output=True, timeout=most_s, check=False
        )
    except subprocess.TimeoutExpired:
        return True
    return done.returncode != 0


def bounds(survivors: int, tried: int) -> tuple[float, float]:
    """95 % bounds of the share of survivors (Clopper and Pearson, Biometrika 26, 1934)."""
    low = float(beta.ppf(0.025, survivors, tried - survivors + 1)) if survivors else 0.0
    high = float(beta.ppf(0.975, survivors + 1, tried - survivors)) if survivors < tried else 1.0
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
    with tempfile.TemporaryDirectory() as made:
        place = Path(made)
        for name in ("pitchbench", "tests", "samples", "docs"):
            shutil.copytree(ROOT / name, place / name)
        for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
            shutil.copy(ROOT / name, place / name)
        # All are drawn at once: whoever works on the code meanwhile changes nothing of it.
        drawn = {
            what: [each for module in modules_of(what) for each in mutants_of(module)]
            for what in asked.what
        }
        for what, everything in drawn.items():
            chance = random.Random(asked.seed)
            sample = chance.sample(everything, min(asked.sample, len(everything)))
            survivors = []
            for tried, mutant in enumerate(sample, start=1):
                if not is_noticed(mutant, place):
                    survivors.append(mutant)
                    print(f"{mutant.module}:{mutant.line}: {mutant.what}: not noticed", flush=True)
                low, high = bounds(len(survivors), tried)
                share = f"{len(survivors)} of {tried}, {low:.0%} to {high:.0%}"
                print(f"{what}: {share}; of {len(everything)} there are", file=sys.stderr)
            print(f"{what}: {share} at 95 %, seed {asked.seed}, of {len(everything)} there are")


if __name__ == "__main__":
    main()
