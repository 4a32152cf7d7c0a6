"""Pictures that check a model: backtest, residuals, animals' effects, what it expects of its own table, priors, families."""

import numpy as np

from moltspan import _core
from moltspan.stadia.intervals import choice
from moltspan.plot.shared import (BAND_COLORS, BLACK, BLUE, NO_RECORDS, POINT, QUIET, STYLES, VERMILION, as_written, columns_of, draw_points, dress,
                                   legend_below, model_and_data, new_axes, new_panels, percent, say, series)

SCALES = {"log_size": "a log of size", "kind_pace": "facts of its kind", "last_instar": "facts of its kind", "warmth_c": "a degree C", "warmth_squared": "a degree C squared", "male": "male against female",
          "near_adult_female": "if so", "pace_slow": "slow against medium", "pace_fast": "fast against medium", "limb_lost": "if so", "egg_sac": "if so"}
DIAGONAL = {"color": QUIET, "linewidth": 1.2, "linestyle": STYLES[1]}
FAMILY_WORDS = {"lognormal": "log-normal", "weibull": "Weibull", "loglogistic": "log-logistic"}


def plot_backtest(backtest, ax=None, *, bins=10, beside=None, title=None):
    """A backtest in two panels: the PIT histogram (flat when calibrated) and the coverage of the bands against their level.

    `ax`: an array of two axes. Molts known to a range share their PIT out evenly; bars of the coverage are two standard errors, clustered
    by animal. Under ten forecasts the histogram says that it tells nothing. `beside`: a backtest of the same records with other options, such
    as `recalibrate=False`: what its bands held stands beside in the second panel.
    """
    if beside is not None and not hasattr(beside, "coverage"):
        raise ValueError(f"plot_backtest: beside={beside!r} is no backtest; give the result of moltspan.backtest")
    axes = new_panels(ax, 2)
    cases = backtest._core.cases
    heading = title or "Backtest"
    if not cases:
        for panel in axes:
            say(panel, "no past forecast could be scored", heading)
        return axes
    shares = np.array(_core.pit_histogram([tuple(case.pit) for case in cases], bins))
    edges = np.linspace(0, 1, bins + 1)
    axes[0].bar(edges[:-1], shares * 100, np.diff(edges), align="edge", color=BAND_COLORS[0], edgecolor="white", label=f"forecasts ({len(cases)})")
    axes[0].axhline(100 / bins, label="calibrated", **DIAGONAL)
    few = " (too few to tell)" if len(cases) < bins else ""
    dress(axes[0], f"{heading}: where the molt fell{few}", "probability that the forecast gave to an earlier molt (PIT)",
          "share of forecasts, %", grid="y")
    legend_below(axes[0], columns=2)
    _draw_coverage(axes[1], columns_of(backtest.coverage), None if beside is None else columns_of(beside.coverage))
    return axes


def _draw_coverage(ax, coverage, beside=None):
    level, covered, error = (np.array(coverage[name], dtype=float) for name in ("band_percent", "covered_percent", "standard_error"))
    ax.plot([0, 100], [0, 100], label="calibrated", **DIAGONAL)
    reach = np.where(np.isfinite(error), 2 * error, 0)
    ax.errorbar(level, covered, reach, fmt="o", color=BLUE, markerfacecolor="white", capsize=3,
                label="covered, ± 2 standard errors (clustered by animal)")
    if beside is not None:
        ax.plot(np.array(level) + 2, np.array(beside["covered_percent"], dtype=float), "s", color=VERMILION, markerfacecolor="white",
                label="the other backtest")
    ax.set(xlim=(0, 103), ylim=(0, 103), xticks=[0, *level], xticklabels=["0", *(f"{one:g}" for one in level)])
    dress(ax, "Coverage of the bands", "level of the band, %", "molts inside the band, %")
    legend_below(ax)


def plot_residuals(fit, ax=None, *, effects="fitted", title=None):
    """Cox-Snell residuals of stadia in two panels: their non-parametric survival against that of a unit exponential, and their normal
    scores, quantile against quantile. On the line: the family and the covariates fit.

    `fit`: a `StadiaFit` or `CollectionFit`; `ax`: an array of two axes. Records that are ranges are drawn as ranges. `effects`: of animals, cohorts
    and taxa: "fitted" (each record against its own animal's law, which misfit bends a little towards it) or "averaged" (against that of a
    new animal: residuals of one kind go together, and of few kinds leave the line though the model holds).
    """
    choice("effects", effects, ("fitted", "averaged"))
    axes = new_panels(ax, 2)
    core, data = model_and_data(fit, "plot_residuals")
    heading = title or "Cox-Snell residuals"
    if core is None:
        for panel in axes:
            say(panel, NO_RECORDS, heading)
        return axes
    residuals = _core.cox_snell_residuals(core, data, getattr(_core.PlotEffects, effects))
    _draw_residual_survival(axes[0], residuals, heading, f", effects {effects}" if core.levels else "")
    _draw_normal_scores(axes[1], _core.normal_scores(residuals))
    return axes


def _draw_residual_survival(ax, residuals, heading, how):
    law = _core.stadium_npmle(residuals)
    mass, left, right, after = (np.array(getattr(law, name)) for name in ("mass", "left", "right", "survival"))
    shown = (mass > 0) & np.isfinite(right)
    if not shown.any():
        return say(ax, "no stadium with an end seen:\nno residuals to compare yet", heading)
    places, values = [0.0], [1.0]
    for low, high, top, bottom in zip(left[shown], right[shown], np.append(1.0, after[:-1])[shown], after[shown], strict=True):
        places += [low, high]
        values += [top, bottom]
    grid = np.linspace(0, max(places[-1], 1) * 1.05, 200)
    ax.plot(grid, np.exp(-grid), label="unit exponential: the model holds", **DIAGONAL)
    ax.plot(places, values, color=BLUE, linewidth=1.4, label=f"residuals of {law.n_records} stadia (Turnbull){how}")
    ax.set_ylim(0, 1.03)
    ax.set_xlim(left=0)
    dress(ax, heading, "residual: cumulative hazard at the end of the stadium", "share of stadia beyond it")
    legend_below(ax)


def _draw_normal_scores(ax, pairs):
    expected, low, high = (np.array(getattr(pairs, name)) for name in ("expected", "low", "high"))
    if not len(expected):
        return say(ax, "no stadium with an end seen:\nno quantiles", "Normal scores")
    bound = np.nanmax(np.abs(np.concatenate([expected, low[np.isfinite(low)], high[np.isfinite(high)]]))) * 1.08
    ax.plot([-bound, bound], [-bound, bound], label="the model holds", **DIAGONAL)
    low, high = np.maximum(low, -bound), np.minimum(high, bound)
    ranges = high > low
    if ranges.any():  # capped, as many a range is narrower than a point
        ax.errorbar(expected[ranges], (low + high)[ranges] / 2, (high - low)[ranges] / 2, fmt="none", ecolor=BLUE, elinewidth=1.1, capsize=2.5,
                    label="known to a range")
    if (~ranges).any():
        draw_points(ax, expected[~ranges], low[~ranges], "exact", BLUE, size=12)
    ax.set(xlim=(-bound, bound), ylim=(-bound, bound))
    legend_below(dress(ax, "Normal scores", "expected standard normal quantile", "observed, as standard normal quantile"))


def plot_random_effects(fit, level=0.95, ax=None, *, title=None):
    """Effects of animals, quantile against quantile: standardized effects against the normal, with the pointwise band at `level`.

    Above the line to the right: more slow animals than a normal spread allows. `fit`: a `StadiaFit` with `animal=` or a `CollectionFit`.
    The three farthest animals outside the band are named.
    """
    ax = new_axes(ax, width=6.2, height=5.2)
    core, _ = model_and_data(fit, "plot_random_effects")
    heading = title or "Effects of animals"
    check = core and _core.animal_effect_check(core, level)
    if not check or not check.code:
        return say(ax, "no spread between animals in this fit:\nno effects to draw", heading)
    expected, seen, lower, upper = (np.array(getattr(check, name)) for name in ("expected", "standardized", "lower", "upper"))
    ax.fill_between(expected, lower, upper, color=BLUE, alpha=0.15, linewidth=0, label=f"{percent(level)} pointwise band")
    ax.plot(expected, expected, label="normal", **DIAGONAL)
    draw_points(ax, expected, seen, f"animals ({len(seen)})", BLUE)
    outside = [i for i in np.argsort(-np.abs(seen - expected)) if not lower[i] <= seen[i] <= upper[i]][:3]
    for i in outside:
        as_written(ax.annotate(_animal_name(fit, check.code[i]), (expected[i], seen[i]), xytext=(5, -3), textcoords="offset points", fontsize="small",
                               color=POINT))
    dress(ax, heading, "expected standard normal quantile", "effect on log stadium, standardized")
    legend_below(ax)
    return ax


def _animal_name(fit, code):
    if hasattr(fit, "collection"):
        return fit.collection._core_collection.animals[code].id
    return str(fit._groups["animal"][1][code])


def plot_predictive_check(fit, level=0.95, ax=None, *, resamples=200, title=None):
    """What the model expects of a table like its own, against what the records show without any family: the line should keep within
    the band. The line is P(T > t) averaged over the records, each of its own animal with its covariates, parameter uncertainty included.

    `fit`: a `StadiaFit` or `CollectionFit`. The band is that of the records (bootstrap over records, pointwise); records of one animal are
    resampled whole where the fit knows animals.
    """
    from moltspan.stadia.nonparametric import stadium_npmle

    ax = new_axes(ax)
    core, data = model_and_data(fit, "plot_predictive_check")
    heading = title or "Model against its own records"
    if core is None:
        return say(ax, NO_RECORDS, heading)
    low, high, entry, weight, animal = _core.stadia_bounds(data)
    seen = stadium_npmle(np.array(low), np.array(high), np.array(entry), np.array(weight), animal=_labels(animal))
    ends = np.concatenate([seen.left, seen.right[np.isfinite(seen.right)]])
    grid = np.linspace(0, ends.max(), 101)
    found = columns_of(seen.band(grid, level, resamples=resamples))
    if np.nanmax(np.subtract(found["upper"], found["lower"])) > 0:
        ax.fill_between(grid, found["lower"], found["upper"], color=BLUE, alpha=0.2, linewidth=0,
                        label=f"records: {percent(level)} pointwise band (bootstrap)")
    else:
        ax.plot([], [], " ", label="one animal: no band, as animals are resampled whole")
    ax.plot(grid, found["survival"], color=BLUE, linewidth=1.3, label=f"records, no family assumed ({seen.n_records} stadia)")
    family = core_family(core)
    ax.plot(grid, _core.mean_survival(core, data, grid.tolist()), color=VERMILION, linewidth=1.6, linestyle=STYLES[1],
            label=f"expected by the {family} model")
    ax.set_ylim(0, 1.03)
    ax.set_xlim(left=0)
    dress(ax, heading, "days since the molt", "share not yet molted")
    legend_below(ax)
    return ax


def _labels(animal):
    """One label a record; a record of no known animal stands alone."""
    return [f"animal {code}" if code >= 0 else f"row {row}" for row, code in enumerate(animal)] if animal else None


def core_family(core):
    return FAMILY_WORDS[core.family.name]


def plot_prior_posterior(fit, names=None, ax=None, *, title=None):
    """Prior and posterior density of each parameter, a panel each: what the records added. `names`: default all of the fit.

    `fit`: a `StadiaFit` or `CollectionFit` of `method="bayes"`; under maximum likelihood only the estimate's law is drawn. `ax`: an array of
    as many axes as names.
    """
    core, _ = model_and_data(fit, "plot_prior_posterior")
    heading = title or "Prior and posterior"
    if core is None:
        return np.array([say(new_axes(ax), NO_RECORDS, heading)])
    known = [*core.coefficient_names, "sigma", *(f"{level.name}_sd" for level in core.levels)]
    names = list(names or known)
    rows = -(-len(names) // 3)
    axes = new_panels(ax, len(names), width=9.6, height=0.7 + 2.5 * rows, columns=3)
    for panel, name in zip(axes, names, strict=True):
        if name.endswith("_sd") and core.level_sds[[level.name for level in core.levels].index(name[:-3])] == 0:
            say(panel, "estimated as 0", name)
            continue
        found = _core.prior_posterior(core, name)
        at, prior, posterior = (np.array(getattr(found, part)) for part in ("at", "prior", "posterior"))
        if np.isfinite(prior).all():
            panel.plot(at, prior, color=VERMILION, linestyle=STYLES[1], linewidth=1.4, label="prior")
        panel.plot(at, posterior, color=BLUE, linewidth=1.6, label="posterior" if np.isfinite(prior).all() else "estimate (no prior)")
        panel.fill_between(at, 0, posterior, color=BLUE, alpha=0.12, linewidth=0)
        dress(panel, name, _scale(name), "density" if panel is axes[0] else "", grid="x")
        panel.set_ylim(0, panel.get_ylim()[1] * (1.25 if panel is axes[0] else 1))
        panel.set_yticks([])
    axes[0].legend(frameon=False, fontsize="small", loc="upper right")
    axes[0].figure.suptitle(heading, x=0.01, ha="left", fontsize="medium")
    return axes


def _scale(name):
    """Axis of a parameter: all are effects on the logarithm of days."""
    if name == "Intercept" or name == "sigma" or name.endswith("_sd"):
        return "log days"
    return f"log days {SCALES.get(name, 'a unit of it')}"


def plot_families(fits, ax=None, *, title=None):
    """Families compared on one table, two panels: log-likelihood below the best, and what each expects of the table against the records.

    `fits`: results of `fit_stadia` (or `fit`) with one table and one formula and different families; the log evidence under
    "bayes". A gap under about 2 does not tell families apart (common practice, no source). ValueError where the tables differ in length.
    """
    fits = list(fits.values()) if isinstance(fits, dict) else list(fits)
    if len(fits) < 2:
        raise ValueError("plot_families: give two fits or more, such as [fit_stadia(table, family=f) for f in ('lognormal', 'weibull')]")
    axes = new_panels(ax, 2)
    parts = [model_and_data(fit, "plot_families") for fit in fits]
    heading = title or "Families of stadium length"
    if any(core is None for core, _ in parts):
        for panel in axes:
            say(panel, NO_RECORDS, heading)
        return axes
    if len({core.n_records for core, _ in parts}) > 1 or len({core.method.name for core, _ in parts}) > 1:
        raise ValueError("plot_families: the fits are of different tables or methods; their log-likelihoods cannot be compared")
    _draw_gaps(axes[0], [core for core, _ in parts], heading)
    _draw_family_curves(axes[1], parts)
    return axes


def _draw_gaps(ax, cores, heading):
    values = np.array([core.log_likelihood for core in cores])
    gaps = values.max() - values
    order = np.argsort(gaps, kind="stable")
    for line, i in enumerate(order):
        color, style, marker = series(i)
        ax.plot([0, gaps[i]], [line, line], color=color, linewidth=1.4, linestyle=style)
        ax.plot([gaps[i]], [line], marker=marker, color=color, markersize=7)
        ax.annotate(f"{gaps[i]:.2f}" if gaps[i] else "best", (gaps[i], line), xytext=(8, 0), textcoords="offset points", va="center",
                    fontsize="small")
    ax.set_yticks(range(len(order)), [core_family(cores[i]) for i in order])
    ax.set_ylim(len(order) - 0.5, -0.5)
    ax.set_xlim(-0.02 * max(gaps.max(), 1), max(gaps.max(), 1) * 1.25)
    word = "log-likelihood" if cores[0].method.name == "ml" else "log evidence"
    dress(ax, heading, f"{word} below the best", "", grid="x")


def _draw_family_curves(ax, parts):
    _, data = parts[0]
    low, high, entry, weight, _ = _core.stadia_bounds(data)
    law = _core.stadium_npmle(_core.BoundedTimes(low, high, entry, weight))
    left, right = np.array(law.left), np.array(law.right)
    grid = np.linspace(0, max(left.max(), right[np.isfinite(right)].max(initial=0)), 121)
    seen = [_core.survival_at(law, t).estimate for t in grid]
    ax.plot(grid, seen, color=BLACK, linewidth=1.1, label="records, no family assumed")
    for k, (core, table) in enumerate(parts):
        color, style, _ = series(k)
        ax.plot(grid, _core.mean_survival(core, table, grid.tolist()), color=color, linestyle=style, linewidth=1.5, label=core_family(core))
    ax.set_ylim(0, 1.03)
    ax.set_xlim(left=0)
    legend_below(dress(ax, "What each expects of the table", "days since the molt", "share not yet molted"), columns=2)
