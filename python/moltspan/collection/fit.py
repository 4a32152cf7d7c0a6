"""The joint fit of a collection and its forecasts: `fit`, `CollectionFit`, `forecast_document`."""

import math

from moltspan import _core
from moltspan._frames import frames
from moltspan.stadia.intervals import FAMILIES, TRUNCATIONS, StadiaFit, choice, to_priors
from moltspan._frames.result import Health, Result
from moltspan.collection.verdict import verdict_document
from moltspan._frames.said import Said, said_of

LEVELS = (0.5, 0.8, 0.95)
HIDDEN_COLUMNS = ("animal", "molt_before", "molt_after", "chance", "hidden")
INSTAR_COLUMNS = ("taxon", "instar", "factor", "lower", "upper", "spread_factor", "closed_stadia")
SIGN_COLUMNS = ("sign", "closed", "shown", "absence_counts", "noted", "alarms_per_year", "lag_days_at_20_mm", "lag_log_sd", "lag_exponent")


def fit(collection, as_of=None, method="bayes", family="lognormal", priors=None, watched="all", truncation="renewal", threads=0,
        growth_model=True, hidden_molts=None, mix_families=True, instar_effect=True, spread_effect=True, clock=True, recalibrate=True,
        formula=None):
    """Fits all stadia of a collection up to `as_of` (default: the last day in the records; the clock is never read).

    Animals are nested in cohorts, taxa and genera; covariates are those that the records hold: `log_size` (start size),
    `kind_pace` (what the facts of its kind say of its stadia against tarantulas, `moltspan.kinds()`; its coefficient is 1 but for little, and
    where `priors` holds an `Intercept` there is none), `warmth_c` (mean temperature - 25 C), `male`, `near_adult_female`, `pace_slow`, `pace_fast`, `limb_lost`, `egg_sac`. `priors`
    overrides the defaults of shared/priors.toml by name. `watched="all"`: every animal is looked at every day; "rows": only as its rows
    say (advised for burrowers). Nothing dated after `as_of` is used. An empty collection raises ValueError.

    Lengths are days of a clock (method "bayes"; `clock=False`: of the calendar). It runs by the temperature rows of each animal, so that a warm and a
    cold part of a stadium count as what they are; in days to come the last temperatures stay, with the course of the year that at least
    nine months of rows tell, or what is left of it. A season of the rate that nobody measured is learned from all animals together: cosine and
    sine of the log rate, their prior next to none (sd .02) with a share of .7, else sd .2, averaged; below an amplitude of .02 there is none (`season`).
    Under a change of time log f(T) has the log rate at closed ends beside log f of clock days, which enters what is learned.

    Sizes at the start of stadia come from the growth model (`.growth`: ratios learned by kind and animal, rounded readings, several measures), and
    with them the leg span after the next molt, trajectories and the days on which boxes are outgrown. `growth_model=False`: a usual
    ratio of 1.30 a molt in its place, without a forecast of sizes, in less than half the time.

    Molts that are not in the records are part of the model (method "bayes"; `hidden_molts=False` leaves that out). With j of them unseen a gap
    is the sum of j + 1 stadia and its jump in size that of j + 1 molts, so that its likelihood is sum_j pi_j f_(j+1)(gap) h_(j+1)(jump),
    pi_j = (1 - p) p^j, p with a Beta prior (shared/priors.toml); f of a sum is log-normal with its mean and variance (Fenton 1960, IRE
    Transactions on Communications Systems 8:57). Each animal is weighed as a whole: its pace on a grid, numbers of hidden molts from gap to
    gap, sizes in all its measures, which grow alike. Sizes and growth then go by the mean number found. Stated instar numbers fix j.
    Gaps that may hide a molt are in `hidden_molts` and among the problems of the forecast; the chance of a molt missed since the last one on
    record is `chance_missed`, and the forecast counts it. Where a fit with them is not sound, the plain fit stands and `health` says
    so. At most two molts are looked for in a gap. With many missed molts such a fit takes up to ten times as long: beyond 1,000 stadia they
    are only looked for with `hidden_molts=True`, else `chance_missed` is blank.

    Instars may differ beyond what size tells: where the mean residuals by kind and instar bear it (2 or more in log evidence; `.instars`), stadia have
    an effect of the instar, a random walk from instar to instar, of all kinds and of each, with sds that are learned (`instar_sd`,
    `taxon_instar_sd`). Numbers are those that molts state, counted on between and after them, or from hatching in kinds of which nobody states
    any. An instar that nobody has seen yet has a band one step wider. The last one before the adult or the pupa takes longer by the facts of its
    kind (`last_instar`: log of that, times the chance that it is the last). `instar_effect=False`: size alone. Likewise kinds and instars may scatter unlike (`spread_effect`).

    `formula`: your own columns of the animals as covariates of the length, as `"treatment + (1|tub) + log_size:sex"`: words are factors, a product with
    one of the covariates above is a slope that differs, `(1|tub)` an effect of each tub drawn towards none, its sd learned as `tub_sd` (see
    moltspan.collection.own_covariates). Priors of their coefficients: normal, sd 1 (of a number: 1 per sd of the column).

    The predictive distribution of a current (censored) stadium mixes the three families as far as the records bear each out, that of `family` with a prior share of .6
    (shared/priors.toml); all have the mean and sd of log length that was fitted. Weights: `family_weights`, by the product of p(record | the
    others) (pseudo Bayes factor; Geisser and Eddy 1979, Journal of the American Statistical Association 74:153). With a family that is not that
    of the animals bands of the fitted one alone cover too much or too little by 4 points (benchmarks/README.md). `mix_families=False`: `family` alone, as
    under method "ml". Stadia after the next, and animals without a molt on record, go by `family` alone.

    Forecasts are made anew from four past days, roughly, and set beside what came: where that speaks for bands too narrow or too wide, or to
    one side, the predictive distribution of current stadia is changed (`recalibration`, and said in `health`); with a chance of .3 beforehand that there is
    anything to change (shared/priors.toml), so that a fit that tells its animals well is left as it is. `recalibrate=False` leaves it out.
    """
    options, asked = collection_options(as_of, method, family, priors, watched, truncation, threads, growth_model, hidden_molts,
                                        mix_families, instar_effect, spread_effect, clock, recalibrate, formula, collection)
    if as_of is None and collection.as_of is None:
        raise ValueError("no dated record of an animal without a fault yet: write a row into the journal first")
    return CollectionFit(collection, _core.fit_collection(collection._core_collection, options), asked, options)


def collection_options(as_of=None, method="bayes", family="lognormal", priors=None, watched="all", truncation="renewal", threads=0,
                       growth_model=True, hidden_molts=None, mix_families=True, instar_effect=True, spread_effect=True, clock=True,
                       recalibrate=True, formula=None, collection=None):
    """Options of a fit for the core, and what was asked in words."""
    choice("family", family, FAMILIES), choice("truncation", truncation, TRUNCATIONS)
    options = _core.CollectionOptions()
    options.as_of = frames.day_number(as_of)
    options.watched = getattr(_core.Watched, choice("watched", watched, ("all", "rows")))
    options.family, options.method = getattr(_core.Family, family), getattr(_core.Method, choice("method", method, ("bayes", "ml")))
    options.truncation, options.priors, options.threads = getattr(_core.Truncation, truncation), to_priors(priors), threads
    options.growth_model, options.hidden_molts, options.mix_families = growth_model, hidden_molts, bool(mix_families)
    options.instar_effect, options.spread_effect, options.clock = bool(instar_effect), bool(spread_effect), bool(clock)
    options.recalibrate = bool(recalibrate)
    if formula is not None:
        from moltspan.collection.own_covariates import own_covariates

        options.own, own_priors = own_covariates(collection, formula, method)
        options.priors = to_priors(own_priors | dict(priors or {}))
    asked = {"formula": "collection" if formula is None else f"collection + {formula}", "family": family, "method": method, "truncation": truncation,
             "watched": watched, "priors": dict(priors or {})}
    return options, asked


class CollectionFit(Result):
    """A fitted collection; nothing in it can be changed."""

    _title = "Fit of a collection"

    def __init__(self, collection, core, asked, options):
        super().__init__(collection=collection, _core=core, asked=asked, _options=options)

    @property
    def as_of(self):
        """Last day used."""
        return frames.day_of(self._core.as_of)

    @property
    def stadia(self):
        """The model of stadium lengths behind the forecasts."""
        return StadiaFit(self._core.stadia, self.asked, options=self._options)

    @property
    def growth(self):
        """The model of growth behind the sizes, a `GrowthModel`; None with `growth_model=False`, and where no size was ever read."""
        from moltspan.growth.latent import GrowthModel

        return None if self._core.growth is None else GrowthModel(self)

    @property
    def season(self):
        """A season of the records that no thermometer explains, a `Season`; None where none is borne out or looked for (under 25 stadia with a
        seen end, or ends within nine months)."""
        from moltspan.collection.clock import season_of

        return season_of(self._core.clock.season)

    def as_priors(self, weight=1.0):
        """What the model of stadium lengths learned, as priors of another collection: a dict that `fit(other, priors=...)` takes.

        Means and sds of the coefficients, and the spreads; no row, no animal. `weight` (above 0, up to 1): how like the other one is; sds are
        divided by its square root. Not in it yet: single kinds, instars, growth, signs, seasons and your own columns; nor the Intercept of a
        fit with `kind_pace`, as a stated one would stand for every kind. Not for records that hold the same rows again, as next year's of the same animals do: they
        would count twice. Coefficients travel each on its own, without their correlations. ValueError for another weight; empty with method "ml".
        """
        return {name: (prior.kind.name, *((prior.mean,) if prior.kind.name == "normal" else ()), prior.sd)
                for name, prior in _core.posterior_as_priors(self._core.stadia, float(weight))}

    @property
    def family_weights(self):
        """Share of each family in the distribution of current stadia, that of the fit first."""
        return {one.family.name: one.weight for one in self._core.families}

    @property
    def instars(self):
        """What an instar does beside size, a row a kind and instar on record: `factor` of the length (posterior, with 95 % limits) and
        `spread_factor` beside those of the instar with most stadia, and how many `closed_stadia` tell of it. Empty where the records do not
        bear such an effect (see `fit`)."""
        rows = [(one.taxon, int(one.instar), one.factor, one.factor_lower, one.factor_upper, one.spread_factor, one.closed_stadia)
                for one in _core.instar_estimates(self._core)]
        return frames.frame_of(_columns([dict(zip(INSTAR_COLUMNS, row, strict=True)) for row in rows], INSTAR_COLUMNS), self.collection._kind)

    @property
    def recalibration(self):
        """What forecasts made anew from four past days say of those of today, and what was done about it: a dict.

        `forecasts`, `origins`: what it rests on; `held_percent`: share of what came inside each band, and `below_median_percent` before the
        median; `chance`: that there is anything to change; `scale`: factor of the bands on the normal scale, and `location`: shift (above 0:
        later), with which current stadia are forecast. None where fewer than 30 past forecasts can be made, and with `recalibrate=False`.
        """
        core = self._core.recalibration
        if core.forecasts == 0:
            return None
        return {"forecasts": core.forecasts, "origins": core.origins, "effective_forecasts": core.effective,
                "held_percent": {100 * level: 100 * mean.mean for level, mean in zip(LEVELS, core.held, strict=True)},
                "below_median_percent": 100 * core.below_median.mean, "chance": core.weight, "scale": core.scale, "location": core.location}

    @property
    def stadia_told(self):
        """How well each stadium is told by all the others: a row a stadium with `animal`, `start`, `seen` (its end was), `mean_log_days` and
        `sd_log_days` (predictor and spread, without its own record), `pit_low`, `pit_high`: distribution function at both ends of what is
        known of its length (open, 1, while it runs), given that it lasted to a late entry, and its `weight`. From 1,500 stadia about."""
        names = ("animal", "start", "seen", "mean_log_days", "sd_log_days", "pit_low", "pit_high", "weight")
        rows = [(*row[:4], math.hypot(math.sqrt(row[4]), row[5]), *row[6:]) for row in self._core.pit_rows]
        columns = {name: [row[i] for row in rows] for i, name in enumerate(names)}
        columns["start"] = [frames.day_of(day) for day in columns["start"]]
        return frames.frame_of(columns, self.collection._kind)

    @property
    def health(self):
        """What to know before using the numbers: where the bands did not hold among them, over all and by kind, instar, month and size."""
        return Health.of(self._core.health)

    @property
    def signs(self):
        """What the signs of a coming molt are worth in this collection, a row a sign that it holds: posterior modes, from `closed` stadia."""
        return frames.frame_of(_columns([_sign_row(model) for model in self._core.signs if model.recorded], SIGN_COLUMNS), self.collection._kind)

    @property
    def hidden_molts(self):
        """Gaps between recorded molts that may hide a molt, likeliest first: animal, its molts before and after, the chance that any is hidden,
        how many then. Gaps with a chance over 20 % (shared/priors.toml); `hidden_chances` has all of them."""
        return frames.frame_of(_hidden_columns(self._listed_rows()), self.collection._kind)

    @property
    def hidden_chances(self):
        """The same of every gap between two recorded molts."""
        return frames.frame_of(_hidden_columns(self._hidden_rows()), self.collection._kind)

    def _hidden_rows(self):
        rows = [(animal, frames.day_of(start).isoformat(), frames.day_of(end).isoformat(), one + two, 2 if two > one else 1)
                for animal, start, end, one, two in self._core.hidden_rows]
        return sorted(rows, key=lambda row: (-row[3], row[:2]))

    def _listed_rows(self):
        return [row for row in self._hidden_rows() if row[3] > self._core.hidden.listed]

    def forecast(self, levels=LEVELS, on=None):
        """A row an animal: verdict, phase, last molt, quantiles of the next molt as days and dates, bands, chances, feeding day, notes.

        `on`: the day of the answer, `as_of` or later (default: `as_of`; the clock is never read). The days between are unwatched: chances within
        some days count from `on` and hold a molt that has come since. ValueError where `on` lies before `as_of`.
        """
        forecasts = _forecasts(self, levels, on)
        lives = [_mature_life(self.as_of, forecast.mature_life) for forecast in forecasts]
        return frames.frame_of(_flat(_document(self, levels, forecasts, on), lives), self.collection._kind)

    def chance_molt_before(self, animal, day):
        """Chance that this animal molts after the last day of the records and before `day`, given that she lives: for pairing.

        A molt discards what a female has stored. 0 for an animal that molts no more; `chance_final` is in it, where it is known.
        ValueError where `day` is not after `as_of`, where the animal is unknown, or has no forecast.
        """
        from moltspan.collection.trajectory import animal_indices

        [index] = animal_indices(self, [animal], "chance_molt_before")
        return _core.chance_molt_before(self._core, index, frames.day_number(day))

    def trajectory(self, animal, molts=5, draws=10000, seed=1, growth_ratio=None, growth_log_sd=None):
        """Joint draws of date and leg span at the next molts of one animal: a `Trajectory`. The same seed gives the same draws.

        `growth_ratio`, `growth_log_sd`: ratio a molt and the sd of its logarithm, in place of the usual ones. An animal without a forecast
        raises ValueError and says why.
        """
        from moltspan.collection.trajectory import trajectory_of

        return trajectory_of(self, animal, molts, draws, seed, growth_ratio, growth_log_sd)

    def trajectories(self, animals=None, molts=5, draws=10000, seed=1, growth_ratio=None, growth_log_sd=None, threads=0):
        """The same for several animals (default: all that have a forecast): `Trajectories`, with all draws in one array."""
        from moltspan.collection.trajectory import trajectories_of

        return trajectories_of(self, animals, molts, draws, seed, growth_ratio, growth_log_sd, threads)

    def rehouse(self, on=None, at_most=None, rules=None):
        """Who needs another enclosure and when a move is safe: a `RehousePlan`, in the order of the day.

        `on`: day of the move (default: `as_of`); `at_most`: animals a sitting; `rules`: a TOML file of the shape of shared/housing.toml with
        the numbers that replace the shipped ones. ValueError where `on` lies before `as_of`, `at_most` is under 1, or a rule is unknown.
        """
        from moltspan.collection.housing import plan_of

        return plan_of(self, on, at_most, rules)

    def _document(self, levels, on):
        return forecast_document(self, levels, on)

    def methods_text(self):
        """A paragraph for a paper: model, data by kind of censoring, priors, last day, watching, health and versions."""
        from moltspan.text.methods import collection_text

        return collection_text(self)

    def _facts(self):
        *facts, _ = self.stadia._facts()  # the last is the health of the stadia alone
        from moltspan.text.methods import shares_of_families

        from moltspan.collection.clock import clock_facts

        mixed = [("distribution of current stadia", shares_of_families(self.family_weights))] if len(self.family_weights) > 1 else []
        return [("as of", f"{self.as_of}; watched: {self.asked['watched']}"), *facts, *mixed, *self._instar_facts(),
                *clock_facts(self._core.clock), ("health", str(self.health))]

    def _instar_facts(self):
        effect, spread = self._core.instars, self._core.spread
        told = [f"lengths differ beyond what size tells, by log evidence {effect.log_evidence_gain:.1f}"] if effect.used else []
        told += [f"kinds or instars scatter unlike, by log evidence {spread.log_evidence_gain:.1f}"] if spread.used else []
        return [("instars", "; ".join(told) + ": see .instars")] if told else []

    def _table(self):
        head, rows = self.stadia._table()
        steps = {self.stadia._core.coefficient_names[step.column] for step in self._core.instars.steps}
        return head, [row for row in rows if row[0] not in steps]

    def _numbers(self):
        return self.stadia._numbers()


def _sign_row(model):
    center = model.center
    return dict(zip(SIGN_COLUMNS, (model.sign, model.closed, model.shown, model.absence_counts, center.noted, center.alarms_per_day * 365.25,
                                   center.lag_days, center.lag_log_sd, center.lag_exponent), strict=True))


def _hidden_columns(rows):
    return _columns([dict(zip(HIDDEN_COLUMNS, row, strict=True)) for row in rows], HIDDEN_COLUMNS)


def _columns(rows, names):
    return {name: [row[name] for row in rows] for name in names}


def forecast_document(fit, levels=LEVELS, on=None):
    """The forecast as a dict ready for JSON: `as_of` (last day watched), `on` (day of the answer, default `as_of`), `last_entry`, `watched`,
    `levels`, `animals` (one each), `problems`. No NaN; None = unknown."""
    return _document(fit, levels, _forecasts(fit, levels, on), on)


def _forecasts(fit, levels, on):
    return _core.forecast(fit._core, [float(level) for level in levels], frames.day_number(on))


def _document(fit, levels, forecasts, on):
    animals = [_animal(fit.as_of, forecast) for forecast in forecasts]
    on = fit.as_of if on is None else frames.day_of(frames.day_number(on))
    return {"as_of": fit.as_of.isoformat(), "on": on.isoformat(), "last_entry": max((a["last_entry"] or "" for a in animals), default="") or None,
            "watched": fit.asked["watched"], "levels": [float(level) for level in levels], "animals": animals, "problems": _problems(fit)}


def _problems(fit):
    problems = [*fit.collection._core_collection.problems, *fit._core.table_doubts]
    names = ("severity", "file", "row", "animal", "column", "value", "rule", "next_step")
    return [{name: getattr(problem, name) for name in names} for problem in problems] + [_hidden_problem(*row) for row in fit._listed_rows()]


def _hidden_problem(animal, before, after, chance, hidden):
    """A gap that may hide a molt, as a doubt."""
    missing = "one molt" if hidden == 1 else "two molts or more"
    return {"severity": "doubt", "file": "", "row": 0, "animal": animal, "column": "date", "value": f"{before}..{after}",
            "rule": f"{100 * chance:.0f} % that {missing} between these two went unrecorded, by length and sizes",
            "next_step": Said("write it down if a skin is found, or the instar numbers of both", ("look_for_molt",))}


def _known(chance):
    return None if math.isnan(chance) else chance


def _animal(as_of, forecast):
    def date(days):
        return frames.day_after(as_of, days).isoformat()

    return {"animal": forecast.id, "taxon": forecast.taxon or None, "verdict": verdict_document(forecast.verdict), "phase": forecast.phase,
            "last_entry": None if forecast.last_entry is None else frames.day_of(forecast.last_entry).isoformat(), "last_molt": _range(forecast),
            "days_since_molt": _since(as_of, forecast), "next_molt": _next_molt(forecast, date),
            "why_no_forecast": forecast.why_no_forecast or None,
            "chance_within_days": _chances(forecast),
            "chance_final": _known(forecast.chance_final), "chance_missed": _known(forecast.chance_missed),
            "feed_from": None if forecast.feed_from is None else frames.day_of(forecast.feed_from).isoformat(),
            "next_leg_span_mm": _next_leg_span(forecast.next_leg_span), "next_size": _next_size(forecast.next_size),
            "basis": {"own_stadia": forecast.own_stadia, "taxon_stadia": forecast.taxon_stadia, "own_weight": forecast.own_weight},
            "notes": [*said_of(forecast.notes), *_beyond_the_calendar(as_of, forecast)]}


def _beyond_the_calendar(as_of, forecast):
    """A note where a date stands for "then or later"."""
    days = [*forecast.quantile_days, *(band.to_days for band in forecast.bands)]
    if not any(frames.day_after(as_of, day) == frames.LAST_DAY for day in days):
        return []
    return [f"{frames.LAST_DAY} stands for that day or later: these records do not tell how late its next molt may be"]


def _next_leg_span(span):
    if span is None:
        return None
    return {"median": span.median_mm, "bands": [{"level": band.level, "from": band.from_mm, "to": band.to_mm} for band in span.bands]}


def _next_size(size):
    """Size after the next molt in the measure that is forecast: leg span, or what is read where none of its kind is known."""
    if size is None:
        return None
    bands = [{"level": band.level, "from": band.from_size, "to": band.to_size} for band in size.bands]
    return {"measure": size.measure, "unit": "g" if size.measure == "mass" else "mm", "median": size.median, "bands": bands}


def _chances(forecast):
    horizons = list(map(str, _core.CHANCE_HORIZONS_DAYS))
    if forecast.chance_within_days:
        return dict(zip(horizons, forecast.chance_within_days, strict=True))
    return dict.fromkeys(horizons, 0.0 if forecast.chance_final == 1 else None)


def _range(forecast):
    if forecast.last_molt is None:
        return None
    return dict(zip(("earliest", "latest"), (frames.day_of(day).isoformat() for day in forecast.last_molt), strict=True))


def _since(as_of, forecast):
    if forecast.last_molt is None:
        return None
    earliest, latest = map(frames.day_of, forecast.last_molt)
    return {"min": (as_of - latest).days, "max": (as_of - earliest).days}


def _next_molt(forecast, date):
    if not forecast.quantile_days:
        return None
    days = {f"{p:g}": value for p, value in zip(_core.STANDARD_QUANTILES, forecast.quantile_days, strict=True)}
    bands = [{"level": band.level, "from": date(band.from_days), "to": date(band.to_days)} for band in forecast.bands]
    return {"median": date(days["0.5"]), "bands": bands, "quantiles": {p: date(value) for p, value in days.items()},
            "quantile_days": {p: value if math.isfinite(value) else None for p, value in days.items()}}


def _mature_life(as_of, life):
    """Columns of a mature male: until when half of such males live, and the bands."""
    if life is None:
        return {}

    def date(days):
        return frames.day_after(as_of, days).isoformat()

    row = {"lives_until": date(life.median_days)}
    for band in life.bands:
        row |= {f"lives_until_{side}_{band.level * 100:g}": date(days)
                for side, days in (("from", band.from_days), ("to", band.to_days))}
    return row


def _flat(document, lives):
    """The document as columns, a row an animal, with the lives of mature males."""
    rows = [_flat_row(animal) | life for animal, life in zip(document["animals"], lives, strict=True)]
    names = list(dict.fromkeys(name for row in rows for name in row)) or ["animal"]
    return {name: [row.get(name) for row in rows] for name in names}


def _flat_row(animal):
    row = {"animal": animal["animal"], "taxon": animal["taxon"], "verdict": animal["verdict"]["code"], "phase": animal["phase"]}
    for name, sides in (("last_molt", ("earliest", "latest")), ("days_since_molt", ("min", "max"))):
        row |= {f"{name}_{side}": (animal[name] or {}).get(side) for side in sides}
    molt = animal["next_molt"] or {}
    row["next_molt"] = molt.get("median")
    for band in molt.get("bands", ()):
        row |= {f"from_{band['level'] * 100:g}": band["from"], f"to_{band['level'] * 100:g}": band["to"]}
    row |= {f"q{p}": value for p, value in molt.get("quantile_days", {}).items()}
    row |= {f"chance_{days}_days": chance for days, chance in (animal["chance_within_days"] or {}).items()}
    span = animal["next_leg_span_mm"] or {}
    row["next_leg_span_mm"] = span.get("median")
    for band in span.get("bands", ()):
        row |= {f"next_leg_span_mm_{side}_{band['level'] * 100:g}": band[side] for side in ("from", "to")}
    size = animal["next_size"] or {}
    row |= {"next_size": size.get("median"), "next_size_measure": size.get("measure")}
    row |= {name: animal[name] for name in ("chance_final", "chance_missed", "feed_from", "why_no_forecast")} | animal["basis"]
    row |= {"feeding": animal["verdict"]["feeding"], "chance_molted_unseen": animal["verdict"]["chances"]["molted_unseen"]}
    return row | {"verdict_why": animal["verdict"]["why"], "notes": "; ".join(animal["notes"])}
