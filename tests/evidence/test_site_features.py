"""What is compared before sowing, and how much of it is noise."""

import numpy as np
import pytest

from afterrains.evidence.features import site_features, slopes
from afterrains.evidence.panel import SeasonTable

SITES, SEASONS = 400, 12


def seasons_of(values):
    """A table of dry seasons with the given values, shape (sites, seasons)."""
    count = values.shape[1]
    days = np.array([f"{2000 + n}-02-01" for n in range(count)], "datetime64[D]")
    names = tuple(f"{1999 + n}-dry" for n in range(count))
    return SeasonTable(names, days, values, np.ones(values.shape))


def wandering(rng, correlation, shape=(SITES, SEASONS)):
    """First-order autoregressive noise of variance 1, begun in its stationary state."""
    values = rng.normal(size=shape)
    for place in range(1, shape[1]):
        values[:, place] *= np.sqrt(1 - correlation**2)
        values[:, place] += correlation * values[:, place - 1]
    return values


def noise_of(values, name):
    """The noise variance that is told of a feature."""
    nothing = seasons_of(np.full(values.shape, np.nan))
    told = site_features(seasons_of(values), nothing, np.arange(len(values) // 2))
    return told.noise_variance[told.names.index(name)]


@pytest.mark.parametrize("correlation", [0.0, 0.4, 0.7])
@pytest.mark.parametrize("name", ["dry level", "dry trend", "dry response"])
def test_noise_of_a_feature_is_how_much_it_varies_between_like_sites(rng, correlation, name):
    """The truth is the spread of the feature itself over 400 sites that differ in noise alone.

    Good and bad seasons, which all share, stand beside; the spread of 400 values is known to 7 %
    (its standard error), the correlation is read off a grid a tenth wide.
    """
    good = rng.normal(0, 3, SEASONS)
    noise = wandering(rng, correlation)
    regressor = {"dry trend": np.arange(float(SEASONS)), "dry response": good}.get(name)
    found = noise.mean(axis=1) if regressor is None else slopes(noise, regressor)
    assert noise_of(noise + good, name) == pytest.approx(np.var(found), rel=0.25)


def test_wandering_taken_for_white_would_hide_most_of_its_noise(rng):
    """By hand: twelve seasons of white noise of variance 1 give a slope a variance of 1 / 143."""
    noise = wandering(rng, 0.7)
    assert noise_of(noise, "dry trend") > 2 / 143


def test_trends_that_last_are_no_noise(rng):
    """Sites with trends of their own, twice the noise a decade: the noise stays what it was."""
    noise = wandering(rng, 0.4)
    own = rng.normal(0, 0.2, size=(SITES, 1)) * np.arange(SEASONS)
    told = noise_of(noise + own, "dry trend")
    assert told == pytest.approx(noise_of(noise, "dry trend"), rel=0.05)


def test_missing_seasons_leave_the_noise_about_as_it_was(rng):
    """A fifth of the values left out at random."""
    noise = wandering(rng, 0.5)
    whole = noise_of(noise, "dry trend")
    gaps = np.where(rng.random(noise.shape) < 0.2, np.nan, noise)
    assert noise_of(gaps, "dry trend") == pytest.approx(whole, rel=0.3)


@pytest.mark.parametrize("seasons", [1, 2, 3, 4, 5])
def test_few_seasons_tell_of_levels_alone(rng, seasons):
    """Four seasons are the fewest for a slope; nothing is divided by zero."""
    values = rng.normal(size=(6, seasons))
    nothing = seasons_of(np.full(values.shape, np.nan))
    told = site_features(seasons_of(values), nothing, np.arange(3))
    expected = ("dry level",) if seasons < 4 else ("dry level", "dry response", "dry trend")
    assert told.names == expected
    assert np.isfinite(told.noise_variance).all()
    assert (told.noise_variance >= 0).all()
