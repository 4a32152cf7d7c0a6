"""Growth of several animals: the linear mixed model on log size, by maximum likelihood, REML or as a posterior."""

from types import MappingProxyType

import numpy as np

from moltspan import _core
from moltspan._frames import frames
from moltspan._frames.formula import Design
from moltspan.growth.bayes import FORMS, fit_bayes
from moltspan.growth.columns import left_side, member_codes, with_instar
from moltspan.growth.result import GrowthResult
from moltspan.stadia.intervals import check_level, choice
from moltspan._frames.result import Health

METHODS = ("ml", "reml", "bayes")
DEGREES = ("satterthwaite", "kenward_roger", "residual")
RESPONSES = ("log", "identity")


def fit_growth(table, size="leg_span_mm", instar="instar", animal="animal", formula="instar", random="1 + instar", method="ml",
               reading_step_mm=None, cohort=None, response="log", correlated=True, priors=None, measure=None, form=None, process=None, threads=0):
    """Fits `log size = x'beta + u_cohort + z'b_animal + sigma e` to a table of readings, one row each, sizes in mm.

    `table`: pandas, polars or Arrow. `size`, `instar`, `animal`, `cohort` name its columns; `size` may be any positive column.
    `formula` gives x, `random` z ("1": every animal starts at its own size; "1 + instar": and has its own ratio), see
    moltspan._frames.formula; where `instar` names another column, the word instar in them means that column. `correlated=False`: the effects of
    an animal are independent. `cohort`: a nested effect, as sibs are no replicates. `response="identity"` takes sizes as they are.

    `method="ml"` or `"reml"`; log-likelihoods are those of the log sizes with all constants, REML as lme4 and nlme state it.
    `reading_step_mm`: the step readings are rounded to; both methods take readings as they are, health says what share of sigma is
    rounding. Fewer than three animals: no spread between them is estimated (two: a fixed difference), health says so.

    `method="bayes"`: posterior under `priors` over the defaults of shared/priors.toml, table mixed; names are those of the coefficients,
    `sigma`, `animal_sd` (`animal_sd[instar]` of one effect), `cohort_sd`, `process_sd`, `decline`. Rounded readings count as intervals:
    `reading_step_mm=None` finds a step of 5 mm, 10 mm, 1/4 or 1/8 in that all of eight or more readings share; a number, or a dict by
    measure, sets it, 0 takes readings as they are. `measure` names a column of what was read (leg span, carapace): each gets a log ratio
    to the first in sorted order and an error of its own. `form="declining"`: the ratio changes with size (Hiatt's log-log line),
    "constant": it does not, "weighed" (default where the formula is a line in the instar): the likelier one, its weight said. `process`:
    growth scatters from molt to molt beside the error of reading; by itself where enough instars were read twice, else sigma holds both.

    Faulty input raises ValueError naming the row.
    """
    choice("method", method, METHODS), choice("response", response, RESPONSES)
    for name, given in () if method == "bayes" else (("priors", priors), ("measure", measure), ("form", form), ("process", process)):
        if given:
            raise ValueError(f'{name}: method="{method}" takes none; leave it out or use method="bayes"')
    columns = frames.arrays_of(table)
    n_rows = len(next(iter(columns.values()))) if columns else 0
    columns = with_instar(columns, instar)
    sizes = _sizes(columns, size, response)
    if method == "bayes":
        asked = {"size": size, "instar": instar, "animal": animal, "formula": formula, "random": random, "method": method,
                 "reading_step_mm": reading_step_mm, "cohort": cohort, "response": response, "correlated": correlated, "measure": measure,
                 "form": form, "process": process}
        return _bayes(columns, sizes, asked, priors, threads)
    design = Design(formula, columns, *left_side(size, response))
    effects = Design(random, columns) if animal is not None else None
    groups = {"animal": _codes(columns, animal, "animal"), "cohort": _codes(columns, cohort, "cohort")}
    data = _core.MixedData()
    data.y = np.log(sizes) if response == "log" else sizes
    data.coefficients, data.x = design.matrix(columns, n_rows)
    if effects is not None:
        data.effects, data.z = effects.matrix(columns, n_rows)
    data.groups, data.outer_groups = groups["animal"][0], groups["cohort"][0]
    data.group_labels = list(groups["animal"][1])[:2]
    options = _core.MixedOptions()
    options.method, options.correlated = getattr(_core.MixedMethod, method), bool(correlated)
    asked = {"size": size, "instar": instar, "animal": animal, "formula": formula, "random": random, "method": method,
             "reading_step_mm": reading_step_mm, "cohort": cohort, "response": response, "correlated": correlated}
    core = _core.fit_mixed_model(data, options)
    labels = {level: {label: code for code, label in enumerate(names)} for level, (_, names) in groups.items()}
    notes = _core.rounding_health(core, sizes, reading_step_mm or 0.0, response == "log")
    return GrowthFit(core, asked, design, effects, labels, [*notes, *_bend_notes(core, data, columns, instar)])


def _bend_notes(core, data, columns, instar):
    """What health says of sizes that bend from the line over the instar; nothing where instars are no numbers."""
    values = columns.get("instar")
    return _core.bend_health(core, data, values.astype(float), instar) if isinstance(values, np.ndarray) else []


def _bayes(columns, sizes, asked, priors, threads):
    if asked["form"] is not None:
        choice("form", asked["form"], FORMS)
    groups = {level: _codes(columns, asked[level], level) for level in ("animal", "cohort")}
    groups["measure"] = _codes(columns, asked["measure"], "measure", in_order=True)
    y = np.log(sizes) if asked["response"] == "log" else sizes
    return fit_bayes(columns, y, sizes, asked, groups, priors, threads)


def _named(columns, name, argument):
    if name not in columns:
        raise ValueError(f"{argument}={name!r}: the table has no such column; it has {', '.join(columns)}")
    return columns[name]


def _sizes(columns, name, response):
    """Sizes as numbers; ValueError that names the row for what is no size."""
    values = _named(columns, name, "size")
    rule = "a size is a number above 0" if response == "log" else "a number is wanted"
    sizes = np.full(len(values), np.nan)
    if isinstance(values, np.ndarray):
        sizes = values.astype(float)
    else:
        for row, value in enumerate(values):
            try:
                sizes[row] = np.nan if frames.text_of(value).strip() == "" else float(value)
            except (TypeError, ValueError):
                raise ValueError(f"row {row}, {name} = {value!r}: {rule}; mend it or leave the row out") from None
    for row in np.flatnonzero(~(np.isfinite(sizes) & ((sizes > 0) | (response != "log")))):
        if np.isnan(sizes[row]):
            raise ValueError(f"row {row}, {name} is blank: {rule}; fill it in or leave the row out")
        raise ValueError(f"row {row}, {name} = {frames.text_of(values[row])}: {rule}; mend it or leave the row out")
    return sizes


def _codes(columns, name, argument, in_order=False):
    """(code of each row, labels); codes in the order of the labels where there are two or where asked, of first appearance otherwise."""
    if name is None:
        return np.zeros(0, dtype=np.int32), []
    values = _named(columns, name, argument)
    if isinstance(values, np.ndarray) and np.isfinite(values).all():
        labels, codes = np.unique(values, return_inverse=True)
        return codes.astype(np.int32), [frames.text_of(label) for label in labels]
    known, codes = {}, np.empty(len(values), dtype=np.int32)
    for row, value in enumerate(values):
        text = value if isinstance(value, str) else frames.text_of(value)
        if not text.strip():
            raise ValueError(f"row {row}, {name} is blank: write which {argument} it is, or leave the row out")
        codes[row] = known.setdefault(text, len(known))
    if (in_order or len(known) == 2) and list(known) != sorted(known):
        order = np.argsort(np.argsort(list(known)))
        return order[codes].astype(np.int32), sorted(known)
    return codes, list(known)


class GrowthFit(GrowthResult):
    """Result of `fit_growth` by ML or REML: the covariance is (X'V^-1 X)^-1. Nothing in it can be changed."""

    def __init__(self, core, asked, design, effects, labels, rounding=()):
        super().__init__(_core=core, asked=MappingProxyType(asked), _design=design, _effects=effects, _labels=labels, _rounding=tuple(rounding))

    @property
    def animal_sd(self):
        """Effect -> sd between animals (`Intercept`, `instar`); empty where no spread was estimated."""
        return MappingProxyType(dict(zip(self._core.effects, _core.standard_errors(self._core.effect_covariance).tolist(), strict=True)))

    @property
    def animal_correlation(self):
        """Correlation of the first two effects of an animal; None where there is one, NaN where an sd is 0."""
        return self._core.correlation if len(self._core.effects) > 1 else None

    def _effects_of_animals(self):
        return _core.conditional_modes(self._core)

    sigma = property(lambda self: self._core.sigma, doc="sd of a reading about its animal's line, log scale.")
    cohort_sd = property(lambda self: self._core.outer_sd if self._core.has_outer else None, doc="sd between cohorts; None without them.")
    log_likelihood = property(lambda self: self._core.log_likelihood, doc="Of the log sizes, all constants in; restricted under REML.")

    @property
    def health(self):
        """What to know before using the numbers: state "good", "warning" or "bad", and notes."""
        return Health.of([*self._core.health, *self._rounding])

    def degrees_of_freedom(self, method="satterthwaite"):
        """Name -> degrees of freedom of the t interval: "satterthwaite", "kenward_roger" or "residual"."""
        found = self._t_intervals(0.95, method)
        return dict(zip(self._core.coefficients, found.degrees_of_freedom.tolist(), strict=True))

    def _t_intervals(self, level, degrees):
        check_level(level)
        choice("degrees", degrees, DEGREES)
        return _core.contrast_intervals(self._core, np.eye(len(self._core.coefficients)), level, getattr(_core.MixedDegrees, degrees))

    def interval(self, level=0.95, degrees="satterthwaite"):
        """Frame of estimate, lower, upper, degrees_of_freedom: coefficients by Student's t; sigma and sds through their logarithms,
        correlations through Fisher's z.

        `degrees`: "satterthwaite"; "kenward_roger", which adjusts the standard errors too and is exact in balanced designs; "residual". All
        rest on the REML fit of the model, also under `method="ml"`, as spreads by ML are too small with few animals.
        """
        import pandas

        fixed = self._t_intervals(level, degrees)
        spreads = _core.spread_intervals(self._core, level)
        parts = [pandas.DataFrame({"estimate": part.estimate, "lower": part.lower, "upper": part.upper,
                                   "degrees_of_freedom": part.degrees_of_freedom}, index=names)
                 for part, names in ((fixed, self._core.coefficients), (spreads, spreads.names))]
        return pandas.concat(parts)

    def growth_ratio(self, level=0.95, against=2 ** (1 / 3), coefficient="instar", degrees="satterthwaite"):
        """Ratio of sizes from one instar to the next, exp(slope), with its interval and its comparison with another value.

        Series: ratio, lower, upper, degrees_of_freedom, against (default Przibram's 2^(1/3)), t, p_value (two-sided).
        """
        import pandas

        check_level(level)
        choice("degrees", degrees, DEGREES)
        self._check_ratio(coefficient, against)
        place = np.array([[float(name == coefficient) for name in self._core.coefficients]])
        found = _core.ratio_test(self._core, place, level, getattr(_core.MixedDegrees, degrees), float(against))
        return pandas.Series({"ratio": found.ratio, "lower": found.lower, "upper": found.upper,
                              "degrees_of_freedom": found.degrees_of_freedom, "against": float(against), "t": found.t,
                              "p_value": found.p_value})

    def predict(self, table, level=0.9, new_animal="population"):
        """Sizes in mm for rows of covariates: `estimate` (median), `mean_lower/upper` (band of the line), `new_lower/upper` (band of the
        next reading).

        A row whose animal (cohort) the fit knows gets its effect. Others: `new_animal="population"` gives the line of the population, with
        the spread between animals in the band of the next reading; "error" raises ValueError. The bands integrate over all parameters,
        spreads included, without random numbers.
        """
        check_level(level)
        choice("new_animal", new_animal, ("population", "error"))
        columns = frames.arrays_of(table)
        n_rows = len(next(iter(columns.values()))) if columns else 0
        columns = with_instar(columns, self.asked["instar"])
        rows = _core.MixedRows()
        rows.x = self._design.matrix(columns, n_rows)[1]
        if self._core.effects:
            rows.z = self._effects.matrix(columns, n_rows)[1]
        rows.groups = member_codes(self.asked["animal"], self._labels["animal"], columns, n_rows, new_animal)
        rows.outer_groups = member_codes(self.asked["cohort"], self._labels["cohort"], columns, n_rows, "population")
        bands = _core.predict_mixed(self._core, rows, level)
        scale = np.exp if self.asked["response"] == "log" else np.asarray
        names = ("estimate", "mean_lower", "mean_upper", "new_lower", "new_upper")
        return frames.frame_of({name: scale(getattr(bands, name)) for name in names}, frames.kind_of(table))

    @property
    def _spreads(self):
        """Name -> value of sigma and of what varies between animals and cohorts."""
        spreads = {"sigma": self.sigma} | {f"animal_sd[{name}]": sd for name, sd in self.animal_sd.items()}
        if self.animal_correlation is not None:
            spreads["animal_correlation"] = self.animal_correlation
        return spreads | ({} if self.cohort_sd is None else {"cohort_sd": self.cohort_sd})

    def _table(self):
        errors = self.standard_errors
        rows = [(name, f"{value:.5g}", f"{errors[name]:.3g}") for name, value in self.coefficients.items()]
        return ("", "estimate", "standard error"), rows + [(name, f"{value:.5g}", "") for name, value in self._spreads.items()]

    def _numbers(self):
        values = self.coefficients | self._spreads
        errors = self.standard_errors
        return {"term": list(values), "estimate": list(values.values()), "standard_error": [errors.get(name) for name in values]}

    def methods_text(self):
        """A paragraph for a paper: model, readings and animals, how it was fitted, health and versions."""
        from moltspan.text.methods import growth_text

        return growth_text(self)

    def _facts(self):
        asked, log = self.asked, self.asked["response"] == "log"
        random = f" + ({asked['random']} | {asked['animal']})" if self._core.effects else ""
        nested = f" + (1 | {asked['cohort']})" if self._core.has_outer else ""
        method = {"ml": "maximum likelihood", "reml": "restricted maximum likelihood"}[asked["method"]]
        response = f"log {asked['size']}" if log else asked["size"]
        return [("model", f"{response} ~ {asked['formula']}{random}{nested}, {method}"),
                ("readings", f"{self.n_readings} of {self.n_animals} animals" if asked["animal"] else f"{self.n_readings}"),
                ("log-likelihood", f"{self.log_likelihood:.6f}"),
                ("health", str(self.health))]
