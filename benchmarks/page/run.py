"""How long the page of 500 sown sites takes to build and to open in Chromium.

    python benchmarks/page/run.py [--repeats 3]

The programme is the made-up one of the tests: 500 sown and 100 control sites in 60 blocks over ten
years. Aim: under three seconds to open, under 15 MB.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tests" / "page"))

from fake_output import write_output

from afterrains.delivery.page import build

_SETTLED = "new Promise(done => requestAnimationFrame(() => setTimeout(done)))"
_SWITCHES = ("--no-sandbox", "--disable-gpu", "--disable-background-networking")


def main() -> None:
    """Build once, open a few times."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=3)
    repeats = parser.parse_args().repeats
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as browsers:
        output = write_output(Path(folder), sown=500, controls=100, blocks=60, hostile=False)
        began = time.perf_counter()
        page = build(output)
        print(f"built in {time.perf_counter() - began:.1f} s, {page.stat().st_size / 1e6:.1f} MB")
        chromium = browsers.chromium.launch(
            executable_path="/usr/bin/chromium", args=list(_SWITCHES)
        )
        took = []
        for _ in range(repeats):
            tab = chromium.new_page()
            began = time.perf_counter()
            tab.goto(page.as_uri())
            tab.evaluate(_SETTLED)
            took.append(time.perf_counter() - began)
            elements = tab.evaluate("document.querySelectorAll('*').length")
            tab.close()
        chromium.close()
        print(
            f"opened in {statistics.median(took):.1f} s (median of {repeats}), {elements} elements"
        )


if __name__ == "__main__":
    main()
