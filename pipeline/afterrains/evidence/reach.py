"""What could be seen at all: smallest effects, from the non-central t distribution."""

from __future__ import annotations

import numpy as np
import scipy

__all__ = ["detectable_effect", "effect_multiplier", "smallest_trend_p"]


def effect_multiplier(df: float, alpha: float = 0.05, power: float = 0.8) -> float:
    """Smallest detectable effect of a two-sided t-test, in standard errors.

    Parameters
    ----------
    df : float
        Degrees of freedom; infinity gives the normal value, 2.802 at the defaults.
    alpha, power : float
        Two-sided level and wanted power.

    Returns
    -------
    float

    References
    ----------
    Bloom, H. S. (1995). Minimum detectable effects. Eval. Rev. 19, 547-556.
    doi:10.1177/0193841X9501900504 (here by the exact non-central t).
    """
    if not 0 < alpha < 1 or not 0 < power < 1:
        raise ValueError(f"alpha {alpha} and power {power} must lie between 0 and 1")
    if np.isinf(df):
        return float(scipy.stats.norm.isf(alpha / 2) + scipy.stats.norm.ppf(power))
    critical = scipy.stats.t.isf(alpha / 2, df)

    def missing(effect: float) -> float:
        # The far tail underflows to NaN for large effects; it is nothing there.
        wrong_side = np.nan_to_num(scipy.stats.nct.cdf(-critical, df, effect))
        seen = scipy.stats.nct.sf(critical, df, effect) + wrong_side
        return float(seen - power)

    return float(scipy.optimize.brentq(missing, 0.0, 3 * critical + 5))


def detectable_effect(
    controls: int, sown: int = 1, alpha: float = 0.05, power: float = 0.8
) -> float:
    """Smallest mean gain that can be seen, in standard deviations of between-site change.

    Parameters
    ----------
    controls, sown : int
        Sites of each kind; one sown site against `controls` has `controls - 1` degrees of freedom.
    alpha, power : float
        Two-sided level and wanted power.

    Returns
    -------
    float
    """
    if controls < 2 or sown < 1:
        raise ValueError(f"{sown} sown and {controls} controls: at least 1 and 2 are needed")
    df = controls + sown - 2
    return effect_multiplier(df, alpha, power) * float(np.sqrt(1 / sown + 1 / controls))


def smallest_trend_p(seasons: int) -> float:
    """Smallest two-sided exact p-value of a Mann-Kendall trend test on `seasons` distinct values.

    2 / n!, so that fewer than five seasons can never reach .05: one reason why no trend test
    carries a verdict here.
    """
    if seasons < 2:
        raise ValueError(f"{seasons} season(s); a trend needs at least 2")
    return float(2 / scipy.special.factorial(seasons))
