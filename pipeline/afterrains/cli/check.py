"""`afterrains check`: every problem in the inputs at once."""

from __future__ import annotations

import typer

from afterrains.cli.terminal import (
    Json,
    ProgrammeFile,
    out,
    print_findings,
    print_json,
)

__all__ = ["check"]


def check(programme: ProgrammeFile, as_json: Json = False) -> None:
    """Tell every problem in the inputs at once, with file, row and mend."""
    from afterrains.stages.prepare import check_programme

    findings = check_programme(programme)
    errors = sum(finding.severity == "error" for finding in findings)
    if as_json:
        print_json({"errors": errors, "findings": [finding.as_dict() for finding in findings]})
    else:
        print_findings(findings)
        out.print(
            f"{errors} errors, {len(findings) - errors} warnings"
            + ("" if errors else "; the programme can run")
        )
    raise typer.Exit(2 if errors else 0)
