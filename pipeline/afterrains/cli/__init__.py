"""The commands. Each parses, calls one function, prints, and returns an exit status.

0 done; 1 done, but data that should have been there could not be read; 2 the inputs are wrong;
3 a service failed and the run can be resumed (contract section 5).

One module a command; each loads what it needs inside, so that `--help` need not wait.
"""

from __future__ import annotations

import sys

import typer
from rich.text import Text

from afterrains.cli.check import check
from afterrains.cli.compare import compare
from afterrains.cli.estimate import estimate
from afterrains.cli.outlook import outlook
from afterrains.cli.report import report
from afterrains.cli.returns import returns
from afterrains.cli.run import run
from afterrains.cli.sample import sample
from afterrains.cli.share import share
from afterrains.cli.terminal import err, print_findings
from afterrains.cli.train import train
from afterrains.cli.visits import visits
from afterrains.errors import AfterrainsError, InputError

__all__ = ["app", "main"]

app = typer.Typer(
    name="afterrains",
    help="Which sown dryland sites regenerate beyond comparable unsown ground, and how surely.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

_COMMANDS = (
    check, estimate, run, train, outlook, visits, returns, report, compare, share, sample,
)  # fmt: skip
for _command in _COMMANDS:
    app.command()(_command)


def main() -> None:
    """Run the command line; a problem the user can mend is printed, never a traceback."""
    try:
        app()
    except InputError as error:
        print_findings(error.findings)
        sys.exit(error.exit_status)
    except AfterrainsError as error:
        err.print(Text(str(error), style="bold"))
        sys.exit(error.exit_status)
    except KeyboardInterrupt:
        err.print("stopped; what is done is kept, and the same command goes on from here")
        sys.exit(130)
