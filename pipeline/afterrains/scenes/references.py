"""What a catalogue's documents point to: made absolute, and kept away from this machine.

Catalogues are other people's text. One that lies on another machine may name other servers but no
file, no address inside this network and no virtual path of GDAL's; one on this machine may name
files too. Addresses are told without query strings, which may hold keys.
"""

from __future__ import annotations

import ipaddress
import os
import re
from pathlib import Path
from urllib.parse import unquote, urljoin, urlsplit

__all__ = ["UnsafeReferenceError", "is_address", "is_private", "resolve", "without_query"]

_REMOTE_SCHEMES = ("http", "https", "s3", "gs", "az", "abfs")


class UnsafeReferenceError(ValueError):
    """A reference that must not be followed from where it stands."""


def is_address(place: str) -> bool:
    """Whether a place is named by address rather than by path."""
    return urlsplit(place).scheme.lower() in ("http", "https")


def without_query(address: str) -> str:
    """An address fit for messages and logs: query, fragment and user part may hold secrets."""
    parts = urlsplit(address)
    if not parts.scheme or not parts.netloc:
        return address.split("?")[0]
    return f"{parts.scheme}://{parts.netloc.rpartition('@')[2]}{parts.path}"


def resolve(
    reference: str, base: str, *, remote: bool, trusted: frozenset[str] = frozenset()
) -> str:
    """An absolute path or address for a reference found in the document `base`.

    `trusted` names hosts inside this network that a remote document may name.

    Raises
    ------
    UnsafeReferenceError
        If a remote document names a file, another scheme, or an address inside this network; or if
        any document names one of GDAL's own virtual paths.
    """
    if not reference or len(reference) > 8192 or re.search(r"[\x00-\x1f<>]", reference):
        raise UnsafeReferenceError("is not an address")
    scheme = urlsplit(reference).scheme.lower()
    if remote or scheme in _REMOTE_SCHEMES or ("://" in base and not scheme):
        found = urljoin(base, reference) if scheme in ("", "http", "https") else reference
        parts = urlsplit(found)
        if parts.scheme.lower() not in _REMOTE_SCHEMES:
            raise UnsafeReferenceError(f"{parts.scheme or 'a path'} is not allowed here")
        host = parts.hostname or ""
        if remote and is_private(host) and host not in trusted:
            raise UnsafeReferenceError(
                "lies inside a private network; if it is yours, name it under scenes.trusted_hosts"
            )
        return found
    if scheme == "file":
        reference = unquote(urlsplit(reference).path)
    elif scheme:
        raise UnsafeReferenceError(f"{scheme} is not allowed here")
    if reference.startswith("/vsi"):
        raise UnsafeReferenceError("is a virtual path")
    return os.path.abspath(Path(base).parent / reference)


def is_private(host: str) -> bool:
    """Loopback, link-local or private by its own writing; names are not looked up."""
    host = host.strip("[]").lower()
    if host == "localhost" or host.endswith((".localhost", ".local", ".internal")):
        return True
    try:
        return not ipaddress.ip_address(host).is_global
    except ValueError:
        return False
