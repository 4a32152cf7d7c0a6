"""Pictures of time: one animal's next molt, stadia against size, survival curves."""

from datetime import timedelta

import numpy as np

from moltspan import _core
from moltspan._frames import frames
from moltspan.plot.shared import (BLACK, BLUE, GREEN, GUIDE, MARKERS, NO_RECORDS, PURPLE, QUIET, SERIES, STYLES, VERMILION, columns_of,
                                   date_axis, dress, legend_below, legend_word, new_axes, outlined, percent, plain_log_ticks, say, series, shades,
                                   step_to_the_end)

# Bands whose ends are the quantiles from which the chance of each day is interpolated, 1 % apart and finer in the tails, where a curve
# through few points bends by itself; beyond DRAWN_TO nothing is drawn.
FINE_LEVELS = (*(round(0.02 * k, 2) for k in range(1, 50)), 0.99, 0.994, 0.998, 0.9996)
DRAWN_TO = 0.995
MOST_BANDS = 3  # of curves in one picture: more of them hide one another
SIGN_HEIGHT = 0.62


def plot_next_molt(fit, animal, levels=(0.5, 0.8, 0.95), ax=None, *, title=None):
    """One animal's next molt: the chance of each day to come, bands named, with the time since its last molt, signs noted in it, and
    where the molt would fall if this stadium were as long as each of its own earlier ones.

    `fit`: a `CollectionFit`; `animal`: its id. An animal without a forecast gives a picture that says why. ValueError for an id that the
    collection does not hold.
    """
    levels = sorted(levels)
    forecasts = _core.forecast(fit._core, sorted({*FINE_LEVELS, *levels}))
    place = next((i for i, one in enumerate(forecasts) if one.id == str(animal)), None)
    if place is None:
        raise ValueError(f"plot_next_molt: animal {animal!r} is not in the collection; it has {', '.join(one.id for one in forecasts)}")
    forecast = forecasts[place]
    ax = new_axes(ax, width=8.6)
    heading = title or f"Next molt of {forecast.id}" + (f", {forecast.taxon}" if forecast.taxon else "")
    if forecast.why_no_forecast:
        return say(ax, f"no forecast for {forecast.id}:\n{forecast.why_no_forecast}", heading)
    top = _draw_chances(ax, fit.as_of, forecast, levels)
    _draw_elapsed(ax, fit.as_of, forecast)
    _draw_signs(ax, fit, place, forecast, top)
    _draw_own_stadia(ax, fit, forecast, top)
    dress(ax, heading, "date", "chance of molting on that day, %")
    ax.set_ylim(0, max(ax.get_ylim()[1], top * 1.06))
    date_axis(ax)
    legend_below(ax, columns=2)
    return ax


def _quantiles(forecast):
    """(probability, days) in rising order, from the ends of the bands."""
    ends = [((1 - band.level) / 2, band.from_days) for band in forecast.bands] + [((1 + band.level) / 2, band.to_days) for band in forecast.bands]
    return zip(*sorted({round(p, 6): days for p, days in ends}.items()), strict=True)


def _draw_chances(ax, as_of, forecast, levels):
    from matplotlib.dates import date2num

    probabilities, days = map(list, _quantiles(forecast))
    first, last = int(np.floor(days[0])), int(np.floor(np.interp(DRAWN_TO, probabilities, days)))
    chances = np.array(_core.chance_by_day(probabilities, days, first, last - first + 1)) * 100
    edges = [as_of + timedelta(days=first + k) for k in range(len(chances) + 1)]
    ax.stairs(chances, date2num(edges), color=BLUE, linewidth=1.2)
    for level, shade in zip(reversed(levels), shades(len(levels)), strict=True):
        band = next(band for band in forecast.bands if abs(band.level - level) < 1e-9)
        begin, end = (int(np.floor(day)) - first for day in (band.from_days, band.to_days))
        begin, end = max(begin, 0), min(end + 1, len(chances))  # the last day of a band is part of it
        ax.stairs(chances[begin:end], date2num(edges[begin:end + 1]), fill=True, color=shade, linewidth=0,
                  label=f"{percent(level)} of such molts should fall here")
    median = as_of + timedelta(days=int(np.floor(forecast.quantile_days[_core.STANDARD_QUANTILES.index(0.5)])))
    ax.axvline(median, color=BLACK, linewidth=1.3, linestyle=STYLES[3], path_effects=outlined(),
               label=f"most likely around {median.isoformat()}")
    return chances.max(initial=0.01)


def _draw_elapsed(ax, as_of, forecast):
    ax.axvline(as_of, color=VERMILION, linewidth=1.3, linestyle=STYLES[1], label=f"records end {as_of.isoformat()}")
    if forecast.last_molt is None:
        ax.plot([], [], " ", label="no molt on record yet")
        return
    earliest, latest = map(frames.day_of, forecast.last_molt)
    ax.axvspan(earliest, as_of, color=GUIDE, alpha=0.5, linewidth=0,
               label=f"since its last molt: {_day_range((as_of - latest).days, (as_of - earliest).days)} days")
    ax.axvspan(earliest, latest + timedelta(days=1), color=QUIET, alpha=0.6, linewidth=0, label="last molt")


def _day_range(low, high):
    return f"{low}" if low == high else f"{low} to {high}"


def _draw_signs(ax, fit, place, forecast, top):
    since = forecast.last_molt[1] if forecast.last_molt else -np.inf
    found = {}
    for day, sign in _core.sign_days(fit._core, place):
        if day > since:
            found.setdefault(sign, []).append(frames.day_of(int(np.floor(day))))
    for k, (sign, days) in enumerate(found.items()):
        ax.plot(days, [top * (SIGN_HEIGHT - 0.08 * k)] * len(days), linestyle="none", marker=MARKERS[1 + k % 6], color=VERMILION,
                markerfacecolor="white", label=f"sign: {sign.replace('_', ' ')}")


def _draw_own_stadia(ax, fit, forecast, top):
    """Where the molt would fall by the animal's own earlier stadia: the range of dates that each leaves."""
    if forecast.last_molt is None:
        return
    columns = columns_of(fit.collection.stadia(fit.as_of, fit.asked["watched"]))
    rows = [i for i, name in enumerate(columns["animal"]) if frames.text_of(name) == forecast.id and columns["status"][i] == "closed"]
    earliest, latest = map(frames.day_of, forecast.last_molt)
    for k, row in enumerate(rows):
        begin, end = earliest + timedelta(days=float(columns["min_days"][row])), latest + timedelta(days=float(columns["max_days"][row]) + 1)
        height = top * (1.08 + 0.055 * k)
        ax.plot([begin, end], [height, height], color=GREEN, linewidth=2.4, solid_capstyle="butt", marker="|", markersize=6,
                label=None if k else "if as long as its earlier stadium" if len(rows) == 1 else
                f"if as long as one of its {len(rows)} earlier stadia (the first lowest)")


def plot_stadia(fit, taxon=None, level=0.8, ax=None, *, title=None):
    """Length of stadia (days) against leg span at their start (mm), both on log scales, joined by animal, with the band of the
    population: a new animal, female, at 25 C. Bars are ranges; an arrow is a stadium whose end was not seen.

    `fit`: a `CollectionFit`; `taxon`: only animals of this kind are drawn as points (the band stays that of all).
    Stadia without a size read in them are not drawn, and counted in the legend.
    """
    ax = new_axes(ax, width=8.0, height=5.6)
    columns = columns_of(fit.collection.stadia(fit.as_of, fit.asked["watched"]))
    heading = title or "Stadia by size" + (f": {taxon}" if taxon else "")
    rows = [i for i in range(len(columns["animal"])) if taxon is None or frames.text_of(columns["taxon"][i]) == taxon]
    if not rows or not fit._core.stadia.n_records:
        return say(ax, NO_RECORDS, heading)
    sizes = frames.numbers(columns["start_size_mm"])
    drawn = [i for i in rows if np.isfinite(sizes[i]) and columns["min_days"][i] + _or_zero(columns["max_days"][i]) > 0]
    if not drawn:
        return say(ax, "no stadium with a leg span read in it:\nmeasure after a molt and it shows here", heading)
    _draw_population(ax, fit, sizes[drawn], level)
    names = list(dict.fromkeys(frames.text_of(columns["animal"][i]) for i in drawn))
    taxa = list(dict.fromkeys(frames.text_of(columns["taxon"][i]) for i in drawn))
    keys = names if len(names) <= len(SERIES) else taxa
    for name in names:
        own = sorted((i for i in drawn if frames.text_of(columns["animal"][i]) == name), key=lambda i: columns["start_earliest"][i])
        _draw_animal(ax, columns, sizes, own, keys.index(name if keys is names else frames.text_of(columns["taxon"][own[0]])))
    for k, key in enumerate(keys):
        color, style, marker = series(k)
        ax.plot([], [], color=color, marker=marker, linestyle=style, linewidth=0.7, markersize=4, markerfacecolor="white",
                label=legend_word(key) or "kind not stated")
    ax.plot([], [], color=QUIET, marker=r"$\uparrow$", linestyle="none", label="end not seen: at least so long")
    if len(drawn) < len(rows):
        ax.plot([], [], " ", label=f"not drawn: {len(rows) - len(drawn)} without a leg span read in them")
    ax.set(xscale="log", yscale="log")
    dress(ax, heading, "leg span at the start of the stadium, mm (log scale)", "length of the stadium, days (log scale)")
    plain_log_ticks(ax.xaxis), plain_log_ticks(ax.yaxis)
    legend_below(ax, columns=2)
    return ax


def _or_zero(value):
    return value if value is not None and np.isfinite(value) else 0.0


def _draw_population(ax, fit, sizes, level):
    grid = np.geomspace(sizes.min() * 0.95, sizes.max() * 1.05, 61) if len(sizes) else np.array([])
    found = _core.stadia_at_sizes(fit._core, grid.tolist(), np.array([0.5 - level / 2, 0.5, 0.5 + level / 2]))
    ax.fill_between(grid, found[:, 0], found[:, 2], color=BLUE, alpha=0.17, linewidth=0,
                    label=f"{percent(level)} prediction band: stadium of a new animal of any kind")
    ax.plot(grid, found[:, 1], color=BLUE, linewidth=1.5, label="its median")


def _draw_animal(ax, columns, sizes, rows, k):
    """Stadia of one animal: those that ended joined, running ones as arrows from what has passed."""
    color, style, marker = series(k)
    ended, middles = [], []
    for i in rows:
        high = _or_zero(columns["max_days"][i])
        low = max(float(columns["min_days"][i]), 0.1 * high, 0.5)  # a log scale has no 0: a bar from 0 days ends at a tenth
        if high:
            ended.append(i)
            middles.append((low + high) / 2)
            ax.plot([sizes[i]] * 2, [low, high], color=color, linewidth=1.4)
        else:
            ax.annotate("", (sizes[i], low * 1.25), (sizes[i], low), arrowprops={"arrowstyle": "->", "color": color, "linewidth": 1.1})
            ax.plot([sizes[i]], [low], color=color, marker="_", markersize=6)
    ax.plot(sizes[ended], middles, color=color, linewidth=0.7, marker=marker, markersize=4, markerfacecolor="white", linestyle=style,
            alpha=0.85)


def plot_survival(result, ax=None, *, level=0.95, group=None, band=None, title=None):
    """Share of stadia not yet ended against days, no family assumed; bands named. For `molt_incidence`: how they end.

    `result`: a `StadiumNpmle` (pale boxes: what the records leave open; bootstrap band at `level`), a `KaplanMeier` (its own limits), a
    dict name -> of these, a `StadiaComparison`, or a `MoltIncidence` with `group` (default: its first one). `band`: whether bands are
    drawn (default: of up to three curves).
    """
    ax = new_axes(ax)
    if hasattr(result, "curve") and hasattr(result, "_parts"):
        return _draw_incidence(ax, result, group, title)
    curves = dict(result) if isinstance(result, dict) else dict(getattr(result, "fits", {})) or {"": result}
    if not curves:
        return say(ax, NO_RECORDS, title or "Stadia not yet ended")
    band = len(curves) <= MOST_BANDS if band is None else band
    for k, (name, one) in enumerate(curves.items()):
        prefix = legend_word(f"{name or 'not stated'}: ") if name or len(curves) > 1 else ""
        if hasattr(one, "band"):
            _draw_npmle(ax, one, k, prefix, level, band)
        elif hasattr(one, "level") and hasattr(one, "median"):
            _draw_product_limit(ax, one, k, prefix, band)
        else:
            raise TypeError(f"plot_survival: give stadium_npmle, kaplan_meier, compare_stadia or molt_incidence results, not {type(one).__name__}")
    ax.set_ylim(0, 1.03)
    ax.set_xlim(left=0)
    units = {getattr(one, "unit", "days") for one in curves.values()}
    dress(ax, title or "Stadia not yet ended, no family assumed", f"{' or '.join(sorted(units))} since the molt", "share not yet molted")
    legend_below(ax, columns=2)
    return ax


def _draw_npmle(ax, fit, k, prefix, level, band):
    color, style, _ = series(k)
    carries = fit.mass > 0
    left, right, after = fit.left[carries], fit.right[carries], np.array(fit._core.survival)[carries]
    before = np.append(1.0, after[:-1])
    finite = np.concatenate([left, right[np.isfinite(right)]])
    end = finite.max() * 1.05 if len(finite) else 1.0
    if band:
        grid = np.linspace(0, finite.max(), 101)
        found = columns_of(fit.band(grid, level))
        ax.fill_between(grid, found["lower"], found["upper"], color=color, alpha=0.16, linewidth=0,
                        label=_once(ax, f"{percent(level)} pointwise band (bootstrap)"))
    days, values = [0.0], [1.0]
    for low, high, top, bottom in zip(left, right, before, after, strict=True):
        far = high if np.isfinite(high) else end
        if high > low:
            ax.fill_between([low, far], bottom, top, facecolor="none", edgecolor=color, linewidth=0.3, hatch="////", alpha=0.5,
                            label=_once(ax, "left open by the records"))
        days += [low, far] if np.isfinite(high) else [low]
        values += [top, bottom] if np.isfinite(high) else [top]
    ax.plot(days, values, color=color, linestyle=style, linewidth=1.5, label=_curve_label(prefix, "Turnbull", fit.n_records))


def _curve_label(prefix, method, n):
    return f"{prefix}{n} records ({method})" if prefix else f"estimate ({method}), {n} records"


def _once(ax, label):
    """A label for what several curves share: the legend has it once."""
    return None if label in ax.get_legend_handles_labels()[1] else label


def _draw_product_limit(ax, fit, k, prefix, band):
    color, style, _ = series(k)
    columns = {name: np.array(values, dtype=float) for name, values in columns_of(fit.frame).items()}
    if not len(columns["days"]):
        return
    end = columns["days"].max() * 1.02
    days = np.append(0.0, columns["days"])
    if band:
        low, high = (np.append(1.0, columns[side]) for side in ("lower", "upper"))
        ax.fill_between(np.append(days, end), np.append(low, low[-1]), np.append(high, high[-1]), step="post", color=color, alpha=0.16,
                        linewidth=0, label=_once(ax, f"{percent(fit.level)} pointwise band (log-log)"))
    ax.step(*step_to_the_end(days, np.append(1.0, columns["survival"]), end), where="post", color=color, linestyle=style, linewidth=1.5,
            label=_curve_label(prefix, "Kaplan-Meier", fit.n_records))
    censored = columns["censored"] > 0
    ax.plot(columns["days"][censored], columns["survival"][censored], linestyle="none", marker="|", markersize=8, color=color,
            label=_once(ax, "end not seen") if censored.any() else None)


CAUSES = {"molted": ("molted", BLUE), "died_molting": ("died at molting", VERMILION), "died": ("died between molts", PURPLE)}


def _draw_incidence(ax, result, group, title):
    groups = list(result._parts)
    if not groups:
        return say(ax, NO_RECORDS, title or "How stadia end")
    label = groups[0] if group is None else tuple(group) if isinstance(group, (tuple, list)) else (group,)
    columns = {name: np.array(values, dtype=float) for name, values in columns_of(result.curve(*label)).items()}
    days = np.append(0.0, columns["days"])
    for k, (name, (words, color)) in enumerate(CAUSES.items()):
        sides = [(f"{name}_lower", f"{name}_upper", f"{percent(result.asked['level'])} pointwise band"),
                 (f"{name}_open_low", f"{name}_open_high", "left open by the records")]
        for low, high, kind in sides:
            if low in columns and np.nanmax(columns[high] - columns[low], initial=0) > 1e-9:
                ax.fill_between(days, np.append(0, columns[low]), np.append(0, columns[high]), step="post", color=color, alpha=0.18, linewidth=0,
                                label=f"{words}: {kind}")
        ax.step(*step_to_the_end(days, np.append(0, columns[name]), days[-1] * 1.02), where="post", color=color, linestyle=STYLES[k], linewidth=1.5,
                label=words)
    ax.set_ylim(-0.02, 1.03)  # a share of 0 is seen as a line
    ax.set_xlim(left=0)
    dress(ax, title or "How stadia end: " + " / ".join(map(str, label)), f"{result.unit} since the molt", "share so far")
    legend_below(ax, columns=2)
    return ax


