"""Size after a molt on size before it, and sizes and periods along molts from published coefficients."""

import math
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from moltspan import _core
from moltspan._frames import frames
from moltspan.growth.lines import LineResult, band_frame, floats, interval_frame, kind_of_column, number_text
from moltspan.stadia.intervals import choice

FORMS = {"hiatt": "size after = a + b size before", "log": "log size after = a + b log size before",
         "bent": "size after = a + b size before + c beyond the breakpoint"}
LOSSES = {"squares": "least squares", "huber": "Huber's robust loss"}
INCREMENTS = {"hiatt": ("intercept_mm", "slope"), "log": ("intercept", "slope"),
              "bent": ("intercept_mm", "slope", "slope_loss", "breakpoint_mm"), "constant": ("increment_mm",),
              "factor": ("first_growth_factor", "molt_slope_factor")}
PERIODS = {"constant": ("days",), "factor": ("first_days", "period_slope_factor"),
           "degree_days": ("intercept", "slope_per_mm", "temperature_c", "lower_c", "upper_c"),
           "belehradek": ("a", "b_c", "c", "temperature_c")}


class Inverse(NamedTuple):
    """Size before a molt, from the size after it. `kind`: "bounded", between `lower` and `upper`; "outside", below `lower` or above
    `upper`; "everything", nothing is excluded; "unknown", no scatter to judge by. `text` says it in words."""

    estimate: float
    lower: float
    upper: float
    kind: str
    text: str


class Breakpoint(NamedTuple):
    """Profile interval of a breakpoint; an open end is not closed by the data: there it is the end of the searched range."""

    estimate: float
    lower: float
    upper: float
    lower_open: bool
    upper_open: bool


def increment_fit(pre_mm, post_mm, form="hiatt", loss="squares"):
    """Line of the size after a molt on the size before it, from pairs of sizes; molts of one animal are taken as independent.

    `form`: "hiatt", a straight line of sizes (Hiatt 1948); "log", the same of log sizes; "bent", two slopes that meet at an estimated
    breakpoint. `loss="huber"` lets outlying molts count less (not for "bent"). Sizes that are no positive numbers raise ValueError
    with the row; weak data gets an answer whose `.health` says what is missing.
    """
    choice("form", form, tuple(FORMS)), choice("loss", loss, tuple(LOSSES))
    columns = floats("increment_fit", "pre", pre_mm), floats("increment_fit", "post", post_mm)
    core = _core.increment_fit(*columns, getattr(_core.IncrementForm, form), getattr(_core.IncrementLoss, loss))
    asked = {"form": form, "loss": loss, "pre_mm": tuple(columns[0].tolist()), "post_mm": tuple(columns[1].tolist())}
    return IncrementFit(_core=core, _kind=kind_of_column(pre_mm), asked=MappingProxyType(asked))


class IncrementFit(LineResult):
    """Result of `increment_fit`."""

    _title = "Size after a molt on size before it"

    residual_sd = property(lambda self: self._core.residual_sd, doc="About the line (of log sizes for form='log'); the scale under huber.")
    sigma = residual_sd
    residual_df = property(lambda self: self._core.residual_df)
    r_squared = property(lambda self: self._core.r_squared)
    n = property(lambda self: self._core.n)

    @property
    def coefficients(self):
        """`intercept`, `slope`; for "bent" also `slope_change` and `breakpoint`."""
        return dict(zip(self._core.names, self._core.coefficients.tolist(), strict=True))

    @property
    def standard_errors(self):
        return {name: self._core.standard_error(i) for i, name in enumerate(self._core.names)}

    @property
    def covariance(self):
        """Covariance of the coefficients, a frame named on both sides."""
        import pandas

        return pandas.DataFrame(self._core.covariance, index=self._core.names, columns=self._core.names)

    def interval(self, level=0.95):
        """Frame of estimate, lower, upper: t intervals; the breakpoint by its profile (see `breakpoint`)."""
        errors = self.standard_errors
        intervals = [self.breakpoint(level) if name == "breakpoint" else _core.t_interval(value, errors[name], self.residual_df, level)
                     for name, value in self.coefficients.items()]
        return interval_frame(errors, intervals)

    def breakpoint(self, level=0.95):
        """Where a bent line bends, with its profile interval."""
        core = _core.breakpoint_interval(self._core, level)
        return Breakpoint(core.estimate, core.lower, core.upper, core.lower_open, core.upper_open)

    def predict(self, pre_mm, level=0.9):
        """Frame of sizes after the molt: `estimate`, the band of the line there (`mean_`), of the line everywhere at once
        (`simultaneous_`), of one further molt (`new_`), and whether it is `extrapolated`."""
        values = floats("predict", "pre", pre_mm)
        return band_frame("pre_mm", values, _core.predict_post(self._core, values, level), self._kind)

    def predict_pre(self, post_mm, level=0.9, mean=False):
        """Size before the molt that fits a size after it: Fieller's interval, which is unbounded where the slope is not told from 0,
        and then says so. `mean=True`: for a mean of many animals, without the scatter of one."""
        core = _core.predict_pre(self._core, float(post_mm), level, mean)
        words = {"bounded": f"between {core.lower:.4g} and {core.upper:.4g}",
                 "outside": f"unbounded: below {core.lower:.4g} or above {core.upper:.4g}; the slope is not told from 0 at this level",
                 "everything": "unbounded: no size is excluded; the slope is not told from 0 at this level",
                 "unknown": "unknown: no scatter can be seen"}
        return Inverse(core.estimate, core.lower, core.upper, core.kind.name, words[core.kind.name])

    def table(self):
        """Frame, a row a molt: sizes, fitted size, residual, and weight (under 1 where huber holds a molt for outlying)."""
        columns = {name: np.array(self.asked[name]) for name in ("pre_mm", "post_mm")}
        fitted = self._core.fitted_mm
        columns |= {"fitted_mm": fitted, "residual_mm": columns["post_mm"] - fitted, "weight": self._core.row_weights}
        return frames.frame_of(columns, self._kind)

    def project(self, start_mm, molts=10, period=None):
        """Sizes along molts by this line; see `project_molts`."""
        return project_molts(start_mm, self, period, molts)

    def _facts(self):
        facts = [("model", f"{FORMS[self.asked['form']]}, {LOSSES[self.asked['loss']]}"), ("molts", str(self.n)),
                 ("residual sd", f"{number_text(self.residual_sd)} ({self.residual_df} df), R2 {number_text(self.r_squared)}")]
        if self.asked["form"] == "bent":
            facts.append(("straight line", f"residual sd {number_text(self._core.straight_sd)}; no p value, as a straight line has no breakpoint"))
        return [*facts, ("health", str(self.health))]

    def _numbers(self):
        return self._estimates()

    def _table(self):
        known = not math.isnan(self.residual_sd)
        bounds = self.interval(0.95)
        errors = self.standard_errors
        return (("", "estimate", "standard error", "95 % from", "to"),
                [(name, number_text(value), number_text(errors[name], 3) if known else "-", number_text(bounds.lower[name]),
                  number_text(bounds.upper[name])) for name, value in self.coefficients.items()])


class IncrementModel(NamedTuple):
    """How size grows at a molt: `kind` and its coefficients. Made by `increment_model`."""

    kind: str
    coefficients: tuple

    def _to_core(self):
        values = [*self.coefficients, 0.0, 0.0, 0.0][:4]
        return _core.IncrementModel(getattr(_core.IncrementModel.Kind, self.kind), *values)


class PeriodModel(NamedTuple):
    """How long the stadium before a molt lasts: `kind` and its coefficients. Made by `period_model`."""

    kind: str
    coefficients: tuple

    def _to_core(self):
        named = dict(zip(PERIODS[self.kind], self.coefficients, strict=True))
        temperatures = [named.pop(name, 0.0) for name in ("temperature_c", "lower_c", "upper_c")]
        values = [*named.values(), 0.0, 0.0][:3]
        return _core.PeriodModel(getattr(_core.PeriodModel.Kind, self.kind), *values, *temperatures)


def _model(function, kinds, made, kind, coefficients):
    choice("kind", kind, tuple(kinds))
    wanted = kinds[kind]
    if set(coefficients) != set(wanted):
        raise ValueError(f"{function}: kind={kind!r} takes {', '.join(wanted)}; given: {', '.join(coefficients) or 'none'}")
    values = floats(function, "coefficients", [coefficients[name] for name in wanted])
    for name, value in zip(wanted, values.tolist(), strict=True):
        if not math.isfinite(value):
            raise ValueError(f"{function}: {name} = {value!r}; it must be a number")
    return made(kind, tuple(values.tolist()))


def increment_model(kind, **coefficients):
    """An increment model from published coefficients.

    "hiatt" (`intercept_mm`, `slope`): after = intercept + slope before. "log" (`intercept`, `slope`): the same of log sizes. "bent"
    (`intercept_mm`, `slope`, `slope_loss`, `breakpoint_mm`): increment = intercept + slope before - slope_loss max(0, before -
    breakpoint). "constant" (`increment_mm`). "factor" (`first_growth_factor`, `molt_slope_factor`): increment / size before, which
    falls by the molt slope factor at each molt (Mauchline 1976).
    """
    return _model("increment_model", INCREMENTS, IncrementModel, kind, coefficients)


def period_model(kind, **coefficients):
    """A model of the stadium before a molt, in days, from published coefficients.

    "constant" (`days`). "factor" (`first_days`, `period_slope_factor`): grows by that factor at each molt (Mauchline 1976). "degree_days"
    (`intercept`, `slope_per_mm`, `temperature_c`, `lower_c`, `upper_c`): exp(intercept + slope size) / (min(temperature, upper) - lower).
    "belehradek" (`a`, `b_c`, `c`, `temperature_c`): a (temperature - b)^-c.
    """
    return _model("period_model", PERIODS, PeriodModel, kind, coefficients)


def project_molts(start_mm, increment, period=None, molts=10):
    """Frame of sizes along the next molts: `molt`, `pre_mm`, `post_mm`, `period_days` (blank without `period`), `age_days` since the start.

    `increment`: an `increment_model` or an `increment_fit`; `period`: a `period_model`. A path without scatter, as coefficients give it.
    """
    grow = _core.increment_model(increment._core) if isinstance(increment, IncrementFit) else increment._to_core()
    wait = _core.PeriodModel(_core.PeriodModel.Kind.none, 0, 0, 0, 0, 0, 0) if period is None else period._to_core()
    path = _core.project_molts(float(start_mm), int(molts), grow, wait)
    names = ("molt", "pre_mm", "post_mm", "period_days", "age_days")
    return frames.frame_of({name: np.array([getattr(step, name) for step in path]) for name in names})


def slope_factors(sizes_mm=(), periods_days=()):
    """Mauchline's factors as a dict: `molt_slope_factor`, by which the growth factor (increment / size before) changes per molt, from
    successive sizes; `period_slope_factor`, by which the period changes per molt, from successive periods. NaN where too few."""
    core = _core.slope_factors(floats("slope_factors", "size", sizes_mm), floats("slope_factors", "period", periods_days))
    return {"molt_slope_factor": core.molt, "period_slope_factor": core.period}
