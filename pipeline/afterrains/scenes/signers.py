"""Which addresses are signed, and by whom: the profiles' `signing` as one function for a reader."""

from __future__ import annotations

from collections.abc import Iterable

from afterrains.scenes.profiles import Profile
from afterrains.scenes.signing import Sign, SigningService

__all__ = ["signer"]


def signer(profiles: Iterable[Profile]) -> Sign | None:
    """What signs the addresses of these profiles' files; None where all lie open.

    An address is shown to a service only where a profile names its server; all others are handed
    back as they are.
    """
    services = [
        (profile.signing, SigningService(profile.signing.service, profile.signing.keep_s))
        for profile in profiles
        if profile.signing is not None
    ]
    if not services:
        return None

    def sign(address: str, afresh: bool) -> str:
        for rule, service in services:
            if rule.signs(address):
                return service(address, afresh)
        return address

    return sign
