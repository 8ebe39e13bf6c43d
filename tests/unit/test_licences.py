"""docs/licences.md against what the installed packages say of themselves."""

from __future__ import annotations

import json
import re
import tomllib
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
PAGE = " ".join((ROOT / "docs" / "licences.md").read_text(encoding="utf-8").split())

#: Words by which a family of licences is known, in metadata and on our page.
FAMILIES = {
    "Apache": r"Apache",
    "BSD": r"BSD",
    "GPL": r"(?<!L)GPL|GNU General Public",
    "ISC": r"\bISC",
    "LGPL": r"LGPL|Lesser General Public",
    "MIT": r"\bMIT\b",
    "MPL": r"\bMPL|Mozilla",
    "PSF": r"\bPSF|Python Software Foundation",
    "Zlib": r"Zlib",
}
COPYLEFT = {"GPL", "LGPL", "MPL"}


def families(text: str) -> set[str]:
    return {name for name, words in FAMILIES.items() if re.search(words, text)}


def of_metadata(package: Distribution) -> set[str]:
    """The families that a package names: as an expression, else by classifiers, else in words."""
    metadata = package.metadata
    classifiers = metadata.get_all("Classifier") or []
    said = (
        metadata.get("License-Expression"),
        " ".join(line for line in classifiers if line.startswith("License")),
        (metadata.get("License") or "").splitlines()[0] if metadata.get("License") else "",
    )
    return next((found for words in said if words and (found := families(words))), set())


def needed(requirements: list[str]) -> dict[str, Distribution]:
    """Everything that gets installed for these: by name, whatever they need in turn included."""
    found: dict[str, Distribution] = {}
    todo = [(Requirement(text), frozenset[str]()) for text in requirements]
    while todo:
        requirement, extras = todo.pop()
        wanted = extras | {""}
        if requirement.marker and not any(
            requirement.marker.evaluate({"extra": extra}) for extra in wanted
        ):
            continue
        name = re.sub(r"[-_.]+", "-", requirement.name).lower()
        if name not in found:
            found[name] = distribution(name)
            todo += [
                (Requirement(text), frozenset(requirement.extras))
                for text in found[name].requires or []
            ]
    return found


def on_page(name: str) -> set[str]:
    """The families that our page names for a package, in a table's row or in brackets behind it."""
    in_row = re.findall(rf"\| {name} \|(?: `[^|]*` \|)?([^|]*)\|", PAGE)
    in_brackets = re.findall(rf"(?<![\w-]){name} \(([^)]*)\)", PAGE)
    assert in_row or in_brackets, "not on the page"
    return families((in_row + in_brackets)[0])


REQUIRED = needed(PROJECT["dependencies"])


@pytest.mark.parametrize("name", REQUIRED)
def test_what_is_needed_is_listed_with_its_licence(name: str) -> None:
    theirs = of_metadata(REQUIRED[name])
    assert theirs, "the package does not say"
    assert theirs <= on_page(name)
    assert not theirs & COPYLEFT


EXTRAS = PROJECT["optional-dependencies"]


@pytest.mark.parametrize("requirement", sorted({r for extra in EXTRAS.values() for r in extra}))
def test_what_an_extra_brings_is_listed_with_its_licence(requirement: str) -> None:
    name = Requirement(requirement).name
    try:
        package = distribution(name)
    except PackageNotFoundError:
        pytest.skip(f"{name} is not installed")
    assert of_metadata(package) <= on_page(name)


# -- what it is made of, and tested with: tests/install/supply.py makes both ---------------------

BILL = json.loads((ROOT / "docs" / "sbom.cdx.json").read_text(encoding="utf-8"))
LOCK = (ROOT / ".ci" / "tested-versions.txt").read_text(encoding="utf-8")
LOCKED = {
    (name, version)
    for name, version in re.findall(r"^([\w.-]+)(?:\[[^\]]*\])?==([^ ;]+)", LOCK, re.MULTILINE)
}


def test_the_bill_of_materials_names_all_that_is_needed_with_its_licence() -> None:
    named = {component["name"] for component in BILL["components"]}
    here = {name for name in REQUIRED if name not in OLDER_ONES_BRING}
    assert here <= named
    for component in BILL["components"]:
        assert component["purl"].startswith(f"pkg:pypi/{component['name']}@"), component
        (licence,) = component["licenses"]
        assert families(licence["license"]["name"]) <= on_page(component["name"])


#: What only versions before those of the lock need (docs/licences.md).
OLDER_ONES_BRING = {"greenlet", "six"}


def test_the_bill_and_the_lock_are_of_the_same_versions() -> None:
    assert {(each["name"], each["version"]) for each in BILL["components"]} <= LOCKED


@pytest.mark.parametrize(
    "requirement",
    sorted({*PROJECT["dependencies"], *(r for extra in EXTRAS.values() for r in extra)}),
)
def test_the_lock_holds_what_is_asked_for_by_its_hashes(requirement: str) -> None:
    asked = Requirement(requirement)
    versions = [version for name, version in LOCKED if name == asked.name]
    assert versions
    assert all(asked.specifier.contains(version) for version in versions)
    version = rf"(?m)^{re.escape(asked.name)}(?:\[[^\]]*\])?==[^-]*--hash=sha256:"
    assert re.search(version, LOCK)
