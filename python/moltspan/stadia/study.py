"""How large a study must be: simulated, fitted, counted."""

import itertools
import math

import numpy as np

from moltspan import _core
from moltspan.stadia.intervals import check_level
from moltspan._frames.progress import working
from moltspan.records.simulate import _options, simulate_stadia

# Effect of the simulation -> its column in the table of stadia that a study fits.
EFFECTS = {"temperature_effect": "temperature_above_25", "exponent": "log_size", "sex_effect": "male"}
# A difference between two groups of animals, half in each, for which the sexes of the simulation stand -> the option that makes it.
NODES = 15  # of the quadrature: far finer than the Monte Carlo error needs, and no study so weak that its search never ends
# What was asked first, the answer last: a narrow screen leaves out the middle.
COLUMNS = ["n_animals", "check_every_days", "study_days", "effect", "truth", "replicates", "not_fitted", "stadia", "estimate", "width", "coverage",
           "power_lower", "power_upper", "power_error", "power"]
DIFFERENCES = {"stadium_difference": "sex_effect", "ratio_difference": "log_ratio"}


def study_power(effect="temperature_effect", n_animals=(10, 20, 40), study_days=730, replicates=200, level=0.95, seed=1, *,
                difference=None, check_every_days=1, progress=None, **options):
    """How often a study of a given size would find an effect: simulated, fitted, counted.

    `effect`: `temperature_effect`, `exponent` (of size) or `sex_effect`, whose true value and all others come from `options` (see
    `moltspan.records.simulate.default_options()`); or a difference between two groups of animals, half in each: "stadium_difference" (`difference=0.2`:
    stadia 20 % longer in one) or "ratio_difference" (`difference=0.05`: growth ratio 5 % larger in one). Stadia are fitted by maximum
    likelihood with size, temperature, group and an animal effect; growth ratios are compared as means of the animals' own Dyar slopes, animals of
    two readings or more. Sizes, temperatures and groups count as known. `n_animals`, `study_days` and `check_every_days` (how often the
    animals are looked at) may be lists.

    A row a study: `power`, the share of the fitted studies whose interval leaves 0 out, with its Monte Carlo error `power_error` and exact 95 % limits
    `power_lower`, `power_upper`; `coverage`, the share whose interval holds the truth; the mean `estimate` and `width` of the interval, on
    the log scale for differences; `not_fitted`, studies without an answer, or whose fit is in bad health. The same seed gives the same
    table. `progress`: None shows a bar on a terminal and in a notebook, True writes how far it is to standard error in pipes too, False nothing; a function is
    called with (done, all).
    """
    import pandas

    check_level(level)
    if not (isinstance(replicates, int) and replicates >= 1):
        raise ValueError(f"study_power: replicates={replicates!r}: give a whole number, 1 or more")
    truth, options = _truth(effect, difference, options)
    sizes = list(itertools.product(*(np.atleast_1d(each).tolist() for each in (study_days, n_animals, check_every_days))))
    rows = []
    with working("studies simulated and fitted", progress, len(sizes) * replicates, counts_itself=True) as work:
        for days, animals, every in sizes:
            window = min(days, options.get("entry_window_days", days / 2))
            size = options | {"n_animals": animals, "study_days": days, "entry_window_days": window, "check_every_days": every}
            studies = []
            for replicate in range(replicates):
                studies.append(_study(effect, truth, level, seed, replicate, size))
                work.step(work.done + 1)
            asked = {"effect": effect, "truth": truth, "n_animals": animals, "study_days": days, "check_every_days": every}
            rows.append(asked | _summary(studies, truth))
    return pandas.DataFrame(rows)[COLUMNS]


def _truth(effect, difference, options):
    """True value of the effect, and the options that go with it."""
    if effect not in EFFECTS and effect not in DIFFERENCES:
        raise ValueError(f"study_power: effect={effect!r}; give one of {', '.join([*EFFECTS, *DIFFERENCES])}")
    if (effect in DIFFERENCES) != (difference is not None):
        raise ValueError(f"study_power: difference={difference!r} with effect={effect!r}: {' and '.join(DIFFERENCES)} take one, such as 0.2 for "
                         "20 %; the others take their option of that name")
    if effect in EFFECTS:
        return getattr(_options(options), effect), options
    if not -1 < difference < 10:
        raise ValueError(f"study_power: difference={difference!r}: a share over -1 and under 10, such as 0.2 for 20 %")
    truth = math.log1p(difference)
    return truth, options | ({"sex_effect": truth} if effect == "stadium_difference" else {})


def _study(effect, truth, level, seed, replicate, options):
    """(stadia, estimate, lower, upper) of one study; blanks where it cannot be fitted."""
    study = _ratio_study if effect == "ratio_difference" else _stadia_study
    n_stadia, estimate, error = study(effect, truth, seed, replicate, options)
    limits = _core.wald_intervals([estimate], [error], level)
    return n_stadia, estimate, limits.lower[0], limits.upper[0]


def _stadia_study(effect, _, seed, replicate, options):
    from moltspan.stadia.intervals import fit_stadia, says_nothing

    table = simulate_stadia(seed, replicate, **options)["stadia"]
    table = table[~says_nothing(*(table[name].to_numpy(float) for name in ("min_days", "max_days", "start_range_days")))]
    table = table.assign(temperature_above_25=table.temperature_c - 25, male=table.male.astype(float))
    column = EFFECTS[DIFFERENCES.get(effect, effect)]
    try:
        fit = fit_stadia(table, " + ".join(EFFECTS.values()), family=options.get("family", "lognormal"), method="ml",
                         animal="animal", entry_days="entry_days", start_range_days="start_range_days", quadrature=NODES)
    except (ValueError, RuntimeError):
        return len(table), np.nan, np.nan
    if fit.health.state == "bad":  # its numbers are not to be used
        return len(table), np.nan, np.nan
    return len(table), fit.coefficients[column], fit.standard_errors[column]


def _ratio_study(_, truth, seed, replicate, options):
    """Females of a simulation and males of the same simulation with the other ratio: two groups alike in all else."""
    ratio = getattr(_options(options), "log_ratio")
    groups, n_stadia = [], 0
    for male, log_ratio in ((False, ratio), (True, ratio + truth)):
        lives = simulate_stadia(seed, replicate, **options | {"log_ratio": log_ratio})
        codes = np.flatnonzero(lives["animals"].male.to_numpy(bool) == male)
        n_stadia += int(lives["stadia"].animal_code.isin(codes).sum())
        groups.append(_slopes(lives["lives"], codes))
    if min(map(len, groups)) < 2:
        return n_stadia, np.nan, np.nan
    means = [_core.clustered_mean(slopes, list(range(len(slopes)))) for slopes in groups]
    return n_stadia, means[1].mean - means[0].mean, math.hypot(*(mean.standard_error for mean in means))


def _slopes(lives, codes):
    """Dyar's slope of each animal that was read twice or more."""
    read = lives[lives.animal_code.isin(codes) & (lives.reading_mm > 0)]
    read = read[read.groupby("animal_code").instar.transform("nunique") > 1]
    if not len(read):
        return []
    names = {code: i for i, code in enumerate(dict.fromkeys(read.animal_code))}
    fits = _core.dyar_fit_animals(read.instar.to_numpy(float), read.reading_mm.to_numpy(float), [names[code] for code in read.animal_code], np.zeros(0))
    return [float(fit.line.coefficients[1]) for fit in fits.animals]


def _summary(studies, truth):
    stadia, estimate, lower, upper = np.array(studies, float).T
    fitted = np.isfinite(lower) & np.isfinite(upper)
    result = {"replicates": len(studies), "not_fitted": int((~fitted).sum()), "stadia": stadia.mean()}
    if not fitted.any():
        return result | dict.fromkeys(("power", "power_error", "power_lower", "power_upper", "coverage", "estimate", "width"), np.nan)
    lower, upper = lower[fitted], upper[fitted]
    found = (lower > 0) | (upper < 0)
    power = _core.clustered_mean(found.astype(float).tolist(), list(range(len(found))))
    exact = _core.sex_ratio(int((~found).sum()), int(found.sum()), 0, 0, 0, 0.5, 0.95).clopper_pearson
    return result | {"power": power.mean, "power_error": power.standard_error, "power_lower": exact.lower, "power_upper": exact.upper,
                     "coverage": ((lower <= truth) & (truth <= upper)).mean(), "estimate": estimate[fitted].mean(), "width": (upper - lower).mean()}
