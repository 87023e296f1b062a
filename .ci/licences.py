"""Write docs/licences.md: every library that a user's installation holds, and its licence.

    python .ci/licences.py docs/licences.md

Names and versions are those of requirements.lock; licences are what the packages say of themselves.
"""

from __future__ import annotations

import re
import sys
from importlib import metadata
from pathlib import Path

_PROJECT = Path(__file__).resolve().parent.parent
_HEAD = """# Libraries and their licences

What `requirements.lock` installs, with the licence that each package states of itself; afterrains
itself is under the MIT licence (see LICENSE). Written by `make lock`.

| library | version | licence |
| --- | --- | --- |
"""


def locked(text: str) -> list[tuple[str, str]]:
    """(name, version) of every package of a lock file."""
    return re.findall(r"^([A-Za-z0-9._-]+)==([^\s;\\]+)", text, re.MULTILINE)


def licence(name: str) -> str:
    """What an installed package says of its licence."""
    try:
        about = metadata.metadata(name)
    except metadata.PackageNotFoundError:
        return "not installed on the machine that wrote this page (another system's part)"
    stated = about.get("License-Expression")
    if stated:
        return str(stated)
    classed = [
        each.rpartition(" :: ")[2]
        for each in about.get_all("Classifier") or []
        if each.startswith("License ::")
    ]
    if classed and classed != ["OSI Approved"]:
        return ", ".join(classed)
    words = str(about.get("License") or "not stated").strip().splitlines()[0]
    return words[:60]


def main() -> None:
    """Write the page."""
    packages = locked((_PROJECT / "requirements.lock").read_text(encoding="utf-8"))
    lines = (
        f"| {name} | {version} | {licence(name).replace('|', '/')} |" for name, version in packages
    )
    Path(sys.argv[1]).write_text(_HEAD + "\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
