"""Scores of forecasts on the second simulator and on open data, beside plain rules that know the same records.

The library's forecast, the log-normal with the instar as a factor, the own mean and the taxon's mean are scored alike: a distribution is 100
quantiles (probabilities .005, .015, ..., .995) in days from the beginning of the origin, between which it is linear; a rule that names one
day is that day. The truth is a day, or a range of days whose middle counts for the CRPS; of an animal whose molt was never seen it is the
open range after its watch, at whose beginning forecast and truth are cut (as `include/moltspan/backtest.hpp` has it).
"""

from datetime import timedelta

import numpy as np
import pandas as pd
from others_lives import FIRST_DAY, next_molt
from scipy.stats import norm

import moltspan
from moltspan import _core

CHANCES = (np.arange(100) + 0.5) / 100
LEVELS = (0.5, 0.8, 0.95)
GRID = sorted({round(1 - 2 * p, 6) for p in CHANCES[:50]} | set(LEVELS))
ENOUGH = 3  # closed stadia of an instar among kin, for a law of its own
LEAST_LOG_SD = 0.05
FACTOR, OWN, TAXON = "instar as a factor", "own mean", "mean of the taxon"


def crps(quantiles, y):
    """Continuous ranked probability score: twice the mean quantile loss over the hundred levels."""
    error = y - np.asarray(quantiles)
    return float(2 * np.mean(np.where(error >= 0, CHANCES * error, (CHANCES - 1) * error)))


def mass_below(quantiles, day):
    """Predictive chance of a molt by `day`."""
    return float(np.interp(day, quantiles, CHANCES, left=0, right=1))


def covered(quantiles, level, low, high):
    """Share of the truth's predictive mass inside the band; 1 or 0 where the truth is a moment or has no mass."""
    edges = np.interp([(1 - level) / 2, (1 + level) / 2], CHANCES, quantiles)
    if high <= low:
        return float(edges[0] <= low <= edges[1])
    whole = mass_below(quantiles, high) - mass_below(quantiles, low)
    inside = mass_below(quantiles, min(high, edges[1])) - mass_below(quantiles, max(low, edges[0]))
    return max(0.0, inside) / whole if whole > 0 else 0.0


def scores_of(quantiles, low, high):
    """CRPS, share below the median and share inside each band, for the truth between `low` and `high` (infinite: never seen)."""
    y = (low + high) / 2 if np.isfinite(high) else low
    cut = quantiles if np.isfinite(high) else np.minimum(quantiles, low)
    pit = mass_below(quantiles, low), mass_below(quantiles, high) if np.isfinite(high) else 1.0
    below = float(np.clip((0.5 - pit[0]) / (pit[1] - pit[0]), 0, 1)) if pit[1] > pit[0] else float(pit[0] < 0.5)
    return {"crps": crps(cut, y), "below": below} | {f"in {level:.0%}": covered(quantiles, level, low, high) for level in LEVELS}


def quantiles_of(forecast):
    """The hundred quantiles of a forecast of the core made with the levels of GRID."""
    edges = {round((1 - band.level) / 2, 6): band.from_days for band in forecast.bands}
    edges |= {round((1 + band.level) / 2, 6): band.to_days for band in forecast.bands}
    return np.array([edges[round(p, 6)] for p in CHANCES])


def censored_normal(values, ended, steps=60):
    """Mean and sd by maximum likelihood of values of which some are only known to be larger (EM algorithm)."""
    mean, sd = values[ended].mean(), max(values[ended].std(), LEAST_LOG_SD)
    for _ in range(steps):
        z = (values - mean) / sd
        excess = np.exp(norm.logpdf(z) - norm.logsf(z))
        expected = np.where(ended, values, mean + sd * excess)
        spread = np.where(ended, 0, sd**2 * (1 + z * excess - excess**2))
        mean = expected.mean()
        sd = max(np.sqrt(((expected - mean) ** 2 + spread).mean()), LEAST_LOG_SD)
    return mean, sd


class Kin:
    """What the plain rules know on a day: stadia from their first day on, closed or not, and since when each animal is in its instar."""

    def __init__(self, collection, origin, watched):
        stadia = collection.stadia(as_of=origin, watched=watched)
        stadia = stadia[stadia.entry_days == 0]
        middle = (stadia.start_earliest + (stadia.start_latest - stadia.start_earliest) / 2 - pd.Timestamp(origin)) / pd.Timedelta(days=1) + 0.5
        self.running = stadia.assign(start=middle)[stadia.status == "running"].set_index("animal")
        ended = stadia.status == "closed"
        days = np.where(ended, (stadia.min_days + stadia.max_days) / 2, stadia.min_days)
        known = ~stadia.no_length_yet & ((stadia.molts_spanned == 1) | ~ended)
        self.stadia = stadia.assign(ended=ended, days=days, log=np.log(np.maximum(days, 0.5)))[known]
        self.closed = self.stadia[self.stadia.ended]
        self.laws = {}

    def law(self, animal):
        """Mean and sd of log length: of the instar among kin, else of the kind, else of all; None where nobody knows."""
        row = self.running.loc[animal]
        key = row.taxon, row.start_instar
        if key not in self.laws:
            kin = self.stadia[self.stadia.taxon == row.taxon]
            known = [part for part in (kin[kin.start_instar == row.start_instar], kin, self.stadia) if part.ended.sum() >= ENOUGH]
            self.laws[key] = censored_normal(known[0].log.to_numpy(), known[0].ended.to_numpy()) if known else None
        return self.laws[key]

    def factor(self, animal):
        """Quantiles of the log-normal, given that the animal has not molted by the end of the origin."""
        if animal not in self.running.index or (law := self.law(animal)) is None:
            return None
        mean, sd = law
        start = self.running.start[animal]
        left = norm.logsf((np.log(1 - start) - mean) / sd)
        # ppf of the survival that is left; far out in the tail the law has nothing to say but "tomorrow".
        z = norm.isf(np.exp(left) * (1 - CHANCES))
        return np.maximum(np.where(np.isfinite(z), np.exp(mean + sd * z) + start, 1.0), 1.0)

    def mean_rule(self, animal, lengths):
        """One day, as a hundred equal quantiles; a day that has passed is taken as tomorrow."""
        if animal not in self.running.index or not len(lengths):
            return None
        return np.full(100, max(1.0, self.running.start[animal] + lengths.mean()))

    def rules(self, animal, taxon):
        closed = self.closed
        return {FACTOR: self.factor(animal), OWN: self.mean_rule(animal, closed.days[closed.animal == animal]),
                TAXON: self.mean_rule(animal, closed.days[closed.taxon == taxon])}

    def instar(self, animal):
        return self.running.start_instar.get(animal, np.nan)


def beside(kin, animal, taxon, low, high):
    """Scores of the plain rules as columns `rule: score`; blank where a rule has no answer."""
    row = {}
    for rule, quantiles in kin.rules(animal, taxon).items():
        names = ("crps", "below", *(f"in {level:.0%}" for level in LEVELS)) if rule == FACTOR else ("crps",)
        scores = scores_of(quantiles, low, high) if quantiles is not None else dict.fromkeys(names, np.nan)
        row |= {f"{rule}: {name}": scores[name] for name in names}
    return row


def origin_cases(study, origin, options):
    """A row for each animal with a forecast from this day whose next molt there is, against the truth itself."""
    day = FIRST_DAY + timedelta(days=origin)
    fit = moltspan.fit(study.collection, as_of=day, watched=study.watched, threads=1, **options)
    kin, animals, rows = Kin(study.collection, day, study.watched), {animal.name: animal for animal in study.animals}, []
    for forecast in _core.forecast(fit._core, GRID):
        animal = animals[forecast.id]
        truth = next_molt(animal, origin) - origin
        if not forecast.quantile_days or not np.isfinite(truth) or not animal.from_day <= origin <= animal.until_day:
            continue
        true_instar = max((molt.instar for molt in animal.molts if molt.day < origin + 1), default=0)
        rows.append({"animal": animal.name, "taxon": animal.taxon, "origin": day.isoformat(), "month": day.month, "instar": true_instar,
                     "truth_days": truth, "health": fit.health.state, **scores_of(quantiles_of(forecast), truth, truth),
                     **beside(kin, animal.name, animal.taxon, truth, truth)})
    return rows


def study_cases(study, options=None):
    """All cases of a study; an origin from which no fit can be made is left out."""
    rows = []
    for origin in study.origins:
        try:
            rows += origin_cases(study, origin, options or {})
        except ValueError as trouble:
            print(f"origin {origin}: no forecast: {trouble}")
    return rows


def record_cases(collection, origins, watched, options=None):
    """The same for records without known truth: scores of `moltspan.backtest`, the plain rules on the very same cases."""
    found = moltspan.backtest(collection, origins=origins, watched=watched, threads=1, **(options or {})).cases
    rows = []
    for origin, part in found.groupby("origin"):
        day = pd.Timestamp(origin).date()
        kin = Kin(collection, day, watched)
        health = moltspan.fit(collection, as_of=day, watched=watched, threads=1, **(options or {})).health.state
        rows += [record_row(case, day, kin, health) for case in part.to_dict("records")]
    return rows


def record_row(case, day, kin, health):
    low, high = case["low_days"], case["high_days"] if case["seen"] else np.inf
    pit = case["pit_low"], case["pit_high"]
    below = float(np.clip((0.5 - pit[0]) / (pit[1] - pit[0]), 0, 1)) if pit[1] > pit[0] else float(pit[0] < 0.5)
    row = {"animal": case["animal"], "taxon": case["taxon"], "origin": day.isoformat(), "month": day.month, "instar": kin.instar(case["animal"]),
           "truth_days": low, "health": health, "crps": case["crps_days"], "below": below}
    row |= {f"in {level:.0%}": case[f"covered_{100 * level:g}"] for level in LEVELS}
    return row | beside(kin, case["animal"], case["taxon"], low, high)
