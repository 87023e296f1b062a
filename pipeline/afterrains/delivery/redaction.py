"""Addresses and paths as they may be told: without secrets and without this machine's folders."""

from __future__ import annotations

import re

__all__ = ["place_of", "told", "without_secrets"]

# scheme://user:password@ then what may stay, then query and fragment.
_ADDRESS = re.compile(
    r"([A-Za-z][A-Za-z0-9+.\-]*://)(?:[^/\s@'\"<>]*@)?([^\s?#'\"<>]*)(?:[?#][^\s'\"<>]*)?"
)

# An absolute path that opens the text or follows a space, quote or bracket; group 1 is its name.
_LOCAL_PATH = re.compile(
    r"(?:(?<=[\s'\"(<=])|^)(?:/|[A-Za-z]:[/\\])(?:[^\s'\"()<>/\\]+[/\\])+([^\s'\"()<>/\\]+)"
)


def without_secrets(text: str) -> str:
    """The text with user names, query strings and fragments cut from every address in it.

    What is glued to a query (a closing bracket, a comma) goes with it: better a bracket too few
    than a signature too many.
    """
    return _ADDRESS.sub(r"\1\2", text)


def told(text: str) -> str:
    """Words of a failure without secrets and without this machine's folders."""
    return _LOCAL_PATH.sub(r"\1", without_secrets(text))


def place_of(href: str) -> str:
    """An address without its secrets; of a path on this machine the file name."""
    if "://" in href and not href.lower().startswith("file:"):
        return without_secrets(href)
    return re.split(r"[/\\]", href.split("?", 1)[0])[-1]
