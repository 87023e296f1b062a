"""Write the page: `python -m afterrains.delivery.page FOLDER LANGUAGE`; see `apart`."""

import sys
from pathlib import Path

from afterrains.delivery.page.apart import TOLD
from afterrains.delivery.page.build import build
from afterrains.errors import OutputError


def main() -> None:
    """Write it; what cannot be written or read is told on the error stream, with status `TOLD`."""
    folder, language = sys.argv[1:]
    try:
        build(Path(folder), language)
    except OutputError as error:
        sys.stderr.write(f"{error}\n")
        sys.exit(TOLD)


if __name__ == "__main__":
    main()
