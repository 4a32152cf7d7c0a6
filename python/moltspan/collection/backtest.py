"""How good the forecasts would have been on the user's own records: `backtest`, `Backtest`."""

import math

from moltspan import _core
from moltspan._frames import frames
from moltspan.collection.fit import collection_options
from moltspan._frames.result import Health, Result

LEVELS = tuple(_core.BACKTEST_LEVELS)
RULES = tuple(_core.PLAIN_RULES)


def backtest(collection, origins=8, as_of=None, **options):
    """Forecasts from several past days with what was known then, scored by what was written down later.

    `origins`: how many days, evenly spread over the records from the fifth closed stadium on, or the days themselves. `as_of`:
    the last day used at all. Further options are those of `fit` (`watched`, `family`, `method`, `priors`, `truncation`, `threads`).

    Compared with the plain rules that people use: the last stadium again, the animal's own mean, the mean of its taxon, the last stadium x
    1.25. A rule names one day, so like is compared with like: how many days off it is, against how many the median of the forecast is,
    differences paired, with standard errors clustered by animal. The whole of the forecast is scored as well (continuous ranked
    probability score, in days), beside that of kin as a distribution: log-normal with the mean and sd of the log lengths of closed stadia of the
    same kind and stated instar (of the kind where these are fewer than three), given the age reached. `by` tells coverage, medians and scores
    by instar, month of the forecast and kind; `health` is "bad" where bands or medians are more than three clustered standard errors off, or
    lie unevenly by these. An animal without a row in the journal by a day is not forecast from it. Where a molt is known to a range
    of days only, a band covers the share of the range's predictive mass that lies inside it; an animal whose next molt was never seen
    counts with the open range after its watch.
    """
    if as_of is None and collection.as_of is None:
        raise ValueError("backtest: no dated record of an animal without a fault yet: write a row into the journal first")
    settings = _core.BacktestOptions()
    settings.fit, asked = collection_options(as_of=as_of, collection=collection, **options)
    if isinstance(origins, int):
        settings.n_origins = origins
    else:
        settings.origins = [frames.day_number(day) for day in origins]
    return Backtest(collection, _core.backtest(collection._core_collection, settings), asked)


class Backtest(Result):
    """What a backtest found; nothing in it can be changed."""

    _title = "Backtest"

    def __init__(self, collection, core, asked):
        super().__init__(collection=collection, _core=core, asked=asked)

    @property
    def origins(self):
        """The days forecast from."""
        return [frames.day_of(day) for day in self._core.origins]

    @property
    def health(self):
        """Whether the history is long enough to tell anything, and what it does not tell."""
        return Health.of(self._core.health)

    @property
    def cases(self):
        """A row a forecast: animal, origin, truth (days from the origin's beginning), bands, share covered, PIT, scores, rules."""
        rows = [_case_row(case) for case in self._core.cases]
        names = list(rows[0]) if rows else ["animal"]
        return frames.frame_of({name: [row[name] for row in rows] for name in names}, self.collection._kind)

    @property
    def coverage(self):
        """Share of the truth inside each band, in percent, with its clustered standard error."""
        rows = [(level * 100, mean.mean * 100, mean.clustered_standard_error * 100)
                for level, mean in zip(LEVELS, self._core.coverage, strict=True)]
        return frames.frame_of(dict(zip(("band_percent", "covered_percent", "standard_error"), map(list, zip(*rows, strict=True)), strict=True)),
                               self.collection._kind)

    @property
    def comparisons(self):
        """A row a plain rule: cases, mean days that the forecast's median and the rule are off, what the forecast gains in days and percent."""
        names = ("rule", "cases", "animals", "forecast_days", "rule_days", "gain_days", "gain_days_error", "gain_percent", "gain_percent_error")
        rows = [(c.rule, c.rule_days.n, c.rule_days.n_clusters, c.forecast_days.mean, c.rule_days.mean, c.gain_days.mean,
                 c.gain_days.clustered_standard_error, 100 * c.gain_share, 100 * c.gain_share_error) for c in self._core.comparisons]
        return frames.frame_of({name: [row[i] for row in rows] for i, name in enumerate(names)}, self.collection._kind)

    def by(self, factor):
        """A row a class of `factor`: "instar" (as stated), "month" (of the forecast) or "kind".

        Forecasts, animals, share inside each band and before the median in percent with clustered standard errors, `score_days` (CRPS), and
        that of kin as a distribution where it has an answer. ValueError for another factor.
        """
        if factor not in FACTORS:
            raise ValueError(f"by: factor={factor!r}; give one of {', '.join(FACTORS)}")
        rows = self._class_rows(factor)
        names = list(rows[0]) if rows else [factor]
        return frames.frame_of({name: [row[name] for row in rows] for name in names}, self.collection._kind)

    def _class_rows(self, factor):
        return [_class_row(factor, found) for found in self._core.by(getattr(_core.BacktestFactor, factor))]

    def document(self):
        """All of it as a dict ready for JSON; None = unknown. `score_days`: of the whole distribution (CRPS); all other days are absolute errors:
        `off_days` and `forecast_days` of the forecast's median, `rule_days` of a rule, `gain_days` their difference.
        """
        core = self._core
        return {"origins": [day.isoformat() for day in self.origins], "forecasts": len(core.cases), "molt_seen": core.n_seen,
                "coverage": [{"level": level, **_mean(mean)} for level, mean in zip(LEVELS, core.coverage, strict=True)],
                "below_median": _mean(core.below_median), "score_days": _mean(core.crps_days), "off_days": _mean(core.off_days),
                "kin": _kin(core.kin), "by": {factor: [_known(row) for row in self._class_rows(factor)] for factor in FACTORS},
                "rules": [{"rule": c.rule, "forecast_days": _mean(c.forecast_days), "rule_days": _mean(c.rule_days),
                           "gain_days": _mean(c.gain_days), "gain_share": _number(c.gain_share),
                           "gain_share_error": _number(c.gain_share_error)} for c in core.comparisons],
                "health": {"state": self.health.state, "notes": [text for _, _, text in self.health.notes]}}

    def methods_text(self):
        """A paragraph for a paper: days forecast from, model, scores, rules, health and versions."""
        from moltspan.text.methods import backtest_text

        return backtest_text(self)

    def _facts(self):
        core, days = self._core, self.origins
        return [("forecasts", f"{len(core.cases)} from {len(days)} days, {days[0]} to {days[-1]}; the molt was seen later for {core.n_seen}"),
                ("inside the bands", "; ".join(f"{level * 100:g} % band: {_percent(mean)}"
                                               for level, mean in zip(LEVELS, core.coverage, strict=True))),
                ("before the median", _percent(core.below_median)),
                ("score", f"{core.crps_days.mean:.1f} days for the whole forecast (CRPS); its median is {core.off_days.mean:.1f} days off"
                 if core.crps_days.n else "-"), *_kin_fact(core.kin), *self._classes_off(), ("watched", self.asked["watched"]), ("health", str(self.health))]

    def _classes_off(self):
        """Lines on classes whose medians or bands lie off."""
        lines = []
        for factor in FACTORS:
            told = [found.calibration for found in self._core.by(getattr(_core.BacktestFactor, factor))]
            off = [c for c in told if c.below_median.n >= LEAST_TOLD and max(abs(c.place), abs(c.spread)) > OFF_ERRORS]
            if off:
                lines.append((f"off by {factor}", "; ".join(f"{c.label}: 80 % band {_percent(c.held[1])}, before the median "
                                                            f"{_percent(c.below_median)} of {c.below_median.n}" for c in off)))
        return lines

    def _table(self):
        return HEAD, [(c.rule, c.rule_days.n, f"{c.rule_days.mean:.1f}", f"{c.forecast_days.mean:.1f}",
                       f"{c.gain_days.mean:+.1f} ({c.gain_days.clustered_standard_error:.1f})",
                       f"{100 * c.gain_share:+.0f} % ({100 * c.gain_share_error:.0f})") for c in self._core.comparisons]

    def _numbers(self):
        return frames.columns_of(self.comparisons)


HEAD = ("plain rule", "cases", "rule off by, days", "forecast off by, days", "gained, days (s.e.)", "gained (s.e.)")


FACTORS = ("instar", "month", "kind")
OFF_ERRORS, LEAST_TOLD = 3, 8  # standard errors, and forecasts, from which a class is told


def _class_row(factor, found):
    told = found.calibration
    row = {factor: told.label, "forecasts": told.below_median.n, "animals": told.below_median.n_clusters}
    for level, mean in zip(LEVELS, told.held, strict=True):
        row |= {f"covered_{level * 100:g}": 100 * mean.mean, f"covered_{level * 100:g}_error": 100 * mean.clustered_standard_error}
    row |= {"below_median": 100 * told.below_median.mean, "below_median_error": 100 * told.below_median.clustered_standard_error}
    return row | {"score_days": found.crps_days.mean, "kin_score_days": found.kin_crps_days.mean if found.kin_crps_days.n else math.nan}


def _known(row):
    return {name: _number(value) if isinstance(value, float) else value for name, value in row.items()}


def _kin(kin):
    return {"score_days": _mean(kin.kin_crps_days), "forecast_score_days": _mean(kin.forecast_crps_days), "gain_days": _mean(kin.gain_days),
            "gain_share": _number(kin.gain_share), "gain_share_error": _number(kin.gain_share_error),
            "coverage": [{"level": level, **_mean(mean)} for level, mean in zip(LEVELS, kin.kin_coverage, strict=True)]}


def _kin_fact(kin):
    if kin.kin_crps_days.n == 0:
        return []
    return [("kin of the same instar", f"as a distribution {kin.kin_crps_days.mean:.1f} days (CRPS), the forecast {kin.forecast_crps_days.mean:.1f} on "
             f"the same {kin.kin_crps_days.n}: {100 * kin.gain_share:+.0f} % ({100 * kin.gain_share_error:.0f}) gained; its 80 % band held "
             f"{_percent(kin.kin_coverage[1])}")]


def _percent(mean):
    error = mean.clustered_standard_error
    return "-" if mean.n == 0 else f"{100 * mean.mean:.1f} %" + (f" ({100 * error:.1f})" if math.isfinite(error) else "")


def _number(value):
    return value if math.isfinite(value) else None


def _mean(mean):
    return {"mean": _number(mean.mean) if mean.n else None, "standard_error": _number(mean.clustered_standard_error) if mean.n else None,
            "cases": mean.n, "animals": mean.n_clusters}


def _case_row(case):
    row = {"animal": case.id, "taxon": case.taxon, "origin": frames.day_of(case.origin), "own_stadia": case.own_stadia, "seen": case.seen,
           "low_days": case.low_days, "high_days": case.high_days if case.seen else math.nan, "median_days": case.median_days}
    for level, low, high, share in zip(LEVELS, case.from_days, case.to_days, case.covered, strict=True):
        row |= {f"from_{level * 100:g}": low, f"to_{level * 100:g}": high, f"covered_{level * 100:g}": share}
    row |= {"pit_low": case.pit[0], "pit_high": case.pit[1], "crps_days": case.crps_days, "log_score": case.log_score,
            "off_days": case.off_days}
    return row | {f"off_days, {rule}": value for rule, value in zip(RULES, case.rule_off_days, strict=True)}
