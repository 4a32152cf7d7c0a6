"""A paragraph for a paper on what was done, from what a result itself holds: `methods_text()`."""

import platform

import numpy as np

from moltspan import _core

FAMILY_WORDS = {"lognormal": "W standard normal (log-normal stadia)", "weibull": "W standard smallest extreme value (Weibull stadia)",
                "loglogistic": "W standard logistic (log-logistic stadia)"}
FAMILY_NAMES = {"lognormal": "log-normal", "weibull": "Weibull", "loglogistic": "log-logistic"}
TRUNCATION_WORDS = {"conditional": "their likelihood was divided by the chance of reaching that age, given the effects of the animal",
                    "marginal": "their marginal likelihood was divided by the marginal chance of reaching that age",
                    "renewal": "their likelihood was that of a stadium met at a random moment, the density over the mean length given the animal"}
WATCHED_WORDS = {"all": "Every animal was taken to be looked at daily up to {day}.",
                 "rows": "An animal counted as watched only up to its own last meal, reading or check."}
LEVELS = ("genus", "taxon", "cohort", "animal")
PLURALS = {"genus": "genera", "taxon": "taxa", "cohort": "cohorts", "animal": "animals"}


def count(n, word, plural=None):
    """`1 animal`, `12 animals`."""
    return f"{n} {word if n == 1 else plural or word + 's'}"


def listed(words):
    """`a`, `a and b`, `a, b and c`."""
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last


def stadia_text(fit, about="", health=None):
    """The paragraph on a model of stadium lengths; `about`: sentences on where the stadia come from; `health`: of more than the fit."""
    parts = [_model(fit), _records(fit), about, _fitting(fit), _priors(fit), _health(health or fit.health), versions()]
    return " ".join(filter(None, parts))


def collection_text(fit):
    """The paragraph on the joint fit of a collection."""
    last = fit.collection.as_of
    records = f"Records up to {fit.as_of} were used" + (f"; the last record is dated {last}" if last else "") + "."
    about = " ".join(filter(None, [records, WATCHED_WORDS[fit.asked["watched"]].format(day="that day"), _sizes(fit), _unrecorded(fit._core.hidden), _families(fit)]))
    return stadia_text(fit.stadia, about, fit.health)


def _sizes(fit):
    """Where the sizes at the start of stadia come from."""
    if "log_size" not in fit.stadia.coefficients:
        return ""
    how = "a growth model fitted to all readings" if fit.growth is not None else "readings smoothed along each animal's molts with a usual growth ratio"
    return f"Sizes at the start of stadia came from {how}; their variance was added to that of the stadium."


def shares_of_families(weights):
    """`log-normal .86, log-logistic .14`."""
    return listed([f"{FAMILY_NAMES[name]} {share:.2f}" for name, share in weights.items()])


def _families(fit):
    weights = fit.family_weights
    if len(weights) < 2:
        return ""
    return ("Forecasts of current (censored) stadia mixed distributions of the same mean and standard deviation of log T by their pseudo Bayes factors "
            f"({shares_of_families(weights)}).")


def _unrecorded(hidden):
    if not hidden.used:
        return ""
    return ("Each gap between recorded molts was a mixture over none, one or two molts left unrecorded, with chances in the proportion "
            f"of 1, p and p^2 (posterior mean of p {hidden.missed_chance:.3f}).")


def backtest_text(result):
    """The paragraph on a backtest."""
    core, asked, days = result._core, result.asked, result.origins
    animals = len({case.id for case in core.cases})
    covered = listed([f"{100 * level:g} % band {100 * mean.mean:.1f} % (standard error {100 * mean.clustered_standard_error:.1f})"
                      for level, mean in zip(_core.BACKTEST_LEVELS, core.coverage, strict=True)])
    return " ".join([
        f"Forecasts were made from {count(len(days), 'past day')} ({days[0]} to {days[-1]}) with the records up to each, and scored by the records "
        f"after it: {count(len(core.cases), 'forecast')} for {count(animals, 'animal')}, of which the next molt was seen later for {core.n_seen}.",
        f"The model was of the {asked['family']} family, fitted by {_method_word(asked['method'])}, truncation {asked['truncation']}.",
        WATCHED_WORDS[asked["watched"]].format(day="each such day"),
        f"Share of the truth inside each band: {covered}.",
        f"The continuous ranked probability score was {core.crps_days.mean:.1f} days. Absolute errors of the forecast's median were compared in "
        f"pairs with those of {count(len(core.comparisons), 'plain rule')} ({listed([comparison.rule for comparison in core.comparisons])}); "
        "standard errors are clustered by animal." if core.comparisons else "No plain rule could be compared.",
        _health(result.health), versions()])


def growth_text(fit):
    """The paragraph on a linear mixed model of growth."""
    asked, core = fit.asked, fit._core
    scale = f"The natural logarithm of {asked['size']}" if asked["response"] == "log" else asked["size"]
    model = f"{scale} was modeled as linear in {asked['formula']}"
    if core.effects:
        model += f", with Gaussian effects of each animal on {listed(list(core.effects))}" + (", correlated" if len(core.effects) > 1 else "")
    if core.has_outer:
        model += ", a Gaussian effect of each cohort"
    readings = f"The data were {count(fit.n_readings, 'reading')}" + (f" of {count(fit.n_animals, 'animal')}" if asked["animal"] else "") + "."
    method = {"ml": "maximum likelihood", "reml": "restricted maximum likelihood"}[asked["method"]]
    fitted = f"The model was fitted by {method}; no priors were used."
    return " ".join([f"{model}, and a Gaussian residual.", readings, fitted, _health(fit.health), versions()])


def growth_bayes_text(fit):
    """The paragraph on a posterior of a linear mixed model of growth."""
    asked, core = fit.asked, fit._core
    scale = f"The natural logarithm of {asked['size']}" if asked["response"] == "log" else asked["size"]
    parts = [f"{scale} was modeled as linear in {asked['formula']}"]
    if core.effects:
        parts.append(f"Gaussian effects of each animal on {listed(list(core.effects))}" + (", correlated" if fit.animal_correlation is not None else ""))
    parts += ["a Gaussian effect of each cohort"] * (fit.cohort_sd is not None)
    parts += ["a Gaussian walk along the molts"] * (fit.process_sd is not None)
    parts.append(f"a Gaussian error of reading for each of {listed(core.measures)}" if len(core.measures) > 1 else "a Gaussian residual")
    model = f"{parts[0]}, with {listed(parts[1:])}."
    if not np.isnan(fit.declining_weight) or fit.form == "declining":
        taken = "changing with size by Hiatt's log-log line" if fit.form == "declining" else "constant"
        weight = "" if np.isnan(fit.declining_weight) else f" (posterior weight of a ratio that changes with size {fit.declining_weight:.2f})"
        model += f" The growth ratio was taken as {taken}{weight}."
    readings = f"The data were {count(fit.n_readings, 'reading')}" + (f" of {count(fit.n_animals, 'animal')}" if asked["animal"] else "")
    readings += f", {core.n_rounded} of them as rounding intervals (expectation propagation)." if core.n_rounded else "."
    fitted = f"The posterior was integrated over {count(core.n_points, 'point')} of the standard deviations."
    said = "; ".join(f"{name} {_law(prior)}" for name, prior in core.priors_used)
    said += "; correlations uniform over correlation matrices" if fit.animal_correlation is not None else ""
    return " ".join([model, readings, fitted, f"Priors: {said}.", _health(fit.health), versions()])


def versions():
    """What computed it."""
    return f"Computed with moltspan {_core.__version__}, Python {platform.python_version()} and numpy {np.__version__}."


def _method_word(method):
    return {"ml": "maximum likelihood", "bayes": "a Bayesian posterior"}[method]


def _model(fit):
    levels = [level.name for level in fit._core.levels]
    effects = "".join(f" + u_{level}" for level in levels)
    of = f" and Gaussian effects u of {listed([PLURALS[level] for level in levels])}, each with a standard deviation of its own" if levels else ""
    names = [name for name in fit.coefficients if name != "Intercept"]
    unit = fit.asked.get("unit", "days")
    return (f"Stadium lengths T ({unit}) were modeled as log T = x'beta{effects} + sigma W with {FAMILY_WORDS[fit.asked['family']]}{of}. "
            f"Covariates x: {listed(names) if names else 'none but the intercept'}.")


def _records(fit):
    core = fit._core
    kinds = [(core.n_exact, "known to the day"), (core.n_interval, "known to a range of days (interval-censored)"),
             (core.n_left, "left-censored"), (core.n_running, "not seen to end (right-censored)")]
    counted = listed([f"{n} {words}" for n, words in kinds if n] or ["none"])
    members = [count(n, level, PLURALS[level]) for level, n in zip(LEVELS, core.n_members, strict=True) if n]
    text = [f"The data were {count(core.n_records, 'stadium', 'stadia')}" + (f" of {listed(members[::-1])}" if members else "") + f": {counted}."]
    if core.n_truncated:
        text.append(f"{count(core.n_truncated, 'stadium was', 'stadia were')} left-truncated (under watch from part-way on); "
                    f"{TRUNCATION_WORDS[fit.asked['truncation']]}.")
    if core.n_doubly:
        text.append(f"{count(core.n_doubly, 'stadium', 'stadia')} began on an unknown day of a range; the start was taken as uniform over the range "
                    "and integrated out.")
    return " ".join(text)


def _fitting(fit):
    core = fit._core
    if fit.asked["method"] == "ml":
        how = f"adaptive Gauss-Hermite quadrature with {core.quadrature_nodes} nodes" if core.quadrature_nodes > 1 else (
            "Laplace's approximation" if core.quadrature_nodes == 1 or core.levels else "")
        return f"The model was fitted by maximum {'marginal ' if core.levels else ''}likelihood{f', by {how}' if how else ''}."
    return ("The model was fitted as a Bayesian posterior: Laplace's approximation of coefficients and effects, given the standard deviations, "
            f"which were integrated over {count(core.points, 'point')}.")


def _priors(fit):
    priors = _core.priors_used(fit._core)
    if not priors:
        return ""
    given = set(fit.asked["priors"])
    said = [f"{name} {_law(prior)}" + (" (given)" if name in given else "") for name, prior in priors]
    return f"Priors: {'; '.join(said)}."


def _law(prior):
    return f"half-normal({prior.sd:.3g})" if prior.kind.name == "half_normal" else f"normal({prior.mean:.3g}, {prior.sd:.3g})"


def _health(health):
    return f"State of health of the result: {str(health).rstrip('.')}."
