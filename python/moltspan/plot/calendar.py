"""Pictures of results. Each `plot_*` takes `ax=None`, draws on it, returns it, shows nothing and changes no settings."""

from datetime import date, timedelta
from textwrap import wrap

from moltspan.plot.shared import head, legend_below, name_ticks, new_axes, shades
from moltspan.text.tables import in_molt_order

BAND_HEIGHTS = [0.34, 0.52, 0.7]
MEDIAN_COLOR, TODAY_COLOR, GUIDE_COLOR = "#ffffff", "#a63603", "#d9d9d9"
ROW_INCHES, WIDTH_INCHES, FRAME_INCHES = 0.32, 9.5, 1.9
NAME_LETTERS = 34  # in a line beside a bar
TALL = 30  # lines from which dates stand on top as well


def plot_calendar(forecast, levels=None, ax=None, *, until=None, title=None):
    """Calendar of next molts: a line an animal, the soonest on top, with nested bands of dates.

    `forecast` is a `CollectionFit` or the document of `moltspan forecast --json`. `levels` (each among those asked for in
    the forecast; default: all of them) are the bands, the widest palest. The white tick is the median; the
    vertical line is the last day of the records. The time axis ends at `until` (a date), by default where four in five animals
    have ended their widest band; a bar that goes on past it ends in an arrow. Raises ValueError for a level that the forecast
    does not hold.
    """
    document = _document(forecast, levels)
    levels = sorted(levels or document["levels"])
    animals = in_molt_order(document)
    names = [_label(animal) for animal in animals]
    ax = new_axes(ax, WIDTH_INCHES, FRAME_INCHES + ROW_INCHES * (max(len(names), 1) + sum(name.count("\n") for name in names) / 2))
    as_of = date.fromisoformat(document["as_of"])
    right = until or _right_edge(document, animals, levels)
    left = min([as_of - timedelta(days=2), *(_band(animal, levels[-1])[0] - timedelta(days=1) for animal in animals)])
    for line, animal in enumerate(animals):
        _draw_bands(ax, line, animal, levels, right)
        _draw_median(ax, line, animal, right)
    _draw_today(ax, as_of, above=4 if len(names) < TALL else 23)
    _dress(ax, names, left, right, title or _title(document))
    _legend(ax, levels)
    return ax


def _document(forecast, levels):
    if isinstance(forecast, dict):
        document = forecast
    else:
        import moltspan

        document = moltspan.forecast_document(forecast, tuple(levels or (0.5, 0.8, 0.95)))
    missing = [level for level in levels or [] if level not in document["levels"]]
    if missing:
        raise ValueError(f"levels: the forecast holds no band of level {missing[0]:g}; it holds "
                         f"{', '.join(f'{level:g}' for level in document['levels'])}")
    return document


def _band(animal, level):
    band = next(band for band in animal["next_molt"]["bands"] if band["level"] == level)
    return date.fromisoformat(band["from"]), date.fromisoformat(band["to"])


def _right_edge(document, animals, levels):
    """Last day shown: where four in five of the widest bands have ended, so that one long band does not squeeze all others."""
    ends = sorted(_band(animal, levels[-1])[1] for animal in animals)
    if not ends:
        return date.fromisoformat(document["as_of"]) + timedelta(days=30)
    return ends[min(len(ends) - 1, int(0.8 * len(ends)))] + timedelta(days=3)


def _shades(levels):
    """Widest band pale and tall, narrowest dark and slim."""
    last = max(len(levels) - 1, 1)
    colors = shades(len(levels))[::-1]
    heights = [BAND_HEIGHTS[0] + (BAND_HEIGHTS[-1] - BAND_HEIGHTS[0]) * i / last for i in range(len(levels))]
    return colors, heights


def _draw_bands(ax, line, animal, levels, right):
    colors, heights = _shades(levels)
    for level, color, height in reversed(list(zip(levels, colors, heights, strict=True))):
        begin, end = _band(animal, level)
        stop = min(end + timedelta(days=1), right)  # the last day of a band is part of it
        if begin < right:
            ax.barh(line, stop - begin, left=begin, height=height, color=color, zorder=2)
    if _band(animal, levels[-1])[1] >= right:
        ax.plot([right], [line], marker=">", color=colors[-1], markeredgecolor=colors[0], clip_on=False, zorder=4)


def _draw_median(ax, line, animal, right):
    median = date.fromisoformat(animal["next_molt"]["median"])
    if median < right:
        ax.plot([median, median], [line - 0.17, line + 0.17], color=MEDIAN_COLOR, linewidth=1.8, zorder=3)


def _draw_today(ax, as_of, above):
    ax.axvline(as_of, color=TODAY_COLOR, linewidth=1.2, linestyle=(0, (4, 2)), zorder=1)
    ax.annotate(f"records end {as_of.isoformat()}", (as_of, 1), xycoords=("data", "axes fraction"), xytext=(4, above),
                textcoords="offset points", color=TODAY_COLOR, fontsize="small", annotation_clip=False)


def _label(animal):
    genus, _, rest = (animal["taxon"] or "").partition(" ")
    short = f"{genus[0]}. {rest}" if genus and rest else genus
    one_line = f"{animal['animal']}  {short}".rstrip()
    return one_line if len(one_line) <= NAME_LETTERS else "\n".join(wrap(animal["animal"], NAME_LETTERS) + wrap(short, NAME_LETTERS))


def _title(document):
    return f"Next molts, as of {document['as_of']}"


def _dress(ax, names, left, right, title):
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(minticks=4, maxticks=10)
    ax.xaxis_date()
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))
    ax.set_xlim(left, right)
    ax.set_ylim(max(len(names), 1) - 0.4, -0.6)
    name_ticks(ax.yaxis, range(len(names)), names)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x", color=GUIDE_COLOR, linewidth=0.6)
    ax.set_axisbelow(True)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    if len(names) >= TALL:
        ax.tick_params(axis="x", top=True, labeltop=True)
    head(ax, title, pad=20 if len(names) < TALL else 40)


def _legend(ax, levels):
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    colors, _ = _shades(levels)
    handles = [Patch(color=color) for color in colors]
    labels = [f"{level * 100:g} % of such molts should fall in this bar" for level in levels]
    tick = Line2D([], [], color=MEDIAN_COLOR, marker="|", linestyle="none", markersize=9, markeredgewidth=2.2)
    legend_below(ax, 2, drop=28, handles=[*handles, (Patch(color=colors[0]), tick)], labels=[*labels, "most likely around: as likely before as after"])
