"""One outcome (dry-season value or rains flush) of a programme, ready to be judged at any season.

Holds what does not change from season to season of judging: matches, noise factors, growth curves.
`at` gives the gains of all sown sites as they could be known at one season.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from afterrains.evidence.as_of import AsOf, seasons_since
from afterrains.evidence.before_sowing import newest_departure, shown_before
from afterrains.evidence.common_drift import CommonDrift
from afterrains.evidence.contrast_gls import SiteGains, estimate_gains, rain_told
from afterrains.evidence.control_gaps import FEWEST_TRUSTED, gaps_to_others, trusted
from afterrains.evidence.gap_noise import (
    gap_residuals,
    rain_part,
    standard_errors,
    without_gain,
)
from afterrains.evidence.gap_series import GapModel, GapSeries
from afterrains.evidence.gaps import site_levels, weighted_seasons
from afterrains.evidence.growth import GrowthCurve, ramp
from afterrains.evidence.growth_shown import step_shares
from afterrains.evidence.learning import (
    Noise,
    Residuals,
    learn_noise,
    odd_sown,
    tail_df,
)
from afterrains.evidence.matching import Match
from afterrains.evidence.panel import Panel, SeasonTable
from afterrains.evidence.rain_gap import RainGap, SiteRain
from afterrains.evidence.structures import DRIFT_SPAN

__all__ = ["Ground"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

_LEARNING_SITES = 400
"""Controls, and sown sites, from which the noise is learned; more add time and no knowledge."""
_WORTH_A_SECOND_LOOK = 0.025


class Ground:
    """Sown sites and controls of one outcome.

    Parameters
    ----------
    table : SeasonTable
        Values of all sites of the panel.
    panel : Panel
    match : Match
        Of the sown sites, in the order of `sown`.
    sown, controls : array of int
        Rows of the panel.
    growth : GrowthCurve
        How a gain of this outcome is expected to grow, in seasons of this kind.
    horizon : int
        Seasons to look ahead.
    """

    def __init__(
        self,
        table: SeasonTable,
        panel: Panel,
        match: Match,
        sown: Ints,
        controls: Ints,
        growth: GrowthCurve,
        horizon: int,
    ) -> None:
        self.table, self.match, self.sown, self.controls = table, match, sown, controls
        self.growth, self.horizon = growth, horizon
        self.since = seasons_since(table, panel.sown_on[sown])
        self.row_of = np.full(panel.site_ids.size, 0, dtype=np.intp)
        self.row_of[controls] = np.arange(controls.size)
        step = max(1, -(-controls.size // _LEARNING_SITES))
        self.learners = np.arange(0, controls.size, step)
        self.control_values = table.values[controls]
        self.sown_values = table.values[sown]
        self.rain = None if table.rain is None else SiteRain(table.rain[sown], table.rain[controls])
        # Half of a value's variance is taken to be the ground's own, the same in every season.
        self.precision = 1 / (0.5 + 0.5 * table.variance[controls])
        seen = np.isfinite(self.sown_values)
        if controls.size:
            some, _ = weighted_seasons(
                self.control_values, match, self.row_of, np.ones(self.control_values.shape)
            )
            seen &= np.isfinite(some)
        self.sown_model = GapModel.of(table.variance[sown], seen)
        learners = controls[self.learners]
        self.control_model = GapModel.of(
            table.variance[learners], np.isfinite(table.values[learners])
        )

    def at(self, last: int) -> AsOf | None:
        """Judge with the first `last` seasons; None where no site was sown by then."""
        rows = np.flatnonzero(self.since[:, last - 1] > 0) if last > 0 else np.empty(0, int)
        if rows.size == 0 or self.controls.size < 2:
            return None
        odd, trust, departures, controls, of_controls = self._controls_at(last)
        match = Match(
            self.match.controls[rows],
            self.match.weights[rows],
            self.match.balance[rows],
            (),
            np.empty((rows.size, 0)),
        )
        season, spread = weighted_seasons(departures, match, self.row_of, trust)
        since = self.since[rows, :last]
        series = GapSeries(
            self.sown_values[rows, :last] - season,
            controls.season,
            (since > 0).astype(float),
            ramp(since.astype(float), self.growth),
            since == 0,
            spread,
            self._rain_of(rows, departures, match, trust),
        )
        seen = self.sown_model.seen[rows, :last] & np.isfinite(series.gap)
        model = self.sown_model.take(rows, seen)
        noise = learn_noise(of_controls, self._of_sown(model, series, controls.gap[~odd]))
        slope, slope_se, slope_p, believed = shown_before(model, series, noise)
        drift = believed if believed.is_hinted(noise.weight) else None
        now_seen = model.seen[:, -1]
        shares = step_shares(model, series, noise)
        gains = estimate_gains(model, series, noise, tail_df(controls.gap[~odd]), drift, shares)
        gains = SiteGains(
            *(np.where(now_seen, getattr(gains, name), np.nan) for name in gains.__annotations__)
        )
        weakest = self._left_out(
            rows, model, series, match, departures, trust, noise, gains, drift, shares
        )
        trusted = ~odd[self.row_of[match.controls]]
        rain_apart, rain_moved = rain_told(model, series, noise, gains, drift)
        own = series.gap - rain_part(model, series)
        return AsOf(
            rows=rows,
            gains=gains,
            controls_used=((match.weights > 0) & trusted).sum(axis=1),
            trend=slope,
            trend_se=slope_se,
            trend_p=slope_p,
            before_seen=(model.seen & series.before).sum(axis=1),
            newest_departure=newest_departure(model.seen & series.before, own),
            errors=self._errors(noise, series, since),
            weakest_p=weakest[0],
            weakest_control=self.controls[weakest[1]],
            odd=odd,
            noise=noise,
            control_series=controls,
            rain_apart=rain_apart,
            rain_moved=rain_moved,
            largest_drift=believed.largest(noise.weight) / DRIFT_SPAN,
            drift_p=believed.p_upward(noise.weight),
        )

    def control_noise(self, last: int) -> tuple[Noise, GapSeries]:
        """The noise as the controls alone show it in the first `last` seasons, and their gaps."""
        _, _, _, series, of_controls = self._controls_at(last)
        none = Residuals(
            np.zeros((of_controls.squares.shape[0], 0)),
            np.zeros((of_controls.squares.shape[0], 0)),
            np.zeros(0),
            np.zeros(0),
        )
        return learn_noise(of_controls, none), series

    def _controls_at(self, last: int) -> tuple[Bools, Floats, Floats, GapSeries, Residuals]:
        """Odd controls, weights, departures, gaps and what they tell of the noise."""
        values = self.control_values[:, :last]
        odd, trust = trusted(values, self.precision[:, :last])
        departures = values - site_levels(values, trust)[:, None]
        controls = gaps_to_others(
            departures, trust, self.since.max(axis=0, initial=0)[:last], self.growth, self.rain
        )
        learned = GapSeries(
            controls.gap[self.learners],
            controls.season,
            controls.step[self.learners],
            controls.ramp[self.learners],
            controls.before[self.learners],
            controls.spread[self.learners],
            None if controls.rain is None else controls.rain.take(self.learners),
        )
        of_controls = gap_residuals(self.control_model, learned, gain=False)
        return odd, trust, departures, controls, _without(of_controls, odd[self.learners])

    def _rain_of(
        self, rows: Ints, departures: Floats, match: Match, trust: Floats
    ) -> RainGap | None:
        """Difference in rain between some sown sites and their controls."""
        if self.rain is None:
            return None
        return self.rain.of_sown(rows, departures, match, self.row_of, trust)

    def _left_out(
        self,
        rows: Ints,
        model: GapModel,
        series: GapSeries,
        match: Match,
        departures: Floats,
        trust: Floats,
        noise: Noise,
        gains: SiteGains,
        drift: CommonDrift | None,
        shares: Floats,
    ) -> tuple[Floats, Ints]:
        """p-value of what was found without the control that favours it most, and that control."""
        p, place = np.zeros(gains.gain.size), np.zeros(gains.gain.size, dtype=np.intp)
        some = np.minimum(gains.p_gain, gains.p_loss) <= _WORTH_A_SECOND_LOOK
        found = np.flatnonzero(np.nan_to_num(some, nan=False) & (match.used > FEWEST_TRUSTED))
        if found.size == 0:
            return p, place
        columns = self.row_of[match.controls[found]]
        rise = np.zeros(columns.shape)
        filled = np.nan_to_num(departures)
        for age in np.unique((series.step[found] > 0).sum(axis=1)):
            of = (series.step[found] > 0).sum(axis=1) == age
            change = filled[:, -age:].mean(axis=1) - filled[:, :-age].mean(axis=1)
            rise[of] = change[columns[of]]
        up = gains.p_gain[found] < gains.p_loss[found]
        middle = np.sum(match.weights[found] * rise, axis=1, keepdims=True)
        for_it = match.weights[found] * (rise - middle) * np.where(up, -1.0, 1.0)[:, None]
        for_it = np.where(trust[columns].any(axis=2), for_it, -np.inf)
        chosen = np.argmax(for_it, axis=1)
        weights = match.weights[found].copy()
        weights[np.arange(found.size), chosen] = 0.0
        less = Match(match.controls[found], weights, match.balance[found], (), match.differences)
        season, spread = weighted_seasons(departures, less, self.row_of, trust)
        own = series.gap[found] + self._season_of(departures, match, trust, found)
        again = GapSeries(
            own - season,
            series.season,
            series.step[found],
            series.ramp[found],
            series.before[found],
            spread,
            self._rain_of(rows[found], departures, less, trust),
        )
        seen = model.seen[found] & np.isfinite(again.gap)
        part = model.take(found, seen)
        second = estimate_gains(part, again, noise, drift=drift, shares=shares[found])
        p[found] = np.nan_to_num(np.where(up, second.p_gain, second.p_loss), nan=1.0)
        place[found] = columns[np.arange(found.size), chosen]
        return p, place

    def _season_of(self, departures: Floats, match: Match, trust: Floats, rows: Ints) -> Floats:
        """Season effects of some targets as first compared."""
        part = Match(
            match.controls[rows], match.weights[rows], match.balance[rows], (), match.differences
        )
        return weighted_seasons(departures, part, self.row_of, trust)[0]

    def _of_sown(self, model: GapModel, series: GapSeries, controls: Floats) -> Residuals:
        """What the sown sites tell of the noise; those that burnt or were cleared do not."""
        some = slice(None, None, max(1, -(-series.gap.shape[0] // _LEARNING_SITES)))
        few = model.take(some)
        part = GapSeries(
            series.gap[some],
            series.season,
            series.step[some],
            series.ramp[some],
            series.before[some],
            series.spread[some],
            None if series.rain is None else series.rain.take(some),
        )
        residuals = gap_residuals(few, part, gain=True)
        return _without(residuals, odd_sown(without_gain(few, part), controls))

    def _errors(self, noise: Noise, series: GapSeries, since: Ints) -> dict[int, Floats]:
        """Standard errors of the full gain at each look, by seasons since sowing."""
        last = since.shape[1]
        out = {}
        for age in np.unique(since[:, -1]):
            counted = np.arange(1, last + self.horizon + 1) - (last - int(age))
            later = np.maximum(counted, 0).astype(float)
            curve, step = ramp(later, self.growth), (later > 0).astype(float)
            out[int(age)] = standard_errors(noise, series.season, step, curve, last - int(age))
        return out


def _without(group: Residuals, odd: Bools) -> Residuals:
    return Residuals(
        group.squares[:, ~odd], group.log_determinant[:, ~odd], group.df[~odd], group.spread[~odd]
    )
