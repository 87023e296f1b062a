"""Signing addresses just before they are used.

Catalogues name files by plain addresses; some servers want a signature in the query string that
holds for an hour or so. Everything the tool keeps – the manifest, the local store, the ledger –
bears unsigned addresses. A signature is made when a file is asked for, remembered in this process
only, and made anew once when the server refuses it.
"""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from urllib.parse import parse_qsl, urlencode, urlsplit

import urllib3

from afterrains.scenes.references import without_query

__all__ = ["Sign", "SigningService", "store_name"]

Sign = Callable[[str, bool], str]
"""`sign(address, afresh)`: the address to ask; `afresh` after the server refused the last one."""

# What signatures put into a query string: Azure's shared access signatures, AWS and Google
# signed addresses, content networks. All else in a query says which file is meant.
_AZURE = {"sv", "sr", "st", "se", "sp", "sig", "sip", "spr", "ss", "srt"}
_AZURE |= {"skoid", "sktid", "skt", "ske", "sks", "skv", "sdd", "saoid", "suoid", "scid"}
_OTHERS = {"expires", "signature", "key-pair-id", "policy", "token", "access_token", "auth"}
_OTHERS |= {"awsaccesskeyid", "googleaccessid", "api_key", "apikey", "key"}
_PREFIXES = ("x-amz-", "x-goog-", "x-oss-")


def store_name(address: str) -> str:
    """A digest that names a file whoever signed its address, and whenever."""
    query = [
        (name, value)
        for name, value in parse_qsl(urlsplit(address).query, keep_blank_values=True)
        if name.lower() not in _AZURE | _OTHERS and not name.lower().startswith(_PREFIXES)
    ]
    text = without_query(address) + ("?" + urlencode(sorted(query)) if query else "")
    return hashlib.sha256(text.encode()).hexdigest()[:40]


@dataclass
class SigningService:
    """Asks a service for signed addresses: GET `<endpoint>?href=<address>` answers {"href": …}.

    Parameters
    ----------
    endpoint : str
        Address of the service.
    keep_s : float
        How long a signed address is used before a new one is asked for.
    """

    endpoint: str
    keep_s: float = 1200.0
    _kept: dict[str, tuple[float, str]] = field(default_factory=dict, repr=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)

    def __call__(self, address: str, afresh: bool) -> str:
        """The signed address.

        Raises
        ------
        urllib3.exceptions.HTTPError, ValueError
            If the service does not answer, or not with an address.
        """
        unsigned = without_query(address)
        with self._lock:
            until, signed = self._kept.get(unsigned, (0.0, ""))
        if not afresh and time.monotonic() < until:
            return signed
        answer = urllib3.request("GET", self.endpoint, fields={"href": unsigned}, timeout=30.0)
        if answer.status != 200:
            raise ValueError(f"the signing service answers {answer.status}")
        found = answer.json()
        signed = str(found.get("href", "")) if isinstance(found, dict) else ""
        if urlsplit(signed).hostname != urlsplit(unsigned).hostname:
            raise ValueError("the signing service answers with another server's address")
        with self._lock:
            self._kept[unsigned] = (time.monotonic() + self.keep_s, signed)
        return signed
