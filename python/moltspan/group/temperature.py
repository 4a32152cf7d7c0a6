"""Development against temperature: Q10, thermal sums, Belehradek's and Briere's curves, molts at varying temperature.

Temperatures in degrees Celsius, times in days, rates per day. All statistics are those of moltspan/group_temperature.hpp.
"""

import math
from functools import partial

import numpy as np

from moltspan import _core
from moltspan._frames.calls import check_methods
from moltspan.group.table import ResultTable
from moltspan._frames.result import Health


def q10(rate_1, rate_2, temperature_1_c, temperature_2_c):
    """Factor by which a rate rises over 10 degrees: (rate_2 / rate_1)^(10 / (t_2 - t_1)). Rates, not lengths: 1 / days."""
    return _core.q10(rate_1, rate_2, temperature_1_c, temperature_2_c)


def numbers_of(values, name):
    """Floats of a column or list; NaN where blank."""
    from moltspan._frames import frames

    return frames.checked_numbers(values, name).tolist()


class CurveFit(ResultTable):
    """A curve fitted to lengths at several temperatures: a row a parameter with its intervals.

    `lower`, `upper`: the interval to use; `delta_*` estimate +- t x standard error; `bootstrap_*` percentiles of resampled
    residuals. `estimates`: parameter -> value. `curve`: the law itself, for `days`, `rate_per_day`, `molt_day`.
    """

    def __init__(self, core, caption, curve, asked):
        super().__init__(caption, _parameter_columns(core), "pandas", asked, _facts(core, asked), Health.of(core.health),
                         _core=core, curve=curve)

    estimates = property(lambda self: {p.name: p.estimate for p in self._core.parameters})
    sigma = property(lambda self: self._core.sigma, doc="Residual sd on the scale of the fit.")
    r_squared = property(lambda self: self._core.r_squared)
    n = property(lambda self: self._core.n)

    def interval(self, name):
        """(lower, upper) of a parameter; infinite where unbounded."""
        found = next((p for p in self._core.parameters if p.name == name), None)
        if found is None:
            raise KeyError(f"{name!r}: the curve has {', '.join(self.estimates)}")
        return found.interval.lower, found.interval.upper


def _parameter_columns(core):
    columns = {"parameter": [p.name for p in core.parameters], "estimate": [p.estimate for p in core.parameters]}
    columns["standard_error"] = [p.standard_error for p in core.parameters]
    for name, prefix in (("interval", ""), ("delta", "delta_"), ("bootstrap", "bootstrap_")):
        columns[f"{prefix}lower"] = [getattr(p, name).lower for p in core.parameters]
        columns[f"{prefix}upper"] = [getattr(p, name).upper for p in core.parameters]
    return columns


def _facts(core, asked):
    left = f", {core.n_left_out} left out" if core.n_left_out else ""
    drawn = f"{asked['bootstrap']} resamples of residuals, seed {asked['seed']}"
    failed = f", {core.bootstrap_failed} of them without an answer" if core.bootstrap_failed else ""
    return [("fit", f"least squares of {asked['scale']}, {core.n} rows{left}; R^2 {core.r_squared:.4f}, residual sd {core.sigma:.4g}"),
            ("intervals", f"{asked['level'] * 100:g} %: {asked['rule']}" + (f"; bootstrap: {drawn}{failed}" if asked["bootstrap"] else ""))]


@check_methods
class _Law:
    """What every rate law can do with a series of temperatures."""

    def molt_day(self, temperatures_c, step_days=1.0):
        """When development reaches 1 over a series of temperatures, one a step.

        Returns a dict: `days` (end of the step in which it does), `days_within_step` (linear within it), both None where the
        series ends before, and `progress`, the share passed by the end.
        """
        rates = [self.rate_per_day(t) for t in np.asarray(temperatures_c, dtype=float).tolist()]
        progress, days, within = _core.accumulate_development(rates, step_days)
        return {"days": None if math.isnan(days) else days, "days_within_step": None if math.isnan(within) else within,
                "progress": progress}


@partial(check_methods, init=True)
class Belehradek(_Law):
    """Belehradek's law (1935): days = a (T - b)^(-c), without development at and below b; c = 1 is a thermal sum."""

    def __init__(self, a, b_c, c=1.0):
        if not (a > 0 and c > 0 and math.isfinite(b_c)):
            raise ValueError(f"Belehradek(a={a!r}, b_c={b_c!r}, c={c!r}): a and c are positive, b_c is a temperature")
        self._law = _core.Belehradek(a, b_c, c)
        self.a, self.b_c, self.c = a, b_c, c

    def days(self, temperature_c):
        """Length at a constant temperature; infinite where there is no development."""
        return self._law.days(temperature_c)

    def temperature_c(self, days):
        """The constant temperature at which it takes `days`."""
        if np.any(~(np.asarray(days, dtype=float) > 0)):
            raise ValueError(f"Belehradek.temperature_c: days={days!r}: a length is positive")
        return self._law.temperature_c(days)

    def rate_per_day(self, temperature_c):
        return self._law.rate_per_day(temperature_c)

    def __repr__(self):
        return f"Belehradek(a={self.a:g}, b_c={self.b_c:g}, c={self.c:g})"


@partial(check_methods, init=True)
class Briere(_Law):
    """Briere's first law (1999; from memory): rate = a T (T - lower) sqrt(upper - T) between the limits, else 0."""

    def __init__(self, a, lower_c, upper_c):
        if not (a > 0 and lower_c < upper_c):
            raise ValueError(f"Briere(a={a!r}, lower_c={lower_c!r}, upper_c={upper_c!r}): a is positive, lower_c under upper_c")
        self._law = _core.Briere(a, lower_c, upper_c)
        self.a, self.lower_c, self.upper_c = a, lower_c, upper_c

    optimum_c = property(lambda self: self._law.optimum_c(), doc="Temperature of the highest rate.")

    def rate_per_day(self, temperature_c):
        return self._law.rate_per_day(temperature_c)

    def __repr__(self):
        return f"Briere(a={self.a:g}, lower_c={self.lower_c:g}, upper_c={self.upper_c:g})"


def thermal_sum_fit(temperature_c, days, use_from_c=None, use_to_c=None, level=0.95, bootstrap=1000, seed=1):
    """Lower threshold T0 and thermal sum K of a linear rate, 1 / days = (T - T0) / K, by least squares of the rate.

    `use_from_c`..`use_to_c`: the range where the rate is straight; other rows, and blank or infinite lengths, are left out and
    counted. Rows are means or single animals, all of equal weight. Intervals: Fieller's for T0, the inverted t interval of the
    slope for K; unbounded where the slope is not clear of 0. With under eight rows trust these rather than the bootstrap.
    """
    asked = {"scale": "the rate", "level": level, "bootstrap": bootstrap, "seed": seed, "use_from_c": use_from_c, "use_to_c": use_to_c,
             "rule": "Fieller for the threshold, inverted slope for the sum"}
    core = _core.thermal_sum_fit(numbers_of(temperature_c, "temperature_c"), numbers_of(days, "days"), use_from_c, use_to_c, level,
                                 bootstrap, seed)
    found = {p.name: p.estimate for p in core.parameters}
    curve = Belehradek(found["sum_degree_days"], found["threshold_c"]) if found["slope"] > 0 else None
    return CurveFit(core, "Thermal sum: 1 / days = (T - threshold) / sum", curve, asked)


def belehradek_fit(temperature_c, days, c=None, level=0.95, bootstrap=0, seed=1):
    """Fits days = a (T - b)^(-c) by least squares of log days; `c` given is held. Infinite or blank lengths are left out.

    Over few degrees b and c stand in for each other: look at `.health` and at the intervals before reading either alone.
    """
    asked = {"scale": "log days", "level": level, "bootstrap": bootstrap, "seed": seed, "c": c,
             "rule": "t on log a, log(lowest temperature - b), log c"}
    core = _core.belehradek_fit(numbers_of(temperature_c, "temperature_c"), numbers_of(days, "days"), c, level, bootstrap, seed)
    found = {p.name: p.estimate for p in core.parameters}
    return CurveFit(core, "Belehradek: days = a (T - b)^(-c)", Belehradek(found["a"], found["b_c"], found["c"]), asked)


def briere_fit(temperature_c, days, level=0.95, bootstrap=0, seed=1):
    """Fits Briere's first rate curve: lower and upper limit and optimum of development. Blank or infinite days = no development.

    Least squares of rates. Needs five temperatures, of which some on the falling side: else the upper limit and the optimum are
    extrapolated, and `.health` says so. Briere et al. 1999, Environmental Entomology 28:22; formula from memory.
    """
    asked = {"scale": "rates", "level": level, "bootstrap": bootstrap, "seed": seed,
             "rule": "t on the logs of a and of the gaps to the limits, delta method for the optimum"}
    core = _core.briere_fit(numbers_of(temperature_c, "temperature_c"), numbers_of(days, "days"), level, bootstrap, seed)
    found = {p.name: p.estimate for p in core.parameters}
    return CurveFit(core, "Briere: rate = a T (T - lower) sqrt(upper - T)", Briere(found["a"], found["lower_c"], found["upper_c"]), asked)
