"""`python -m afterrains.cli`, where no script is on the path."""

from afterrains.cli import main

main()
