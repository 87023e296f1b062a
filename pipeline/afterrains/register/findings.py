"""Collecting what is wrong with one file, without drowning its reader."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Literal

from afterrains.errors import Finding

__all__ = ["FindingList", "counted", "first_few", "has_errors"]

_SHOWN_OF_ONE_KIND = 20


def has_errors(findings: Iterable[Finding]) -> bool:
    """Whether any finding would make a run fail."""
    return any(finding.severity == "error" for finding in findings)


def counted(count: int, noun: str) -> str:
    """`1 sown site`, `3 sown sites`."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def first_few(names: Iterable[object], shown: int = 5) -> str:
    """`'a', 'b', 'c' and 4 more`, for messages that name many sites."""
    listed = [repr(str(name)) for name in names]
    more = len(listed) - shown
    return ", ".join(listed[:shown]) + (f" and {more} more" if more > 0 else "")


class FindingList:
    """The findings of one file in the order they were met.

    A table exported wrongly is wrong in every row, so of one code only the first 20 are told one by
    one; the rest are counted in a last finding of the same severity and code.
    """

    def __init__(self, file: str) -> None:
        self.file = file
        self._told: list[Finding] = []
        self._counts: Counter[tuple[Literal["error", "warning"], str]] = Counter()

    def error(self, where: str, what: str, mend: str, code: str) -> None:
        """Add a problem that would make a run fail or mislead."""
        self._add(Finding("error", self.file, where, what, mend, code))

    def warning(self, where: str, what: str, mend: str, code: str) -> None:
        """Add a problem that a run can go on with."""
        self._add(Finding("warning", self.file, where, what, mend, code))

    def extend(self, findings: Iterable[Finding]) -> None:
        """Add findings made elsewhere, about this or another file, as they are."""
        self._told.extend(findings)

    def _add(self, finding: Finding) -> None:
        kind = (finding.severity, finding.code)
        self._counts[kind] += 1
        if self._counts[kind] <= _SHOWN_OF_ONE_KIND:
            self._told.append(finding)

    def all(self) -> list[Finding]:
        """Every finding told, and one more for each kind of which some were only counted."""
        more = [
            Finding(
                severity,
                self.file,
                "",
                f"has {count - _SHOWN_OF_ONE_KIND} more problems like the {_SHOWN_OF_ONE_KIND} "
                f"shown ({code})",
                "mend them the same way",
                code,
            )
            for (severity, code), count in self._counts.items()
            if count > _SHOWN_OF_ONE_KIND
        ]
        return self._told + more
