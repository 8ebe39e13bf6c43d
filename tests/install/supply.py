"""What pitchbench is tested with and made of: the lock of versions and the bill of materials.

    .venv/bin/python tests/install/supply.py

Writes ``.ci/tested-versions.txt``, which `.ci/run` installs by its hashes: one version of every
package, for all extras and every Python and system; and ``docs/sbom.cdx.json`` (CycloneDX 1.5),
which goes into the wheel: what is needed to run, with the licences that installed packages name.
Run it after a change of what we depend on, and before a release. Needs uv and the network.
"""

from __future__ import annotations

import json
import re
import shutil
import tempfile
from importlib.metadata import PackageNotFoundError, metadata
from pathlib import Path
from typing import Any

from matrix import ROOT, uv

LOCK = ROOT / ".ci" / "tested-versions.txt"
SBOM = ROOT / "docs" / "sbom.cdx.json"

#: What changes from run to run and says nothing of what we are made of.
_OF_THE_RUN = ("serialNumber",)


def main() -> None:
    with tempfile.TemporaryDirectory() as made:
        project = Path(made, "project")
        (project / "pitchbench").mkdir(parents=True)
        for name in ("pyproject.toml", "README.md", "docs/licence.md", "pitchbench/__init__.py"):
            (project / name).parent.mkdir(exist_ok=True)
            shutil.copy(ROOT / name, project / name)
        uv("lock", "--quiet", "--project", project)
        export = ("export", "--quiet", "--frozen", "--project", project, "--no-emit-project")
        lock = uv(*export, "--all-extras", "--no-header", "--no-annotate").stdout
        bill = uv(*export, "--format", "cyclonedx1.5", "--preview").stdout
    LOCK.write_text(
        "# Made by tests/install/supply.py: what .ci/run tests with.\n" + lock, encoding="utf-8"
    )
    SBOM.write_text(json.dumps(_with_licences(json.loads(bill)), indent=1) + "\n", encoding="utf-8")


def _with_licences(bill: dict[str, Any]) -> dict[str, Any]:
    for name in _OF_THE_RUN:
        bill.pop(name, None)
    bill.get("metadata", {}).pop("timestamp", None)
    for component in bill["components"]:
        component.pop("externalReferences", None)  # every file of it on its way: the lock has them
        if licence := _licence_of(component["name"]):
            component["licenses"] = [{"license": {"name": licence}}]
    return bill


def _licence_of(name: str) -> str | None:
    try:
        said = metadata(name)
    except PackageNotFoundError:
        return None
    classifiers = [
        line.rpartition(" :: ")[2]
        for line in said.get_all("Classifier") or []
        if line.startswith("License ::")
    ]
    first_line = re.split(r"\n", said.get("License") or "")[0]
    return said.get("License-Expression") or "; ".join(classifiers) or first_line or None


if __name__ == "__main__":
    main()
