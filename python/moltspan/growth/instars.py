"""Instars from a sample of sizes: a mixture of normal laws on log size, one an instar."""

from types import MappingProxyType

import numpy as np

from moltspan import _core
from moltspan._frames import frames
from moltspan.stadia.intervals import check_level, choice
from moltspan._frames.result import Health, Result

SPACINGS = ("dyar", "declining", "free")
SPREADS = ("equal", "linear", "free")
COVARIANCES = ("full", "diagonal")


def instar_mixture(sizes_mm, n_instars=None, known=None, spacing="dyar", spread="equal", covariance="full", reading_step_mm=None,
                   max_instars=15, least_spread=0.1, bootstrap=0, seed=1, threads=0):
    """Finds the instars in a sample of sizes: `log size | instar k ~ N(mu_k, Sigma_k)`, with a weight for each instar.

    `sizes_mm`: one size an animal, or one to three traits of each (a frame, or rows x traits). `spacing`: means of each trait on
    Dyar's line a + b k with growth ratio exp(b) ("dyar"), on a + b k + c k^2 ("declining"), or "free". `spread`: sd of log size
    the same in all instars ("equal"), its logarithm linear in the instar ("linear"; one trait, or diagonal), or "free" (kept over
    `least_spread` times the common sd, as the likelihood has no maximum without a bound). `covariance` of several traits within an instar:
    "full" or "diagonal". `n_instars`: None takes the number from 1 to `max_instars` with the smallest BIC = parameters log n - 2 log-likelihood
    (larger is better; ICL stands beside it). `known`: instar of animals whose molts were counted, blank (None, NaN) elsewhere; the first instar
    is 1 unless these say otherwise. `reading_step_mm` (a number, or one a trait): sizes are known to [size - step / 2, size + step / 2).
    `bootstrap`: replicates (999 is usual) of the likelihood-ratio tests of one instar fewer and one more; with `seed` they are the same every time.

    Log-likelihoods are densities of natural-log size, or masses of the steps. Maxima are found from many starts by EM and Newton's method.
    ValueError names the row of a size that is not positive, and asks for fewer instars where there are fewer different sizes than instars. A
    sample that cannot tell gives a result whose `.health` says why.
    """
    sizes, traits, kind = _sizes(sizes_mm)
    data = _core.InstarSizes(sizes, _known(known, len(sizes)))
    choice("spacing", spacing, SPACINGS), choice("spread", spread, SPREADS), choice("covariance", covariance, COVARIANCES)
    options = _core.InstarOptions()
    options.n_instars = 0 if n_instars is None else _whole("n_instars", n_instars, 1)
    options.max_instars, options.bootstrap = _whole("max_instars", max_instars, 1), _whole("bootstrap", bootstrap, 0)
    options.spacing, options.spread = getattr(_core.Spacing, spacing), getattr(_core.Spread, spread)
    options.covariance, options.least_spread = getattr(_core.Covariance, covariance), float(least_spread)
    options.reading_step_mm = _steps(reading_step_mm, len(traits))
    options.seed, options.threads = seed, threads
    asked = {"n_instars": n_instars, "spacing": spacing, "spread": spread, "covariance": covariance, "reading_step_mm": reading_step_mm,
             "max_instars": max_instars, "least_spread": least_spread, "bootstrap": bootstrap, "seed": seed}
    return InstarMixture(_core.instar_mixture(data, options), asked, data, options, traits, kind)


def _whole(name, value, least):
    if isinstance(value, bool) or value != int(value) or value < least:
        raise ValueError(f"{name}={value!r}: give a whole number, {least} or more")
    return int(value)


def _sizes(sizes_mm):
    """Rows x traits, names of the traits, kind of frames to give back."""
    module = type(sizes_mm).__module__.partition(".")[0]
    if module in frames.KINDS and hasattr(sizes_mm, "columns") and hasattr(sizes_mm, "shape"):
        columns = frames.columns_of(sizes_mm)
        return np.column_stack([_floats(values, name) for name, values in columns.items()]), list(columns), module
    kind = module if module in frames.KINDS else "pandas"
    if module in frames.KINDS:
        sizes_mm = sizes_mm.to_pylist() if hasattr(sizes_mm, "to_pylist") else list(sizes_mm)
    array = np.asarray(sizes_mm, dtype=object)
    if array.ndim == 0 or array.ndim > 2:
        raise ValueError(f"sizes_mm has {array.ndim} dimensions: give one size an animal, or rows x traits")
    array = array.reshape(len(array), -1) if array.size else np.zeros((0, 1))
    names = ["size_mm"] if array.shape[1] == 1 else [f"trait_{j + 1}_mm" for j in range(array.shape[1])]
    return np.column_stack([_floats(array[:, j], name) for j, name in enumerate(names)]), names, kind


def _floats(values, name):
    result = np.empty(len(values))
    for row, value in enumerate(values):
        try:
            result[row] = np.nan if frames.text_of(value).strip() == "" else float(value)
        except (TypeError, ValueError):
            raise ValueError(f"instar_mixture: row {row}, {name} = {value!r} is no number; mend it or leave the row out") from None
    return result


def _known(known, n_rows):
    if known is None:
        return []
    labels = []
    for row, value in enumerate(known):
        if frames.text_of(value).strip() == "":
            labels.append(_core.instar_not_known)
            continue
        try:
            label = float(value)
            whole = label == int(label) and label >= 0
        except (TypeError, ValueError, OverflowError):
            whole = False
        if not whole:
            raise ValueError(f"instar_mixture: row {row}, known = {value!r}: an instar is a whole number, 0 or more; blank where not known")
        labels.append(int(label))
    return labels


def _steps(step, n_traits):
    if step is None:
        return []
    return [float(step)] * n_traits if np.ndim(step) == 0 else [float(value) for value in step]


class InstarMixture(Result):
    """Result of `instar_mixture`; nothing in it can be changed. Frames are of the kind that came in."""

    _title = "Instars from sizes"

    def __init__(self, core, asked, data, options, traits, kind):
        super().__init__(_core=core, asked=MappingProxyType(asked), _data=data, _options=options, traits=tuple(traits), _kind=kind)

    n = property(lambda self: self._core.n, doc="Animals.")
    n_instars = property(lambda self: self._core.best.n_instars, doc="Number of instars: asked for, or of the smallest BIC.")
    first_instar = property(lambda self: self._core.best.first_instar, doc="Number of the smallest instar: 1 unless `known` says otherwise.")
    log_likelihood = property(lambda self: self._core.best.log_likelihood)
    n_parameters = property(lambda self: self._core.best.n_parameters)
    bic = property(lambda self: self._core.best.bic, doc="parameters log n - 2 log-likelihood: smaller is better.")
    icl = property(lambda self: self._core.best.icl, doc="BIC - 2 sum log(largest posterior): smaller is better.")
    converged = property(lambda self: self._core.best.converged)
    weights = property(lambda self: self._core.best.weights.copy(), doc="Share of each instar.")
    mean_log = property(lambda self: self._per_trait(self._core.best.mean_log), doc="Mean of log mm of each instar (rows x traits if several).")
    sd_log = property(lambda self: self._per_trait(self._core.best.sd_log), doc="sd of log size within each instar.")
    mean_mm = property(lambda self: np.exp(self.mean_log), doc="exp(mean_log): the median size of each instar, mm.")
    covariance_log = property(lambda self: [matrix.copy() for matrix in self._core.best.covariance_log])
    ratio = property(lambda self: self._by_trait(np.exp(self._core.best.log_ratio)), doc="Growth ratio a molt (mean over the instars): exp(b).")
    misclassification = property(lambda self: self._core.misclassified.overall,
                                 doc="Share of new animals that the most probable instar would put wrong, from the fitted mixture.")
    misclassification_error = property(lambda self: self._core.misclassified.standard_error,
                                       doc="Its simulation error; 0 where it is exact (one trait; even spacing with equal spread).")

    @property
    def instars(self):
        """Numbers of the instars."""
        return list(range(self.first_instar, self.first_instar + self.n_instars))

    @property
    def health(self):
        """What to know before using the numbers: state "good", "warning" or "bad", and notes."""
        return Health.of(self._core.health)

    def _per_trait(self, matrix):
        return matrix[:, 0].copy() if len(self.traits) == 1 else matrix.copy()

    def _by_trait(self, values):
        return float(values[0]) if len(self.traits) == 1 else dict(zip(self.traits, values.tolist(), strict=True))

    def interval(self, level=0.95):
        """Frame of the growth ratio of each trait: trait, estimate, lower, upper; normal on the log scale, given the number of instars."""
        check_level(level)
        found = _core.growth_ratio_intervals(self._core.best, level)
        return frames.frame_of({"trait": list(self.traits), "estimate": found.estimate, "lower": found.lower, "upper": found.upper}, self._kind)

    def table(self):
        """A row an instar: weight, expected animals, mean and sd of each trait, share misclassified."""
        best = self._core.best
        columns = {"instar": np.array(self.instars), "weight": best.weights, "animals": best.expected_count}
        for j, trait in enumerate(self.traits):
            end = "" if len(self.traits) == 1 else f"_{trait}"
            columns |= {f"mean_mm{end}": np.exp(best.mean_log[:, j]), f"mean_log{end}": best.mean_log[:, j], f"sd_log{end}": best.sd_log[:, j]}
        return frames.frame_of(columns | {"misclassified": self._core.misclassified.of_instar}, self._kind)

    def choice(self):
        """A row for each number tried: log-likelihood, parameters, BIC and ICL (smaller is better), growth ratio."""
        fits = self._core.fits
        columns = {"n_instars": [fit.n_instars for fit in fits], "log_likelihood": [fit.log_likelihood for fit in fits],
                   "n_parameters": [fit.n_parameters for fit in fits], "bic": [fit.bic for fit in fits], "icl": [fit.icl for fit in fits],
                   "ratio": [float(np.exp(fit.log_ratio[0])) for fit in fits], "converged": [fit.converged for fit in fits]}
        return frames.frame_of({name: np.array(values) for name, values in columns.items()}, self._kind)

    def posterior(self):
        """A row an animal, in the order given: most probable `instar`, its `probability`, and `p1`, `p2`, ... of each instar."""
        return self._posterior_frame(self._core.posterior)

    def assign(self, sizes_mm):
        """The same for other animals of the population that was sampled."""
        sizes, traits, kind = _sizes(sizes_mm)
        values = _core.instar_posterior(self._core.best, _core.InstarSizes(sizes, []), self._options)
        return self._posterior_frame(values, kind)

    def _posterior_frame(self, values, kind=None):
        columns = {"instar": np.array(self.instars)[values.argmax(axis=1)], "probability": values.max(axis=1)}
        columns |= {f"p{instar}": values[:, k] for k, instar in enumerate(self.instars)}
        return frames.frame_of(columns, kind or self._kind)

    def limits(self):
        """Parts of the size axis and the instar most probable in each: trait, instar, lower_mm, upper_mm (infinite at the end)."""
        parts = [(trait, part) for trait, ranges in zip(self.traits, self._core.ranges, strict=True) for part in ranges]
        columns = {"trait": [trait for trait, _ in parts], "instar": [part.instar for _, part in parts],
                   "lower_mm": np.array([part.lower_mm for _, part in parts]), "upper_mm": np.array([part.upper_mm for _, part in parts])}
        return frames.frame_of(columns, self._kind)

    def tests(self):
        """Bootstrap tests made: n_instars against one more, likelihood ratio, p value, replicates. Empty unless `bootstrap` was asked for."""
        return self._tests_frame(self._core.tests)

    def bootstrap_tests(self, replicates=999, seed=1, threads=0):
        """Tests one instar fewer and one more by parametric bootstrap; p = (1 + replicates at least as large) / (1 + replicates)."""
        _whole("replicates", replicates, 1)
        return self._tests_frame(_core.instar_bootstrap(self._data, self._core, replicates, seed, threads))

    def _tests_frame(self, tests):
        smaller = np.array([test.n_instars for test in tests], dtype=int)
        columns = {"n_instars": smaller, "against": smaller + 1}
        columns |= {"likelihood_ratio": np.array([test.likelihood_ratio for test in tests]), "p_value": np.array([test.p_value for test in tests]),
                    "replicates": np.array([test.replicates for test in tests], dtype=int)}
        return frames.frame_of(columns, self._kind)

    def _facts(self):
        best, asked = self._core.best, self.asked
        means = {"dyar": "Dyar's rule", "declining": "ratio changing with instar", "free": "free means"}[asked["spacing"]]
        how = "asked for" if asked["n_instars"] else f"smallest BIC of {self._core.fits[0].n_instars} to {self._core.fits[-1].n_instars}"
        found = _core.growth_ratio_intervals(best, 0.95)
        ratios = ", ".join(f"{name} {ratio:.4f}" + (f" ({lower:.4f} to {upper:.4f})" if np.isfinite(lower) else "")
                           for name, ratio, lower, upper in zip(self.traits, found.estimate, found.lower, found.upper, strict=True)
                           if np.isfinite(ratio))
        tests = "; ".join(f"{test.n_instars} against {test.n_instars + 1} instars p = {test.p_value:.3f} ({test.replicates} replicates)"
                          for test in self._core.tests)
        return [("model", f"normal mixture on log size, {means}, {asked['spread']} spread"),
                ("animals", f"{self.n}" + (f", {self._core.n_known} of known instar" if self._core.n_known else "")),
                ("instars", f"{self.n_instars} ({how})"), ("growth ratio (95 %)", ratios or "-"),
                ("log-likelihood", f"{best.log_likelihood:.6f}, BIC {best.bic:.3f}, ICL {best.icl:.3f} (smaller is better)"),
                ("misclassified", f"{100 * self.misclassification:.2f} % of new animals"), ("bootstrap", tests or "not run"),
                ("health", str(self.health))]

    def _table(self):
        best = self._core.best
        rows = [(str(instar), f"{best.weights[k]:.3f}", f"{best.expected_count[k]:.1f}",
                 ", ".join(f"{value:.4g}" for value in np.exp(best.mean_log[k])), ", ".join(f"{value:.4f}" for value in best.sd_log[k]),
                 f"{100 * self._core.misclassified.of_instar[k]:.2f} %") for k, instar in enumerate(self.instars)]
        return ("instar", "weight", "animals", "mean mm", "sd of log", "misclassified"), rows

    def _numbers(self):
        return frames.columns_of(self.table())
