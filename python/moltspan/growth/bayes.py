"""Growth of several animals as a Bayesian posterior: what `fit_growth(method="bayes")` gives."""

from types import MappingProxyType

import numpy as np

from moltspan import _core
from moltspan._frames import frames
from moltspan._frames.formula import Design
from moltspan.growth.columns import left_side, member_codes, with_instar
from moltspan.growth.result import GrowthResult
from moltspan.stadia.intervals import check_level, choice, to_priors
from moltspan._frames.result import Health

FORMS = ("weighed", "constant", "declining")
BANDS = ("estimate", "mean_lower", "mean_upper", "new_lower", "new_upper")


class BayesDesign:
    """Formulas of the line and of the animals, with what their columns gain by an instar."""

    def __init__(self, formula, random, instar, columns, left_side=()):
        self.instar = instar
        self._line = Design(formula, columns, *left_side)
        self._own = Design(random, columns) if random is not None else None
        self.names = self._line.matrix(columns, _length(columns))[0]
        self.effects = self._own.matrix(columns, _length(columns))[0] if self._own else []

    def rows(self, columns):
        """Rows as the core takes them; `x_slope` is left empty where a column bends with the instar."""
        rows = _core.BayesGrowthRows()
        rows.x, rows.z = self._matrices(columns)
        found = self._instars(columns)
        if found is None:
            return rows
        rows.instars = found
        once, twice = (self._matrices(self._later(columns, found, step)) for step in (1, 2))
        if all(np.allclose(two - one, one - now) for now, one, two in zip((rows.x, rows.z), once, twice, strict=True)):
            rows.x_slope, rows.z_slope = (one - now for one, now in zip(once, (rows.x, rows.z), strict=True))
        return rows

    def _matrices(self, columns):
        n_rows = _length(columns)
        own = self._own.matrix(columns, n_rows)[1] if self._own else np.zeros((n_rows, 0))
        return self._line.matrix(columns, n_rows)[1], own

    def _instars(self, columns):
        values = columns.get(self.instar)
        if values is None:
            return None
        try:
            numbers = np.asarray(values, dtype=float)
        except (TypeError, ValueError):
            return None
        return numbers if np.isfinite(numbers).all() else None

    def _later(self, columns, instars, step):
        return columns | dict.fromkeys({self.instar, "instar"} & set(columns), instars + step)


def fit_bayes(columns, y, sizes, asked, groups, priors, threads):
    """The fit of `fit_growth` from checked columns; `groups`: of animals, cohorts and measures, (codes, labels)."""
    formula = asked["formula"] + (f" + {asked['measure']}" if len(groups["measure"][1]) > 1 else "")
    design = BayesDesign(formula, asked["random"] if asked["animal"] is not None else None, asked["instar"], columns,
                         left_side(asked["size"], asked["response"]))
    data, options = _core.BayesGrowthData(), _core.BayesGrowthOptions()
    rows = design.rows(columns)
    rows.groups, rows.outer_groups, rows.measures = (list(groups[level][0]) for level in ("animal", "cohort", "measure"))
    data.rows, data.y, data.coefficients, data.effects, data.measures = rows, y, design.names, design.effects, list(groups["measure"][1])
    steps = _steps(sizes, groups["measure"], asked)
    if steps.any():
        data.lower, data.upper = _bounds(sizes, steps, asked["response"])
    options.priors, options.threads = to_priors(priors), threads
    options.correlated, options.log_response = bool(asked["correlated"]), asked["response"] == "log"
    options.form = getattr(_core.GrowthForm, _form(asked, rows))
    options.process = _process(asked, rows)
    labels = {level: {label: code for code, label in enumerate(names)} for level, (_, names) in groups.items()}
    return GrowthBayesFit(_core=_core.fit_growth_bayes(data, options), asked=MappingProxyType(asked), _design=design, _labels=labels,
                          _steps=tuple(sorted({float(step) for step in steps if step > 0})))


def _length(columns):
    return len(next(iter(columns.values()))) if columns else 0


def _form(asked, rows):
    """The form to fit: the declining one wants log sizes and columns that are lines in the instar."""
    can = asked["response"] == "log" and len(rows.instars) > 0 and np.size(rows.x_slope) > 0 and bool(np.any(rows.x_slope))
    form = asked["form"]
    if form is None:
        return "weighed" if can else "constant"
    if form != "constant" and not can:
        raise ValueError(f"form={form!r}: a ratio that changes with size needs response=\"log\" and a formula that is a line in the column "
                         f"{asked['instar']!r}; use form=\"constant\"")
    return form


def _process(asked, rows):
    can = len(rows.instars) > 0 and asked["animal"] is not None
    if asked["process"] is None:
        return can and _core.process_is_told(rows.groups, rows.instars)
    if asked["process"] and not can:
        raise ValueError(f"process=True: the scatter of growth needs an animal and a number in the column {asked['instar']!r} of each row")
    return bool(asked["process"])


def _steps(sizes, measures, asked):
    """Rounding step of each row, 0 = none: as given, or as found among the readings of its measure."""
    codes, names = measures
    given = asked["reading_step_mm"]
    steps = np.zeros(len(sizes))
    for code, name in enumerate(names or [None]):
        rows = np.flatnonzero(codes == code) if names else np.arange(len(sizes))
        step = given.get(name) if isinstance(given, dict) else given
        steps[rows] = _core.found_rounding_step_mm(sizes[rows]) if step is None else _checked_step(step)
    off = np.abs(sizes - steps * np.round(sizes / np.where(steps > 0, steps, 1))) > 1e-6 * steps
    for row in np.flatnonzero(off & (steps > 0)):
        raise ValueError(f"row {row}, {asked['size']} = {sizes[row]:g} is no multiple of reading_step_mm = {steps[row]:g}; mend it or give 0")
    return steps


def _checked_step(step):
    if not (np.isfinite(step) and step >= 0):
        raise ValueError(f"reading_step_mm={step!r}: a step in mm above 0, or 0 for readings taken as they are")
    return float(step)


def _bounds(sizes, steps, response):
    low, high = sizes - steps / 2, sizes + steps / 2
    if response == "identity":
        return low, high
    with np.errstate(divide="ignore"):
        return np.log(np.maximum(low, 0)), np.log(high)


class GrowthBayesFit(GrowthResult):
    """Result of `fit_growth(method="bayes")`: estimates are posterior means, standard errors and covariances posterior ones. Nothing in it can be
    changed."""

    @property
    def _spreads(self):
        return {name: spread.mean for name, spread in zip(self._core.spread_names, self._core.spreads, strict=True)}

    @property
    def sigma(self):
        """Posterior mean of the sd of a reading about its animal's line, log scale; of several measures a mapping."""
        if len(self._core.measures) < 2:
            return self._spreads["sigma"]
        return MappingProxyType({name: self._spreads[f"sigma[{name}]"] for name in self._core.measures})

    @property
    def animal_sd(self):
        """Effect -> posterior mean of the sd between animals (`Intercept`, `instar`)."""
        return MappingProxyType({name: self._spreads[f"animal_sd[{name}]"] for name in self._core.effects})

    @property
    def animal_correlation(self):
        """Posterior mean of the correlation of the first two effects of an animal; None where the model has none."""
        return next((value for name, value in self._spreads.items() if name.startswith("animal_correlation")), None)

    def _effects_of_animals(self):
        return _core.bayes_animal_effects(self._core)

    @property
    def form(self):
        """"constant", or "declining" where the growth ratio changes with size; see `declining_weight`."""
        return self._core.form.name

    cohort_sd = property(lambda self: self._spreads.get("cohort_sd"), doc="Posterior mean of the sd between cohorts; None without them.")
    process_sd = property(lambda self: self._spreads.get("process_sd"),
                          doc="Posterior mean of the sd of growth from molt to molt; None where sigma holds it.")
    decline = property(lambda self: self._spreads.get("decline"),
                       doc="Posterior mean of the change of the log ratio a log unit of size; None with a constant ratio.")
    declining_weight = property(lambda self: self._core.declining_weight,
                                doc="Posterior weight of the declining ratio against the constant one; NaN where it was not fitted.")
    log_likelihood = property(lambda self: self._core.log_evidence, doc="Log marginal likelihood of the log sizes: all parameters integrated out.")
    reading_steps_mm = property(lambda self: self._steps, doc="Steps by which readings count as rounding intervals; empty = none.")
    health = property(lambda self: Health.of(self._core.health), doc="What to know before using the numbers.")

    @property
    def priors(self):
        """Name -> prior of all that was fitted, as `priors=` takes it; correlations are uniform over correlation matrices."""
        return {name: ("half_normal", prior.sd) if prior.kind.name == "half_normal" else ("normal", prior.mean, prior.sd)
                for name, prior in self._core.priors_used}

    def interval(self, level=0.95):
        """Frame of estimate, sd, lower, upper: coefficients from the posterior itself; sds through their logarithms, correlations through
        Fisher's z."""
        import pandas

        check_level(level)
        found = _core.bayes_growth_intervals(self._core, level)
        return pandas.DataFrame({"estimate": found.estimate, "sd": found.error, "lower": found.lower, "upper": found.upper}, index=found.names)

    def growth_ratio(self, level=0.95, against=2 ** (1 / 3), coefficient="instar"):
        """Ratio of sizes from one instar to the next: posterior median, lower, upper, against (default Przibram's 2^(1/3)) and the posterior
        chance that the ratio is larger. With a declining ratio that of the molt after the mean instar."""
        import pandas

        check_level(level)
        self._check_ratio(coefficient, against)
        found = _core.bayes_growth_ratio(self._core, self._core.coefficients.index(coefficient), level, float(against))
        return pandas.Series({"ratio": found.ratio, "lower": found.lower, "upper": found.upper, "against": float(against),
                              "chance_larger": found.chance_larger})

    def predict(self, table, level=0.9, new_animal="population"):
        """Sizes in mm for rows of covariates: `estimate` (median), `mean_lower/upper` (band of the line), `new_lower/upper` (band of the
        next reading, before it is rounded).

        A row whose animal (cohort) the fit knows gets its effect. Others: `new_animal="population"` gives the line of the population, with
        the spread between animals in the band of the next reading; "error" raises ValueError. All parameters are integrated over, without
        random numbers.
        """
        check_level(level)
        choice("new_animal", new_animal, ("population", "error"))
        columns = with_instar(frames.arrays_of(table), self.asked["instar"])
        n_rows = _length(columns)
        rows = self._design.rows(columns)
        if self._core.form.name == "declining" or self.process_sd is not None:
            self._check_instars(rows, n_rows)
        rows.groups = member_codes(self.asked["animal"], self._labels["animal"], columns, n_rows, new_animal)
        if self.cohort_sd is not None:
            rows.outer_groups = member_codes(self.asked["cohort"], self._labels["cohort"], columns, n_rows, "population")
        if len(self._core.measures) > 1:
            rows.measures = member_codes(self.asked["measure"], self._labels["measure"], columns, n_rows, "error")
        bands = _core.predict_growth_bayes(self._core, rows, level)
        scale = np.exp if self.asked["response"] == "log" else np.asarray
        return frames.frame_of({name: scale(getattr(bands, name)) for name in BANDS}, frames.kind_of(table))

    def _check_instars(self, rows, n_rows):
        if len(rows.instars) != n_rows:
            raise ValueError(f"the table needs a number in the column {self.asked['instar']!r} of each row")

    def methods_text(self):
        """A paragraph for a paper: model, readings and animals, priors, how it was fitted, health and versions."""
        from moltspan.text.methods import growth_bayes_text

        return growth_bayes_text(self)

    def _table(self):
        found = self.interval(0.95)
        rows = [(name, f"{row.estimate:.5g}", f"{row.sd:.3g}", f"{row.lower:.5g}", f"{row.upper:.5g}") for name, row in found.iterrows()]
        return ("", "posterior mean", "sd", "2.5 %", "97.5 %"), rows

    def _numbers(self):
        found = self.interval(0.95)
        return {"term": list(found.index)} | {name: found[name].tolist() for name in found}

    def _facts(self):
        asked, log = self.asked, self.asked["response"] == "log"
        random = f" + ({asked['random']} | {asked['animal']})" if self._core.effects else ""
        nested = f" + (1 | {asked['cohort']})" if self.cohort_sd is not None else ""
        walk = " + walk along the molts" if self.process_sd is not None else ""
        measure = f" + {asked['measure']}" if len(self._core.measures) > 1 else ""
        response = f"log {asked['size']}" if log else asked["size"]
        weight = "" if np.isnan(self.declining_weight) else f" (weight of one that changes with size {self.declining_weight:.2f})"
        rounding = f", {self._core.n_rounded} as rounding intervals of {', '.join(f'{step:g}' for step in self._steps)} mm" if self._steps else ""
        return [("model", f"{response} ~ {asked['formula']}{measure}{random}{nested}{walk}, Bayesian posterior"),
                *([("ratio", f"{self.form}{weight}")] if log and "instar" in self.coefficients else []),
                ("readings", f"{self.n_readings}" + (f" of {self.n_animals} animals" if asked["animal"] else "") + rounding),
                ("log marginal likelihood", f"{self.log_likelihood:.4f}"),
                ("health", str(self.health))]
