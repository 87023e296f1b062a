"""What the evidence tests share."""

import numpy as np
import pandas as pd
import pytest


@pytest.fixture
def rng():
    """The same random numbers every time."""
    return np.random.default_rng(20210701)


@pytest.fixture
def invented(rng):
    """A function that invents a panel: gain by site, flush by site, controls, seasons."""

    def build(gains, flush=None, controls=10, before=8, after=6, sd=1.0):
        seasons, sown = before + after, len(gains)
        names = [f"s{i:02d}" for i in range(sown)] + [f"c{i:02d}" for i in range(controls)]
        first = 2000 + before
        rows = []
        dry_season, rain_season = rng.normal(0, 3, size=(2, seasons))
        for number, name in enumerate(names):
            role = "sown" if number < sown else "control"
            level = rng.normal(20, 3)
            for place in range(seasons):
                year = 2000 + place
                grown = np.clip((year - first) / 3, 0, 1)
                rose = flush is not None and number < sown and year >= first
                rain = 0.4 + 0.02 * (rain_season[place] + rng.normal())
                dry = level + dry_season[place] + rng.normal(0, sd)
                if number < sown:
                    rain += flush[number] if rose else 0.0
                    dry += gains[number] * grown
                rows.append((name, role, f"{year}-rains", "rains", f"{year}-09-01", rain))
                rows.append((name, role, f"{year}-dry", "dry", f"{year + 1}-02-01", dry))
        panel = pd.DataFrame(rows, columns=["site_id", "role", "season", "kind", "time", "value"])
        sowing = pd.DataFrame({"site_id": names[:sown], "sown_on": f"{first}-07-01"})
        return panel, sowing

    return build
