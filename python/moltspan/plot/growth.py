"""Pictures of size: growth curves, increments, instars of a sample, size against date."""

from datetime import timedelta

import numpy as np

from moltspan import _core
from moltspan._frames import frames
from moltspan.plot.shared import (BLACK, BLUE, GREEN, ORANGE, PURPLE, QUIET, STYLES, VERMILION, columns_of, date_axis, draw_band,
                                   draw_points, dress, legend_below, legend_word, new_axes, outlined, percent, plain_log_ticks, require,
                                   say, series, shades, unit_of, whole_ticks)

PLACES = 121  # of a curve


def plot_growth(fit, readings=None, level=0.9, ax=None, *, bands=("new", "simultaneous", "mean"), at=None, measure="size", title=None):
    """Growth curve: size (log scale; mm, unless a GrowthFit's column names another unit) against instar, with the bands that the fit
    knows, each named.

    `fit`: a `DyarFit`, `DyarAnimals` (points joined by animal, each with its own line) or `GrowthFit`. A `GrowthFit` holds no readings: give the
    table as `readings`, and values of further covariates as `at={"sex": "female"}`. `bands`: "mean" (pointwise), "simultaneous",
    "new" (prediction), or fewer. Curves end where the instars do.
    """
    ax = new_axes(ax, height=5.4)
    if hasattr(fit, "animals") and hasattr(fit, "pooled"):
        name = _draw_dyar_animals(ax, fit)
    elif hasattr(fit, "growth_ratio") and hasattr(fit, "crosby"):
        name = _draw_dyar(ax, fit, level, bands)
    elif hasattr(fit, "animal_effects"):
        name = _draw_growth_model(ax, fit, readings, level, bands, at or {})
    else:
        raise TypeError(f"plot_growth: give the result of dyar_fit or fit_growth, not {type(fit).__name__}")
    ax.set_yscale("log")
    dress(ax, title or name, "instar", f"{measure}, {unit_of(getattr(fit, 'asked', {}).get('size', ''))} (log scale)")
    plain_log_ticks(ax.yaxis)
    whole_ticks(ax.xaxis)
    legend_below(ax)
    return ax


def _draw_dyar(ax, fit, level, bands):
    instars, sizes = np.array(fit.asked["instars"]), np.array(fit.asked["sizes_mm"])
    counts = np.isfinite(instars) & np.isfinite(sizes)
    instars, sizes = instars[counts], sizes[counts]
    if len(set(instars)) > 1:
        grid = np.linspace(instars.min(), instars.max(), PLACES)
        found = columns_of(fit.predict(grid, level))
        for kind in bands:
            if np.isfinite(found[f"{kind}_lower"]).all():
                draw_band(ax, grid, found, kind, level, "animal")
        ax.plot(grid, found["estimate"], color=BLUE, linewidth=1.6, label=f"Dyar's line: × {fit.ratio:.3f} a molt")
    draw_points(ax, instars, sizes, f"sizes ({len(sizes)})")
    return "Growth by instar" + ("" if len(set(instars)) > 1 else ": one instar only, no line")


def _draw_dyar_animals(ax, fits):
    for k, animal in enumerate(fits.animals):
        fit = fits.fit(animal)
        instars, sizes = np.array(fit.asked["instars"]), np.array(fit.asked["sizes_mm"])
        color, style, marker = series(k)
        draw_points(ax, instars, sizes, None, color, marker)
        if len(set(instars)) > 1:
            ends = np.array([instars.min(), instars.max()])
            ax.plot(ends, columns_of(fit.predict(ends))["estimate"], color=color, linestyle=style, linewidth=1.2)
        ax.plot([], [], color=color, linestyle=style, marker=marker, markerfacecolor="white", markersize=4,
                label=f"{legend_word(str(animal))}: × {fit.ratio:.3f} a molt")
    return f"Growth by animal: × {fits.pooled.ratio:.3f} a molt in all"


def _draw_growth_model(ax, fit, readings, level, bands, at):
    asked = fit.asked
    if readings is None:
        raise TypeError("plot_growth: a GrowthFit holds no readings; give their table as readings")
    columns = columns_of(readings)
    require(columns, [asked["instar"], asked["size"]], "plot_growth")
    instars, sizes = frames.numbers(columns[asked["instar"]]), frames.numbers(columns[asked["size"]])
    _draw_tracks(ax, columns, asked["animal"], instars, sizes)
    grid = np.linspace(np.nanmin(instars), np.nanmax(instars), PLACES)
    rows = {asked["instar"]: grid} | {name: [value] * PLACES for name, value in at.items()}
    found = columns_of(fit.predict(frames.frame_of(rows), level))
    for kind in bands:
        if f"{kind}_lower" in found:
            draw_band(ax, grid, found, kind, level, "reading of a new animal")
    slope = fit.coefficients.get("instar")
    ratio = "" if slope is None else f": × {fit.growth_ratio()['ratio']:.3f} a molt"
    ax.plot(grid, found["estimate"], color=BLUE, linewidth=1.8, label=f"line of the population{ratio}", zorder=4)
    words = ", ".join(f"{name} {value}" for name, value in at.items())
    return "Growth by instar, mixed model" + (f" ({words})" if words else "")


def _draw_tracks(ax, columns, animal, instars, sizes):
    names = [frames.text_of(value) for value in columns.get(animal, [""] * len(sizes))]
    for k, name in enumerate(dict.fromkeys(names)):
        rows = np.array([i for i, one in enumerate(names) if one == name])
        rows = rows[np.argsort(instars[rows], kind="stable")]
        ax.plot(instars[rows], sizes[rows], color=QUIET, linewidth=0.6, marker="o", markersize=2.6, alpha=0.75, zorder=1,
                label=f"readings, joined by animal ({len(set(names))})" if k == 0 else None)


def plot_increments(fit, level=0.9, ax=None, *, bands=("new", "simultaneous", "mean"), measure="size", title=None):
    """Size after a molt against size before it (Hiatt's diagram), with the fitted line and its bands, the line of Przibram's ratio
    (× 1.26) and the line of no growth. `fit`: an `IncrementFit`."""
    ax = new_axes(ax, height=5.6)
    pre, post = np.array(fit.asked["pre_mm"]), np.array(fit.asked["post_mm"])
    counts = np.isfinite(pre) & np.isfinite(post)
    pre, post = pre[counts], post[counts]
    grid = np.linspace(pre.min(), pre.max(), PLACES)
    found = columns_of(fit.predict(grid, level))
    for kind in bands:
        if np.isfinite(found[f"{kind}_lower"]).all():
            draw_band(ax, grid, found, kind, level, "molt")
    ax.plot(grid, found["estimate"], color=BLUE, linewidth=1.6, label="fitted line")
    ax.plot(grid, _core.przibram_ratio * grid, color=VERMILION, linewidth=1.3, linestyle=STYLES[3],
            label="× 1.26 (Przibram: mass doubles, length × 2^(1/3))")
    ax.plot(grid, grid, color=QUIET, linewidth=1.1, linestyle=STYLES[2], label="no growth")
    draw_points(ax, pre, post, f"molts ({len(pre)})")
    legend_below(ax)
    return dress(ax, title or "Size before and after a molt", f"{measure} before the molt, mm", f"{measure} after the molt, mm")


def plot_instars(mixture, ax=None, *, trait=None, bins=None, title=None):
    """Histogram of sizes (log scale; mm, unless the trait's name ends in another unit) with the fitted mixture, its instars and the sizes
    where the most probable instar changes.

    `mixture`: an `InstarMixture`; `trait`: which of several (default: the first). `bins`: number of bars (default: four an instar, ten at
    least). Curves are animals expected a bar.
    """
    ax = new_axes(ax, width=8.2, height=4.8)
    names = list(mixture.traits)
    unit = unit_of(trait or names[0])
    column = names.index(trait) if trait else 0
    sizes = np.asarray(mixture._data.sizes_mm)[:, column]
    edges = np.geomspace(sizes.min() * 0.97, sizes.max() * 1.03, (bins or max(10, 4 * mixture.n_instars + 6)) + 1)
    counts, _ = np.histogram(sizes, edges)
    ax.bar(edges[:-1], counts, np.diff(edges), align="edge", color="#cfcfcf", edgecolor="white", linewidth=0.6, label=f"animals ({len(sizes)})")
    _draw_components(ax, mixture, column, edges, len(sizes))
    limits = columns_of(mixture.limits())
    inside = [low for one, low in zip(limits["trait"], limits["lower_mm"], strict=True) if one == names[column] and sizes.min() < low < sizes.max()]
    for k, limit in enumerate(inside):
        ax.axvline(limit, color=QUIET, linewidth=0.9, linestyle=STYLES[2], label="most probable instar changes" if k == 0 else None)
    ax.set_xscale("log")
    ax.set_xlim(edges[0], edges[-1])
    plain_log_ticks(ax.xaxis)
    measure = names[column].removesuffix(f"_{unit}").replace("_", " ")
    dress(ax, title or f"Instars in a sample: {mixture.n_instars} found", f"{measure}, {unit} (log scale)", "animals", grid="y")
    legend_below(ax, columns=3)
    return ax


def _draw_components(ax, mixture, column, edges, n):
    grid = np.geomspace(edges[0], edges[-1], 500)
    per_trait = [values if values.ndim == 1 else values[:, column] for values in (mixture.mean_log, mixture.sd_log)]
    densities = _core.weighted_densities(mixture.weights, *per_trait, grid.tolist())
    expected = densities * (n * np.log(edges[1] / edges[0]))
    top = expected.sum(axis=0)
    ax.plot(grid, top, color=BLACK, linewidth=2.6, alpha=0.55, label="all instars (fitted mixture)")
    for k, instar in enumerate(mixture.instars):
        ax.plot(grid, expected[k], color=VERMILION, linestyle=STYLES[1], linewidth=1.3, label="each instar" if k == 0 else None)
        ax.annotate(str(instar), (np.exp(per_trait[0][k]), expected[k].max()), xytext=(0, 3), textcoords="offset points", ha="center",
                    fontsize="small", fontweight="bold", color=BLACK, bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "linewidth": 0})


def plot_fan(quantiles, limits=None, ax=None, *, as_of=None, readings=None, animal=None, title=None):
    """Fan of leg span (mm) against date with the sizes at which an enclosure is outgrown.

    `quantiles`: a table with `date` and columns of quantiles named `q0.05`, `q0.5`, ... (sizes in mm; at least two, in pairs about `q0.5`).
    As size changes at molts only, between dates the fan is drawn as steps. `limits`: name -> leg span in mm, such as
    `{"outgrown": 60}`. `readings`: a table with `date` and `leg_span_mm` of what was measured. `as_of`: the last day of the records.
    """
    ax = new_axes(ax, width=8.2)
    columns = columns_of(quantiles)
    require(columns, ["date"], "plot_fan")
    found = sorted((float(name[1:]), name) for name in columns if _is_quantile(name))
    heading = title or "Leg span to come" + (f", {animal}" if animal else "")
    if not found:
        raise ValueError("plot_fan: the table has no column of quantiles such as q0.5; it has " + ", ".join(columns))
    if not columns["date"]:
        return say(ax, "no dates to draw:\nthe trajectory is empty", heading)
    dates = [frames.day_of(frames.day_number(_plain_date(day))) for day in columns["date"]]
    _draw_fan(ax, dates, columns, found)
    _draw_measured(ax, readings)
    for k, (name, limit) in enumerate((limits or {}).items()):
        ax.axhline(limit, color=(VERMILION, PURPLE, ORANGE)[k % 3], linestyle=STYLES[(k + 1) % 7], linewidth=1.3,
                   label=f"{legend_word(name)}: {limit:g} mm")
    if as_of is not None:
        ax.axvline(frames.day_of(frames.day_number(as_of)), color=QUIET, linewidth=1, linestyle=STYLES[2], label="records end")
    dress(ax, heading, "date", "leg span, mm")
    date_axis(ax)
    legend_below(ax, columns=2)
    return ax


def _is_quantile(name):
    try:
        return name.startswith("q") and 0 < float(name[1:]) < 1
    except ValueError:
        return False


def _plain_date(day):
    return day.to_pydatetime() if hasattr(day, "to_pydatetime") else day


def _draw_fan(ax, dates, columns, found):
    by_share = {share: columns[name] for share, name in found}
    dates = [*dates, dates[-1] + (dates[-1] - dates[-2] if len(dates) > 1 else timedelta(days=30))]  # room for the last step
    by_share = {share: [*values, values[-1]] for share, values in by_share.items()}
    pairs = [(low, 1 - low) for low, _ in found if low < 0.5 and any(abs(high - 1 + low) < 1e-9 for high in by_share)]
    for (low, high), shade in zip(pairs, shades(len(pairs)), strict=True):
        upper = next(values for share, values in by_share.items() if abs(share - high) < 1e-9)
        ax.fill_between(dates, by_share[low], upper, step="post", color=shade, linewidth=0, label=f"{percent(round(high - low, 6))} band")
    if 0.5 in by_share:
        ax.step(dates, by_share[0.5], where="post", color=BLACK, linewidth=1.5, label="median", path_effects=outlined())


def _draw_measured(ax, readings):
    if readings is None:
        return
    columns = columns_of(readings)
    require(columns, ["date", "leg_span_mm"], "plot_fan")
    days = [frames.day_of(frames.day_number(_plain_date(day))) for day in columns["date"]]
    draw_points(ax, days, columns["leg_span_mm"], "measured", GREEN, "D")
