"""What can go wrong that a user can mend, and how it is told.

AfterrainsError
├── InputError          the programme's own files are wrong (exit status 2); carries every finding
├── ServiceError        a catalogue, server or disk failed; the run can be resumed (exit status 3)
└── OutputError         an output folder is missing, foreign or locked (exit status 2)

A wrong argument between our own functions is a `ValueError` or `TypeError`. Everything here
reaches the user as a sentence that says what, where and how to mend it; a bug keeps its traceback.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Literal

__all__ = ["AfterrainsError", "Finding", "InputError", "OutputError", "ServiceError"]


@dataclass(frozen=True, order=True)
class Finding:
    """One problem in an input, with its place and its mend.

    `severity` is "error" when a run would fail or mislead, "warning" when it can go on. `code` is
    a short stable slug (e.g. "sowing-unknown-site") for tests and machines; `where` is the row, key
    or feature as a user would look it up ("row 7", "scenes.start", "feature 3 (site_id 'north')").
    """

    severity: Literal["error", "warning"]
    file: str
    where: str
    what: str
    mend: str
    code: str

    def __str__(self) -> str:
        place = f"{self.file}: {self.where}" if self.where else self.file
        return f"{place}: {self.what}; {self.mend}"

    def as_dict(self) -> dict[str, str]:
        """The finding as plain text fields, for `--json`."""
        return asdict(self)


class AfterrainsError(Exception):
    """A problem that the user can mend; `exit_status` is the command's (contract section 5)."""

    exit_status = 2


class InputError(AfterrainsError):
    """The inputs are wrong; `findings` holds every problem found, not only the first."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings: tuple[Finding, ...] = tuple(findings)
        super().__init__("\n".join(str(finding) for finding in self.findings))


class ServiceError(AfterrainsError):
    """A service failed after its retries; what was done is kept and the run can be resumed."""

    exit_status = 3


class OutputError(AfterrainsError):
    """The output folder cannot be used as asked."""
