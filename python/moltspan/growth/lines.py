"""The textbook lines of growth: Dyar's line of log size on instar, of one series or of several animals."""

import math
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from moltspan import _core
from moltspan._frames import frames
from moltspan._frames.result import Health, Result

PRZIBRAM = _core.przibram_ratio
BANDS = ("estimate", "mean_lower", "mean_upper", "simultaneous_lower", "simultaneous_upper", "new_lower", "new_upper", "extrapolated")
CHECK_WORDS = {"agrees": "agrees", "note": "over 0.1 mm", "warn": "over 0.2 mm"}
NOT_MIXED = ("animals as fixed intercepts with one slope: no mixed model, so it speaks of these animals; for animals in general use "
             "fit_growth")


class Interval(NamedTuple):
    """Estimate with the bounds of its interval; NaN where the data cannot tell."""

    estimate: float
    lower: float
    upper: float


class LineTest(NamedTuple):
    """A test: t (two-sided) or F, its degrees of freedom and p value."""

    statistic: float
    df: int
    p_value: float


class Curvature(NamedTuple):
    """Coefficient of instar squared beside the line: below 0 where the ratio declines from molt to molt."""

    coefficient: float
    standard_error: float
    t: float
    df: int
    p_value: float


class MoltCount(NamedTuple):
    """Molts to a size: real number, the whole number that suffices (None: never), what it rests on, bounds of the real number."""

    exact: float
    molts: int | None
    start_mm: float
    ratio: float
    lower: float
    upper: float


class LineResult(Result):
    """A line with its health."""

    @property
    def health(self):
        """What to know before using the numbers: state "good", "warning" or "bad", and notes."""
        return Health.of(self._core.health)

    def _estimates(self):
        """Columns of estimates, their standard errors and 95 % intervals, all digits."""
        bounds = self.interval(0.95)
        errors = self.standard_errors
        return {"term": list(bounds.index), "estimate": bounds["estimate"].tolist(), "standard_error": [errors.get(name) for name in bounds.index],
                "lower_95": bounds["lower"].tolist(), "upper_95": bounds["upper"].tolist()}


def floats(function, name, values):
    """One float a row, NaN where blank; ValueError with the row of what is no number."""
    try:
        result = np.asarray(values, dtype=float)
    except (TypeError, ValueError):
        result = np.array([_float(function, name, row, value) for row, value in enumerate(values)])
    if result.ndim != 1:
        raise ValueError(f"{function}: {name} must be a list or column with one value a row, not of shape {result.shape}")
    return np.ascontiguousarray(result)


def _float(function, name, row, value):
    try:
        return math.nan if frames.text_of(value).strip() == "" else float(value)
    except (TypeError, ValueError):
        raise ValueError(f"{function}: row {row}, {name} = {value!r} is no number; mend it or leave the row out") from None


def kind_of_column(values):
    """The kind of frame that a column came from; pandas for lists and arrays."""
    module = type(values).__module__.partition(".")[0]
    return module if module in frames.KINDS else "pandas"


def band_frame(place, values, bands, kind):
    return frames.frame_of({place: values} | {name: np.asarray(getattr(bands, name)) for name in BANDS}, kind)


def interval_frame(names, intervals):
    """Frame of estimate, lower, upper, a row a name."""
    import pandas

    return pandas.DataFrame([(one.estimate, one.lower, one.upper) for one in intervals], index=list(names), columns=list(Interval._fields))


def as_interval(core):
    return Interval(core.estimate, core.lower, core.upper)


def as_test(core):
    return LineTest(core.statistic, core.df, core.p_value)


def p_text(p):
    return "unknown" if math.isnan(p) else f"{p:.3g}"


def number_text(value, digits=5):
    return "-" if math.isnan(value) else f"{value:.{digits}g}"


def dyar_fit(instars, sizes_mm, weights=None, animal=None):
    """Dyar's line: log size = a + b instar, by least squares; exp(b) is the growth ratio of one molt.

    `instars` are numbers, gaps allowed; `sizes_mm` one linear measure (or any positive measure, such as mass). `weights`: how exact
    a row is, variance sigma^2 / weight; None = all alike. Returns `DyarFit`. With `animal` (a name a row) returns `DyarAnimals`: a
    line an animal, and the pooled fit of own intercepts and one slope.
    A size that is no positive number, a blank or infinite instar, a negative weight raise ValueError that names the row. Two points,
    or one instar only, get an answer whose `.health` says what is missing.
    """
    columns = [floats("dyar_fit", "instar", instars), floats("dyar_fit", "size", sizes_mm)]
    given = np.zeros(0) if weights is None else floats("dyar_fit", "weight", weights)
    if weights is not None and len(given) != len(columns[0]):
        raise ValueError(f"dyar_fit: {len(given)} weights for {len(columns[0])} rows; give one a row")
    kind = kind_of_column(instars)
    if animal is None:
        return DyarFit(_core.dyar_fit(*columns, given), kind)
    names, codes = _codes(animal)
    return DyarAnimals(_core=_core.dyar_fit_animals(*columns, codes, given), _names=tuple(names), _kind=kind)


def _codes(animal):
    names = {}
    texts = [frames.text_of(name) for name in animal]
    return names, [names.setdefault(text, len(names)) if text.strip() else -1 for text in texts]


class DyarFit(LineResult):
    """Result of `dyar_fit`: line of log size on instar, its bands and checks."""

    _title = "Dyar's line"

    def __init__(self, core, kind="pandas"):
        asked = {"instars": tuple(core.instars.tolist()), "sizes_mm": tuple(core.sizes_mm.tolist()), "weights": tuple(core.weights.tolist())}
        super().__init__(_core=core, _kind=kind, asked=MappingProxyType(asked))

    ratio = property(lambda self: self._core.ratio, doc="Growth ratio of one molt, exp(slope).")
    residual_sd = property(lambda self: self._core.line.residual_sd, doc="Of log sizes about the line.")
    sigma = residual_sd
    residual_df = property(lambda self: self._core.line.residual_df)
    r_squared = property(lambda self: self._core.line.r_squared, doc="Of log sizes. The residual sd tells more (Schmidt et al. 1977).")
    n = property(lambda self: self._core.line.n, doc="Rows that count.")

    @property
    def coefficients(self):
        """`Intercept` and `instar` (the slope), of log size."""
        return dict(zip(("Intercept", "instar"), self._core.line.coefficients.tolist(), strict=True))

    @property
    def standard_errors(self):
        return {name: self._core.line.standard_error(i) for i, name in enumerate(("Intercept", "instar"))}

    @property
    def covariance(self):
        """Covariance of the coefficients, a frame named on both sides."""
        import pandas

        return pandas.DataFrame(self._core.line.covariance, index=list(self.coefficients), columns=list(self.coefficients))

    def interval(self, level=0.95):
        """Frame of estimate, lower, upper of the coefficients and of `ratio`: exact t intervals."""
        errors = self.standard_errors
        intervals = [_core.t_interval(value, errors[name], self.residual_df, level) for name, value in self.coefficients.items()]
        return interval_frame([*errors, "ratio"], [*intervals, self.growth_ratio(level)])

    def growth_ratio(self, level=0.95):
        """The ratio with its exact t interval."""
        return as_interval(_core.growth_ratio(self._core, level))

    def test_ratio(self, ratio=PRZIBRAM):
        """t test that the ratio is `ratio`: by default Przibram's 2^(1/3), that is 1.26; 2 for masses."""
        return as_test(_core.test_ratio(self._core, ratio))

    @property
    def curvature(self):
        """Test of a declining (or rising) ratio: the square of the instar beside the line."""
        core = self._core
        test = core.quadratic_test
        return Curvature(core.quadratic, core.quadratic_error, test.statistic, test.df, test.p_value)

    def predict(self, instars, level=0.9):
        """Frame of sizes along the line: `estimate`; `mean_lower/upper`, the line at that one instar; `simultaneous_lower/upper`, the
        line at all instars at once (Working-Hotelling); `new_lower/upper`, one further animal's size; `extrapolated` beyond the
        fitted instars."""
        values = floats("predict", "instar", instars)
        return band_frame("instar", values, _core.predict_sizes(self._core, values, level), self._kind)

    def crosby(self):
        """Frame of Crosby's check: `percent` by which the ratio after an instar differs from the one before it; beyond 10 %
        the verdict is "look", for a wrongly grouped or skipped instar is one reason among others. See `crosby_text`."""
        rows = self._core.crosby.rows
        columns = {name: np.array([getattr(row, name) for row in rows]) for name in ("instar", "ratio_before", "ratio_after", "percent")}
        return frames.frame_of(columns | {"verdict": ["look" if row.look else "within 10 %" for row in rows]}, self._kind)

    crosby_beyond = property(lambda self: self._core.crosby.beyond, doc="How many of Crosby's percentages are beyond 10 %.")
    crosby_expected = property(lambda self: self._core.crosby.expected_beyond,
                               doc="How many the scatter about the line alone would put beyond 10 %, nothing missing.")
    crosby_expected_typical = property(lambda self: self._core.crosby.expected_beyond_typical,
                                       doc="The same, the scatter taken from the median percentage, which a bent line does not swell.")

    @property
    def crosby_text(self):
        """Crosby's check in words: how many percentages call for a look, and how many scatter alone explains."""
        check = self._core.crosby
        if not check.rows:
            return "not possible with under three instars"
        text = f"{check.beyond} of {len(check.rows)} beyond 10 %"
        if math.isnan(check.expected_beyond):
            return text
        text += (f"; with no instar missing, scatter about the line alone would put about {check.expected_beyond:.1f} there (by the typical "
                 f"percentage: {check.expected_beyond_typical:.1f})")
        if not check.beyond:
            return text
        unusual = check.beyond > check.expected_beyond_typical  # the line's own scatter holds the step of a skipped instar
        return text + ("; look at these instars" if unusual else "; no more than the usual scatter explains")

    def checks(self):
        """Frame of observed and calculated sizes; `check` names differences over 0.1 and over 0.2 mm (Dyar 1890: not significant)."""
        rows = self._core.checks
        columns = {name: np.array([getattr(row, name) for row in rows]) for name in ("instar", "size_mm", "calculated_mm", "difference_mm")}
        return frames.frame_of(columns | {"check": [CHECK_WORDS[row.state.name] for row in rows]}, self._kind)

    def molts_to_reach(self, size_mm, start_mm=None, ratio=None, level=0.95):
        """Molts from `start_mm` (None: mean size of the last instar) to `size_mm` at a constant ratio (None: the fitted one, whose
        interval then bounds the number)."""
        return _molt_count(_core.molts_to_reach(self._core, size_mm, start_mm, ratio, level))

    def _facts(self):
        quadratic = self.curvature
        przibram = self.test_ratio()
        low, high = min(self.asked["instars"]), max(self.asked["instars"])
        return [("model", "log size = a + b instar, " + ("least squares" if len(set(self.asked["weights"])) == 1 else "weighted least squares")),
                ("sizes", f"{self.n}, instars {low:g} to {high:g}"),
                ("residual sd", f"{number_text(self.residual_sd)} (log scale, {self.residual_df} df), R2 {number_text(self.r_squared)}"),
                ("ratio of 2^(1/3) (Przibram)", f"p = {p_text(przibram.p_value)}"),
                ("ratio that changes", f"{number_text(quadratic.coefficient)} a squared instar, p = {p_text(quadratic.p_value)}"),
                ("Crosby", self.crosby_text), ("health", str(self.health))]

    def _numbers(self):
        return self._estimates()

    def _table(self):
        errors = self.standard_errors
        ratio = self.growth_ratio(0.95)
        rows = [(name, number_text(value), number_text(errors[name], 3), "", "") for name, value in self.coefficients.items()]
        return (("", "estimate", "standard error", "95 % from", "to"),
                [*rows, ("ratio", number_text(ratio.estimate), "", number_text(ratio.lower), number_text(ratio.upper))])


class DyarAnimals(LineResult):
    """Result of `dyar_fit` with animals: a line an animal, and `pooled`."""

    _title = "Dyar's line, animal by animal"

    animals = property(lambda self: self._names, doc="Names, in the order of the table.")
    pooled = property(lambda self: PooledDyar(_core=self._core.pooled, _names=self._names), doc="Own intercepts, one slope.")

    @property
    def health(self):
        """The pooled fit's; the table names the animals whose own line is weak."""
        return self.pooled.health

    def fit(self, animal):
        """The line of one animal, a `DyarFit`."""
        name = frames.text_of(animal)
        if name not in self._names:
            raise ValueError(f"animal {animal!r} is not in this fit; it has {', '.join(self._names)}")
        return DyarFit(self._core.animals[self._names.index(name)], self._kind)

    def table(self, level=0.95):
        """Frame, a row an animal: n, ratio with its interval, intercept, residual sd, R2, p of a changing ratio, health."""
        fits = [DyarFit(core) for core in self._core.animals]
        ratios = [fit.growth_ratio(level) for fit in fits]
        columns = {"animal": list(self._names), "n": np.array([fit.n for fit in fits]), "ratio": np.array([ratio.estimate for ratio in ratios]),
                   "ratio_lower": np.array([ratio.lower for ratio in ratios]), "ratio_upper": np.array([ratio.upper for ratio in ratios]),
                   "intercept": np.array([fit.coefficients["Intercept"] for fit in fits]),
                   "residual_sd": np.array([fit.residual_sd for fit in fits]), "r_squared": np.array([fit.r_squared for fit in fits]),
                   "p_curvature": np.array([fit.curvature.p_value for fit in fits]), "health": [str(fit.health) for fit in fits]}
        return frames.frame_of(columns, self._kind)

    def _facts(self):
        return self.pooled._facts()

    def _numbers(self):
        return frames.columns_of(self.table())

    def _table(self):
        rows = []
        for name, core in zip(self._names, self._core.animals, strict=True):
            fit = DyarFit(core)
            ratio = fit.growth_ratio(0.95)
            rows.append((name, fit.n, *map(number_text, ratio), number_text(fit.residual_sd), fit.health.state))
        ratio = self.pooled.growth_ratio(0.95)
        rows.append(("pooled", self.pooled.n, *map(number_text, ratio), number_text(self.pooled.residual_sd), self.pooled.health.state))
        return ("animal", "n", "ratio", "95 % from", "to", "residual sd", "health"), rows


class PooledDyar(LineResult):
    """Own intercepts and one slope by least squares. This is no mixed model: it speaks of these animals."""

    _title = "Dyar's line, one slope"

    ratio = property(lambda self: self._core.ratio)
    slope = property(lambda self: self._core.slope)
    standard_error = property(lambda self: self._core.slope_error, doc="Of the slope.")
    residual_sd = property(lambda self: self._core.residual_sd)
    residual_df = property(lambda self: self._core.residual_df)
    r_squared = property(lambda self: self._core.r_squared_within, doc="Within animals.")
    n = property(lambda self: self._core.n)

    @property
    def intercepts(self):
        """Animal -> intercept of log size."""
        return dict(zip(self._names, self._core.intercepts.tolist(), strict=True))

    def growth_ratio(self, level=0.95):
        """The common ratio with its exact t interval."""
        return as_interval(_core.growth_ratio(self._core, level))

    def test_ratio(self, ratio=PRZIBRAM):
        """t test that the common ratio is `ratio`."""
        return as_test(_core.test_ratio(self._core, ratio))

    @property
    def equal_ratios(self):
        """F test of one ratio for all animals against own ratios."""
        return as_test(self._core.equal_slopes)

    def _facts(self):
        return [("model", "log size = a_animal + b instar, least squares; " + NOT_MIXED),
                ("sizes", f"{self.n}, of {self._core.n_animals} animals"),
                ("residual sd", f"{number_text(self.residual_sd)} (log scale, {self.residual_df} df), R2 within {number_text(self.r_squared)}"),
                ("one ratio for all", f"p = {p_text(self.equal_ratios.p_value)}"), ("health", str(self.health))]

    def _numbers(self):
        estimate, lower, upper = self.growth_ratio(0.95)
        return {"term": ["ratio"], "estimate": [estimate], "lower_95": [lower], "upper_95": [upper]}

    def _table(self):
        ratio = self.growth_ratio(0.95)
        return (("", "estimate", "95 % from", "to"), [("ratio", *map(number_text, ratio))])


def _molt_count(core):
    molts = int(core.molts) if math.isfinite(core.molts) else None
    return MoltCount(core.exact, molts, core.start_mm, core.ratio, core.lower, core.upper)


def molts_to_reach(size_mm, start_mm, ratio):
    """Molts from one size to another at a constant ratio: log(size / start) / log(ratio), and the whole number that suffices."""
    return _molt_count(_core.molts_to_reach(float(size_mm), float(start_mm), float(ratio)))
