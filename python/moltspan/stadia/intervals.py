"""Stadium lengths: location-scale models of log T with censoring, truncation and nested effects."""

import re
from types import MappingProxyType

import numpy as np

from moltspan import _core
from moltspan._frames import frames
from moltspan._frames.formula import Design
from moltspan._frames.result import Health, Result
from moltspan.stadia.rows import no_length, rows_note, several_molts, unit_of

FAMILIES = ("lognormal", "weibull", "loglogistic")
TRUNCATIONS = ("conditional", "marginal", "renewal")
QUANTILES = (0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975)
LEVELS = ("genus", "taxon", "cohort", "animal")


def choice(name, value, allowed):
    """`value` if it is allowed, else ValueError that lists what is."""
    if value not in allowed:
        raise ValueError(f"{name}={value!r}: choose one of {', '.join(map(repr, allowed))}")
    return value


def to_priors(priors):
    """`{"sigma": ("half_normal", 1.0), "Intercept": ("normal", 4.5, 1.0)}` as the core takes it."""
    kinds = _core.Prior.Kind
    result = []
    for name, prior in (priors or {}).items():
        kind, *numbers = prior if isinstance(prior, (tuple, list)) else (prior,)
        wanted = {"normal": 2, "half_normal": 1}.get(kind)
        if wanted is None or len(numbers) != wanted:
            raise ValueError(f'prior of {name}: give ("normal", mean, sd) or ("half_normal", sd), not {prior!r}')
        mean = float(numbers[0]) if kind == "normal" else 0.0
        result.append((name, _core.Prior(getattr(kinds, kind), mean, float(numbers[-1]))))
    return result


def _column(columns, name, n_rows, blank, argument):
    """Values of a named column (or of an array given in its place); `blank` where there is none."""
    if name is None:
        return np.full(n_rows, blank)
    values = name if not isinstance(name, str) else columns.get(name)
    if values is None:
        raise ValueError(f"{argument}={name!r}: the table has no such column; it has {', '.join(columns)}")
    if len(values) != n_rows:
        raise ValueError(f"{argument}: {len(values)} values for {n_rows} rows")
    result = np.empty(n_rows)
    for row, value in enumerate(values):
        try:
            result[row] = blank if frames.text_of(value).strip() == "" else float(value)
        except (TypeError, ValueError):
            raise ValueError(f"row {row}, {argument} = {value!r} is no number; mend it or leave it blank") from None
    return result


def _codes(columns, name, n_rows, argument):
    if name is None:
        return [], []
    values = name if not isinstance(name, str) else columns.get(name)
    if values is None:
        raise ValueError(f"{argument}={name!r}: the table has no such column; it has {', '.join(columns)}")
    if len(values) != n_rows:
        raise ValueError(f"{argument}: {len(values)} values for {n_rows} rows")
    known, codes = {}, []
    for value in values:
        text = frames.text_of(value)
        codes.append(-1 if text == "" else known.setdefault(text, len(known)))
    return codes, list(known)


def says_nothing(given_lows, highs, ranges):
    """Rows that hold no length: no bound at all, or a current stadium that began on the last day watched (0 days, start known to the day)."""
    return np.isnan(highs) & (np.isnan(given_lows) | ((given_lows == 0) & ~(ranges > 0)))


def _both_blank(given_lows, highs, ranges):
    for row in np.flatnonzero(says_nothing(given_lows, highs, ranges)):
        if given_lows[row] == 0:
            raise ValueError(f"row {row}: min_days is 0 and max_days blank, which tells no more than both blank: a stadium that began on the "
                             "last day watched says nothing yet; leave the row out")
        raise ValueError(f"row {row}: min_days and max_days are both blank, which says nothing of this stadium; give one of them "
                         "or leave the row out")


def _end_ranges(lows, highs, ranges):
    """Width of the end range where a stated shortest length of 0 leaves it to be told: a start in one week, an end in the next."""
    with np.errstate(invalid="ignore"):
        return np.where((lows == 0) & (ranges > 0) & (highs > ranges), highs - ranges, 0.0)


def fit_stadia(table, formula="1", family="lognormal", method="ml", animal=None, taxon=None, cohort=None, min_days="min_days",
               max_days="max_days", entry_days=None, start_range_days=None, truncation="conditional", weights=None,
               quadrature=None, priors=None, threads=0, unit=None):
    """Fits `log T = x'beta + u_taxon + u_cohort + u_animal + sigma W` to a table of stadia, one row each, T in days.

    `table`: pandas, polars or Arrow. `min_days` / `max_days` name its bounds: equal = exact, blank or 0 `min_days` = left-censored,
    blank `max_days` = running (right-censored), both blank = ValueError. `entry_days`: watched only from that age on (left truncation,
    `truncation`: "conditional" divides by S(entry | animal), "marginal" divides the integrals, "renewal" by E[T | animal]).
    `start_range_days`: the start is uniform over that many days, integrated out; `min_days` then counts from the end of that range
    and `max_days` from its beginning. `family`: W standard normal "lognormal", smallest extreme value "weibull" (shape 1 / sigma),
    logistic "loglogistic". `animal`, `taxon`, `cohort` name columns of nested groups with Gaussian effects (blank: a group of its own).
    `method="ml"`: maximum marginal likelihood, adaptive Gauss-Hermite (`quadrature` = nodes; None doubles them until the
    log-likelihood moves by less than 1e-9; 1 = Laplace); bands by the Gaussian approximation of the estimate, under five animals by a
    parametric bootstrap (200 replicates, the same every time). `method="bayes"`: posterior under `priors` over the defaults of
    shared/priors.toml. Log-likelihoods are densities on the time scale. Faulty input raises ValueError naming the row; a weak table
    gives a fit whose `.health` says so. `weights` multiplies each record's log-likelihood. Rows that `Collection.stadia()` marks as no stadium
    (`molts_spanned` is not 1) or as without a length (`no_length_yet`) are left out and counted in `.health`. `unit`: of the lengths, in
    what is printed; default: as the names of the bounds say, such as `degree_days`, else days.
    """
    given = dict(locals())
    columns = frames.columns_of(table)
    n_rows = len(next(iter(columns.values()))) if columns else 0
    if priors and method == "ml":
        raise ValueError('priors: method="ml" uses none; leave them out or use method="bayes"')
    choice("family", family, FAMILIES), choice("truncation", truncation, TRUNCATIONS), choice("method", method, ("ml", "bayes"))
    lows = _column(columns, min_days, n_rows, 0.0, "min_days")
    highs = _column(columns, max_days, n_rows, np.nan, "max_days")
    given_lows, ranges = _column(columns, min_days, n_rows, np.nan, "min_days"), _column(columns, start_range_days, n_rows, 0.0, "start_range_days")
    several = np.array(several_molts(columns, n_rows), dtype=bool)
    without = np.array(no_length(columns, n_rows), dtype=bool) & says_nothing(given_lows, highs, ranges) & ~several
    if np.any(several | without):
        return _fit_part(given, columns, np.flatnonzero(~(several | without)), rows_note(int(several.sum()), int(without.sum())))
    _both_blank(given_lows, highs, ranges)
    design = Design(formula, columns, "log(T)", "T is the length that min_days and max_days hold; leave the left side out")
    names, covariates = design.matrix(columns, n_rows)
    groups = {level: _codes(columns, column, n_rows, level)
              for level, column in (("taxon", taxon), ("cohort", cohort), ("animal", animal))}
    data = _core.StadiaData(lows, highs, ranges,
                            _column(columns, entry_days, n_rows, 0.0, "entry_days"), covariates, names,
                            np.zeros(0) if weights is None else _column(columns, weights, n_rows, 1.0, "weights"), np.zeros(0),
                            [groups.get(level, ([], []))[0] for level in LEVELS],
                            _end_ranges(given_lows, highs, ranges))
    options = _core.StadiaOptions()
    options.family, options.method = getattr(_core.Family, family), getattr(_core.Method, method)
    options.truncation, options.quadrature = getattr(_core.Truncation, truncation), quadrature or 0
    options.priors, options.threads = to_priors(priors), threads
    asked = {"formula": formula, "family": family, "method": method, "truncation": truncation, "quadrature": quadrature,
             "priors": dict(priors or {}), "taxon": taxon, "cohort": cohort, "animal": animal, "unit": unit_of(unit, max_days, min_days)}
    return StadiaFit(_core.fit_stadia(data, options), asked, design, groups, lows, frames.kind_of(table), data, options)


def _fit_part(given, columns, kept, notes):
    """The fit of the rows `kept` of a table; rows are named by their place in the whole table."""
    def part(values):
        return values if values is None or isinstance(values, str) else [list(values)[row] for row in kept]

    by_row = ("min_days", "max_days", "entry_days", "start_range_days", "weights", "animal", "taxon", "cohort")
    given = given | {name: part(given[name]) for name in by_row}
    table = given.pop("table")
    try:
        fit = fit_stadia(frames.frame_of({name: part(values) for name, values in columns.items()}, frames.kind_of(table)), **given)
    except ValueError as trouble:
        raise ValueError(re.sub(r"^row (\d+)", lambda found: f"row {kept[int(found[1])]}", str(trouble))) from None
    return StadiaFit(fit._core, dict(fit.asked), fit._design, fit._groups, fit._min_days, fit._kind, fit._data, fit._options, kept, notes)


class StadiaFit(Result):
    """Result of `fit_stadia`; nothing in it can be changed. Under "bayes" estimates are posterior means, errors posterior sds."""

    _title = "Stadium lengths"

    def __init__(self, core, asked, design=None, groups=None, min_days=None, kind="pandas", data=None, options=None, rows=None, notes=()):
        super().__init__(_core=core, asked=MappingProxyType(asked), _design=design, _groups=groups or {}, _min_days=min_days, _kind=kind,
                         _data=data, _options=options, _rows=rows, _notes=notes)

    @property
    def coefficients(self):
        """Name -> estimate; `Intercept`, columns as in the formula, factors as `sex[male]`."""
        return dict(zip(self._core.coefficient_names, self._core.coefficients.tolist(), strict=True))

    @property
    def standard_errors(self):
        """Name -> standard error of the coefficients, of `sigma` and of the sds; infinite where the records do not determine it."""
        errors = dict(zip(self._core.coefficient_names, self._core.coefficient_errors.tolist(), strict=True))
        errors["sigma"] = self._core.sigma_error
        errors |= {f"{level.name}_sd": error for level, error in zip(self._core.levels, self._core.level_sd_errors, strict=True)}
        return errors | dict(zip(self._core.learned_names, self._core.learned_sd_errors, strict=True))

    @property
    def covariance(self):
        """Covariance of (coefficients, log sigma, log sds), a frame named on both sides."""
        import pandas

        estimate = self._core.estimate
        return pandas.DataFrame(estimate.covariance, index=estimate.names, columns=estimate.names)

    sigma = property(lambda self: self._core.sigma, doc="Scale of W: spread of log T of one animal about its trend.")
    log_likelihood = property(lambda self: self._core.log_likelihood, doc="At the maximum; under bayes the log evidence.")
    laplace_log_likelihood = property(lambda self: self._core.laplace_log_likelihood, doc="Laplace's value at the same point.")
    n_records = property(lambda self: self._core.n_records)
    animal_sd = property(lambda self: self._sd("animal"), doc="sd of the animals' effects; None where there is none.")
    taxon_sd = property(lambda self: self._sd("taxon"))
    cohort_sd = property(lambda self: self._sd("cohort"))
    genus_sd = property(lambda self: self._sd("genus"))

    @property
    def _unit(self):
        return self.asked.get("unit", "days")

    def _sd(self, wanted):
        return next((sd for level, sd in zip(self._core.levels, self._core.level_sds, strict=True) if level.name == wanted), None)

    @property
    def health(self):
        """What to know before using the numbers: state "good", "warning" or "bad", and notes."""
        return Health.of(self._core.health).with_notes(self._notes)

    def interval(self, level=0.95):
        """Frame of estimate, lower, upper: coefficients on their own scale, sigma and sds through their logarithms."""
        import pandas

        check_level(level)
        found = _core.parameter_intervals(self._core, level)
        return pandas.DataFrame({"estimate": found.of.estimate, "lower": found.of.lower, "upper": found.of.upper}, index=found.names)

    def predict(self, table, level=0.9, new_animal="population"):
        """Lengths in days for rows of covariates: `estimate` (median), `mean_lower/upper` (band of the median length, parameter
        uncertainty alone) and `new_lower/upper` (band of the next stadium itself).

        A row whose animal (taxon, cohort) the fit knows gets its effect. Others: `new_animal="population"` gives the median of the
        population, with the spread between animals in the band of the next stadium; "error" raises ValueError.
        """
        check_level(level)
        choice("new_animal", new_animal, ("population", "error"))
        if self._design is None:
            raise ValueError("predict: these stadia belong to the fit of a collection, whose forecast() and trajectory() tell of its animals; predict "
                             "is for the result of fit_stadia")
        columns = frames.columns_of(table)
        n_rows = len(next(iter(columns.values()))) if columns else 0
        _, covariates = self._design.matrix(columns, n_rows)
        known = [self._members(name, columns, n_rows, new_animal) for name in LEVELS]
        family = self._options.family
        probabilities = np.array([0.5, 0.5 - level / 2, 0.5 + level / 2])
        new = _core.mixture_quantiles(family, _core.predict_stadia(self._core, covariates, known), probabilities)
        mean = _core.median_quantiles(family, _core.predict_stadia(self._core, covariates, _known_effects(known)), probabilities)
        result = {"estimate": new[:, 0], "mean_lower": mean[:, 1], "mean_upper": mean[:, 2], "new_lower": new[:, 1], "new_upper": new[:, 2]}
        return frames.frame_of(result, frames.kind_of(table))

    def _members(self, level, columns, n_rows, new_animal):
        name = self.asked.get(level)
        if name is None:
            return []
        codes, labels = self._groups[level]
        if not isinstance(name, str) or name not in columns:
            return [_core.new_member_code] * n_rows
        known = {label: code for code, label in enumerate(labels)}
        result = [known.get(frames.text_of(value), _core.new_member_code) for value in columns[name]]
        for row, code in enumerate(result):
            if code == _core.new_member_code and new_animal == "error":
                raise ValueError(f"row {row}, {name} = {columns[name][row]!r}: the fit does not know it; new_animal='population' predicts "
                                 "for a new one")
        return result

    def forecast(self, quantiles=QUANTILES):
        """For each running row the quantiles of its full length T in days given T > `min_days`: columns `row`, `elapsed_days`, `q0.5`, ...

        Each row's own running term counts once. No random numbers are drawn.
        """
        probabilities = np.array([float(q) for q in quantiles])
        if not np.all((probabilities > 0) & (probabilities < 1)):
            raise ValueError(f"quantiles={tuple(quantiles)}: each lies between 0 and 1")
        rows = np.array(self._core.running_rows, dtype="int64")
        elapsed = self._min_days[rows] if len(rows) else np.zeros(0)
        values = (_core.running_quantiles(self._options.family, _core.running_predictors(self._core), elapsed, probabilities)
                  if len(rows) else np.zeros((0, len(probabilities))))
        result = {"row": rows if self._rows is None else np.asarray(self._rows)[rows], "elapsed_days": elapsed}
        result |= {f"q{q:g}": values[:, i] for i, q in enumerate(quantiles)}
        return frames.frame_of(result, self._kind)

    def log_likelihood_at(self, parameters):
        """Log-likelihood of the table at other parameters: (coefficients, log sigma[, log animal_sd])."""
        return _core.stadia_log_likelihood(self._data, self._options, np.asarray(parameters, dtype=float))

    def methods_text(self):
        """A paragraph for a paper: model, data by kind of censoring, priors, how it was fitted, health and versions."""
        from moltspan.text.methods import stadia_text

        return stadia_text(self)

    @property
    def _values(self):
        """Name -> value of everything that was estimated."""
        sds = {f"{level.name}_sd": sd for level, sd in zip(self._core.levels, self._core.level_sds, strict=True)}
        return self.coefficients | {"sigma": self.sigma} | sds | dict(zip(self._core.learned_names, self._core.learned_sds, strict=True))

    def _numbers(self):
        errors = self.standard_errors
        head = ("term", "posterior_mean", "sd") if self.asked["method"] == "bayes" else ("term", "estimate", "standard_error")
        return dict(zip(head, zip(*((name, value, errors[name]) for name, value in self._values.items()), strict=True), strict=True))

    def _table(self):
        errors = self.standard_errors
        head = ("", "posterior mean", "sd") if self.asked["method"] == "bayes" else ("", "estimate", "standard error")
        return head, [(name, f"{value:.5g}", f"{errors[name]:.3g}") for name, value in self._values.items()]

    def _facts(self):
        core = self._core
        between = "between two days" if self._unit == "days" else "between two bounds"
        kinds = {"exact": core.n_exact, between: core.n_interval, "left-censored": core.n_left, "running": core.n_running}
        counted = ", ".join(f"{n} {kind}" for kind, n in kinds.items() if n)
        also = [f"{core.n_truncated} left-truncated" if core.n_truncated else "", f"{core.n_doubly} with a range of start days" if core.n_doubly else ""]
        method = {"ml": "maximum likelihood", "bayes": "posterior"}[self.asked["method"]]
        how = f"{core.quadrature_nodes} quadrature nodes" if core.quadrature_nodes else f"{core.points} points" if core.points else "closed form"
        unit = "" if self._unit == "days" else f" (T in {self._unit})"
        return [("model", f"log T ~ {self.asked['formula'].rpartition('~')[2].strip()}{unit}, {self.asked['family']}, {method} ({how})"),
                ("stadia", f"{core.n_records}: {counted}" + "".join(f"; {text}" for text in also if text)),
                ("log-likelihood" if self.asked["method"] == "ml" else "log evidence", f"{core.log_likelihood:.6f}"),
                ("health", str(self.health))]


def _known_effects(members):
    """The same codes, new members left out: what is known of the median length of a row."""
    return [[code if code >= 0 else _core.left_out_code for code in codes] for codes in members]


def check_level(level):
    """ValueError unless 0 < level < 1."""
    if not 0 < level < 1:
        raise ValueError(f"level={level!r}: a level lies between 0 and 1, for example 0.9")
