"""Pictures of groups: effects with intervals, per-instar tables, rate against temperature."""

import numpy as np

from moltspan._frames import frames
from moltspan.plot.shared import (BLUE, GREEN, MARKERS, QUIET, STYLES, VERMILION, columns_of, draw_points, dress, legend_below, legend_word,
                                   name_ticks, new_axes, new_panels, percent, plain_log_ticks, require, say, series, whole_ticks)

ESTIMATES = ("estimate", "ratio", "difference_days")
UNITS = {"difference_days": "difference of medians, days"}
NAME_LETTERS = 44  # in a line beside an interval


def plot_comparison(table, ax=None, *, name=None, estimate=None, lower="lower", upper="upper", null=None, unit=None, title=None):
    """Effects with their intervals, a line each.

    `table`: a frame, a dict of columns, or a result such as that of `stadium_effects` or `compare_stadia`: columns of a name (default: the
    first), an estimate (default: `estimate`, `ratio` or `difference_days`), `lower`, `upper`. `null`: where there is no effect (default: 1
    and a log scale for `ratio`, 0 for `difference_days`, else none). `simultaneous_lower`, `simultaneous_upper` are drawn thin where the
    table has them. Blank limits are said.
    """
    columns = columns_of(table.frame if hasattr(table, "fits") else table)
    name = name or next(iter(columns), None)
    estimate = estimate or next((one for one in ESTIMATES if one in columns), "estimate")
    require(columns, [name, estimate, lower, upper], "plot_comparison")
    names = [frames.text_of(value) for value in columns[name]]
    ax = new_axes(ax, width=7.4 + 0.07 * max(0, min(NAME_LETTERS, max(map(len, names), default=0)) - 12), height=1.9 + 0.36 * max(len(names), 2))
    heading = title or getattr(table, "caption", None) or _base_words(table, names) or "Comparison"
    if not names:
        return say(ax, "no groups to compare", heading)
    ratio = estimate == "ratio"
    said = "no difference" if null is None else f"set beside {null:.3g}"
    null = {"ratio": 1, "difference_days": 0}.get(estimate) if null is None else null
    middle, low, high = (frames.numbers(columns[one]) for one in (estimate, lower, upper))
    _draw_intervals(ax, columns, middle, low, high, _level_words(table))
    if null is not None:
        ax.axvline(null, color=QUIET, linestyle=STYLES[1], linewidth=1.1, label=said)
    name_ticks(ax.yaxis, range(len(names)), names, NAME_LETTERS)
    ax.set_ylim(len(names) - 0.4, -0.6)
    if ratio and (low[np.isfinite(low)] > 0).all():
        ax.set_xscale("log")
        plain_log_ticks(ax.xaxis)
    dress(ax, heading, unit or ("ratio (log scale)" if ratio else UNITS.get(estimate, estimate.replace("_", " "))), "", grid="x")
    legend_below(ax, columns=2)
    return ax


def _base_words(table, names):
    return f"Median stadium against that of {names[0]}" if hasattr(table, "fits") and names else None


def _level_words(table):
    level = getattr(table, "asked", {}).get("level")
    return f"{percent(level)} interval" if level else "interval"


def _draw_intervals(ax, columns, middle, low, high, words):
    lines = np.arange(len(middle))
    if "simultaneous_lower" in columns:
        wide = [frames.numbers(columns[f"simultaneous_{side}"]) for side in ("lower", "upper")]
        ax.hlines(lines, *wide, color=BLUE, linewidth=0.9, label=f"{words}, all pairs at once")
    known = np.isfinite(low) & np.isfinite(high)
    ax.hlines(lines[known], low[known], high[known], color=BLUE, linewidth=3, alpha=0.75, label=words)
    ax.plot(middle, lines, linestyle="none", marker="o", markersize=6, color=BLUE, markerfacecolor="white", label="estimate")
    for line in lines[~known]:
        if np.isfinite(middle[line]):
            right = middle[line] > np.mean(ax.get_xlim())
            ax.annotate("interval not known", (middle[line], line), xytext=(-9 if right else 9, 0), textcoords="offset points", va="center",
                        ha="right" if right else "left", fontsize="small", color=QUIET)


def plot_by_instar(table, ax=None, *, title=None):
    """Growth ratio and median stadium per instar, a series a group (such as taxon and sex), with intervals and the number of animals or
    stadia at each point; two panels. `table`: the result of `instar_table`; `ax`: an array of two axes.

    A thin line marks the ratio by which a length grows where the weight doubles at a molt, 2^(1/3) (Przibram and Megusar 1912); for
    weights it stands at 2.
    """
    columns = columns_of(table)
    require(columns, ["instar", "ratio", "median_days"], "plot_by_instar")
    axes = new_panels(ax, 2, height=4.8)
    heading = title or "Growth ratio to the next instar"
    by = list(getattr(table, "asked", {}).get("by", ()) or ())
    labels = [", ".join(_group_word(one, columns[one][i]) for one in by) or "all" for i in range(len(columns["instar"]))]
    instar = frames.numbers(columns["instar"])
    level = percent(getattr(table, "asked", {}).get("level", 0.95))
    parts = ((axes[0], "ratio", "ratio_lower", "ratio_upper", "ratio_n", heading, "ratio of sizes: next instar / this one"),
             (axes[1], "median_days", "median_lower", "median_upper", "stadia_n", "Median stadium", "days"))
    for panel, middle, low, high, count, words, unit in parts:
        values = [frames.numbers(columns[one]) for one in (middle, low, high, count)]
        if not (np.isfinite(values[0]) & np.isfinite(instar)).any():
            say(panel, "no instar with a value:\nwrite the instar at a molt", words)
            continue
        _draw_groups(panel, labels, instar, values)
        dress(panel, words, "instar", unit)
        whole_ticks(panel.xaxis)
        if middle == "ratio":
            doubled, words = _doubled_weight(str(getattr(table, "asked", {}).get("size", "")))
            panel.axhline(doubled, color=QUIET, linewidth=1, linestyle=STYLES[2], label=words)
        legend_below(panel, 2, title=f"bars: {level} intervals; figures: n", alignment="left", title_fontsize="small")
    return axes


def _doubled_weight(size):
    """Ratio of one molt where the weight doubles, and its words; `size`: the measure or the column it was read from."""
    if any(word in size.lower() for word in ("mass", "weight")) or size.lower().endswith(("_g", "_mg")):
        return 2, "2 (Przibram, of weights)"
    return 2 ** (1 / 3), "1.26 (Przibram)"


def _group_word(column, value):
    """The group's own word; a number or a blank with the name of its column."""
    text = frames.text_of(value)
    return text if text and not frames.looks_numeric([text]) else f"{column.replace('_', ' ')} {text or 'not stated'}"


def _draw_groups(ax, labels, instar, values):
    drawn = [i for i in range(len(labels)) if np.isfinite(instar[i]) and np.isfinite(values[0][i])]
    groups = list(dict.fromkeys(labels[i] for i in drawn))
    apart = min(0.14, 0.7 / len(groups))  # all of an instar stay nearer to it than to the next
    for k, group in enumerate(groups):
        rows = np.array([i for i in drawn if labels[i] == group], dtype=int)
        color, style, marker = series(k)
        side = "center" if len(groups) == 1 or 0 < k < len(groups) - 1 else "left" if k else "right"  # counts of one instar stand side by side
        middle, low, high, count = (one[rows] for one in values)
        place = instar[rows] + apart * (k - (len(groups) - 1) / 2)
        reach = np.nan_to_num(np.array([middle - low, high - middle]), nan=0, posinf=0)
        ax.errorbar(place, middle, reach, color=color, marker=marker, linestyle=style, linewidth=1, markersize=5,
                    markerfacecolor="white", capsize=2.5, label=legend_word(group))
        for x, y, n in zip(place, middle + reach[1], count, strict=True):
            ax.annotate(f"{n:g}", (x, y), xytext=(0, 3), textcoords="offset points", ha=side, fontsize="x-small", color=color)


def plot_temperature(fit, temperature_c=None, days=None, ax=None, *, title=None):
    """Rate of development (1 / days) against temperature: the fitted law, the data, and the intervals of its temperatures.

    `fit`: the result of `thermal_sum_fit`, `belehradek_fit` or `briere_fit`. A fit holds no data: give the two columns to see them.
    Horizontal bars are the intervals of the temperatures among the parameters (threshold, limits, optimum); one without end is an arrow's.
    """
    ax = new_axes(ax, width=7.6, height=5)
    heading = title or fit.caption
    if fit.curve is None:
        return say(ax, "the rate does not rise with temperature:\nno law to draw", heading)
    marks = {name: value for name, value in fit.estimates.items() if name.endswith("_c") and np.isfinite(value)}
    seen = frames.numbers(temperature_c) if temperature_c is not None else np.array([])
    low, high = _extent(seen, marks)
    grid = np.linspace(low, high, 300)
    rates = np.array([fit.curve.rate_per_day(t) for t in grid.tolist()])
    ax.plot(grid, rates, color=BLUE, linewidth=1.1, linestyle=STYLES[1], label="fitted law" + (", beyond the data" if len(seen) else ""))
    if len(seen):
        used = _used(fit, seen)
        inside = (grid >= seen[used].min()) & (grid <= seen[used].max())
        ax.plot(grid[inside], rates[inside], color=BLUE, linewidth=1.8, label="fitted law")
        _draw_rates(ax, seen, frames.numbers(days), used)
    _draw_temperatures(ax, fit, marks, rates.max(), (low, high))
    ax.set_xlim(low, high)
    ax.set_yticks([tick for tick in ax.get_yticks() if -1e-12 < tick <= ax.get_ylim()[1]])  # no rate is below 0
    dress(ax, heading, "temperature, C", "rate of development, 1 / days")
    legend_below(ax, columns=2)
    return ax


def _extent(seen, marks):
    ends = [*seen[np.isfinite(seen)], *marks.values()] or [0.0, 40.0]
    low, high = max(min(ends), -10.0), min(max(ends), 60.0)
    return low - 0.06 * (high - low) - 0.5, high + 0.06 * (high - low) + 0.5


def _used(fit, seen):
    """Rows within the range of temperatures that the fit was asked to use."""
    low, high = fit.asked.get("use_from_c"), fit.asked.get("use_to_c")
    return np.isfinite(seen) & (seen >= (-np.inf if low is None else low)) & (seen <= (np.inf if high is None else high))


def _draw_rates(ax, seen, days, used):
    known = np.isfinite(seen) & (days > 0) & np.isfinite(days)
    outside = known & ~used
    if outside.any():
        ax.plot(seen[outside], 1 / days[outside], linestyle="none", marker="+", color=QUIET, label=f"left out of the fit ({outside.sum()})")
    known &= used
    draw_points(ax, seen[known], 1 / days[known], f"data ({known.sum()})")
    none = np.isfinite(seen) & ~known & ~outside
    if none.any():
        ax.plot(seen[none], np.zeros(none.sum()), linestyle="none", marker="x", color=VERMILION, label=f"no development or blank ({none.sum()})")


def _draw_temperatures(ax, fit, marks, top, extent):
    level = percent(fit.asked["level"])
    for k, (name, value) in enumerate(marks.items()):
        height = -top * (0.06 + 0.05 * k)
        color, ends = (GREEN, VERMILION, QUIET)[k % 3], fit.interval(name)
        ax.plot(np.clip(ends, *extent), [height] * 2, color=color, linewidth=2.2, solid_capstyle="butt")
        ax.plot([value], [height], marker=MARKERS[k % 7], color=color, markerfacecolor="white",
                label=f"{name.removesuffix('_c').replace('_', ' ')} {value:.1f} C, {level}: {_ends(ends)}")
        for end, marker in zip(ends, ("<", ">"), strict=True):
            if not extent[0] <= end <= extent[1]:
                ax.plot([np.clip(end, *extent)], [height], marker=marker, color=color)


def _ends(ends):
    low, high = ends
    return f"{low:.1f} to {high:.1f}" if np.isfinite(low) and np.isfinite(high) else "unbounded"
