"""The picture of kept forecasts: ranges as they were said, molts as they came."""

from datetime import date, timedelta

from moltspan.collection.kept import LEVELS
from moltspan.plot.shared import BLACK, GUIDE, VERMILION, head, legend_below, name_ticks, new_axes, say, shades

MOST_LINES = 40
ROW_INCHES, FRAME_INCHES = 0.3, 2.2


def plot_kept(kept, ax=None, *, title=None):
    """Kept forecasts, a line a molt, the newest on top: the ranges that the first forecast gave (50, 80, 95 %) and the molt that came.

    `kept`: a `KeptForecasts`. A tick is the day said to be likeliest, a filled mark a molt inside the 80 % range or one that cannot be told, a cross one
    outside, a bar the days of a molt known to a range; an open mark: watched until then, no molt yet. Beyond 40 molts the newest are shown.
    """
    firsts = kept.firsts()[::-1]
    shown = firsts[:MOST_LINES]
    ax = new_axes(ax, 9.0, FRAME_INCHES + ROW_INCHES * max(len(shown), 1))
    title = title or f"Kept forecasts, and what came by {kept.collection.as_of}"
    if not shown:
        return say(ax, "no forecast was kept yet", title)
    for line, one in enumerate(shown):
        _draw_ranges(ax, line, one)
        _draw_what_came(ax, line, one)
    _dress(ax, shown, title if len(shown) == len(firsts) else f"{title} (the newest {MOST_LINES} of {len(firsts)})")
    return ax


def _draw_ranges(ax, line, one):
    for level, color, height in zip(LEVELS[::-1], shades(len(LEVELS)), (0.7, 0.52, 0.34), strict=True):
        first, last = (date.fromisoformat(one[f"{side}_{level * 100:g}"]) for side in ("from", "to"))
        ax.barh(line, last + timedelta(days=1) - first, left=first, height=height, color=color, zorder=2)
    likely = date.fromisoformat(one["even_odds"])
    ax.plot([likely, likely], [line - 0.17, line + 0.17], color="#ffffff", linewidth=1.8, zorder=3)


def _draw_what_came(ax, line, one):
    if one["molt_latest"]:
        days = [date.fromisoformat(one[name]) for name in ("molt_earliest", "molt_latest")]
        missed = one["held_80"] is False
        color = VERMILION if missed else BLACK
        ax.plot(days, [line, line], color=color, linewidth=2.4, zorder=4, solid_capstyle="butt")
        ax.plot([days[0] + (days[1] - days[0]) / 2], [line], marker="X" if missed else "o", color=color, markeredgecolor="white", markersize=8, zorder=5)
    elif one["watched_until"]:
        color = VERMILION if one["held_80"] is False else BLACK
        ax.plot([date.fromisoformat(one["watched_until"])], [line], marker="o", color="white", markeredgecolor=color, markersize=7, zorder=5)


def _dress(ax, shown, title):
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(minticks=4, maxticks=9)
    ax.xaxis_date()
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))
    ax.set_ylim(len(shown) - 0.4, -0.6)
    name_ticks(ax.yaxis, range(len(shown)), [f"{one['animal']}, said {one['said_on']}" for one in shown])
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x", color=GUIDE, linewidth=0.6)
    ax.set_axisbelow(True)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    head(ax, title)
    _legend(ax)


def _legend(ax):
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    marks = [Line2D([], [], linestyle="none", marker="o", color=BLACK, markeredgecolor="white", markersize=8),
             Line2D([], [], linestyle="none", marker="X", color=VERMILION, markeredgecolor="white", markersize=8),
             Line2D([], [], linestyle="none", marker="o", color="white", markeredgecolor=BLACK, markersize=7)]
    patches = [Patch(color=color) for color in shades(len(LEVELS))[::-1]]
    labels = [f"{level * 100:g} % of such molts should fall here" for level in LEVELS]
    legend_below(ax, 2, drop=28, handles=[*patches, *marks], labels=[*labels, "molted, in the 80 % range or not to be told", "molted outside it",
                                                                      "watched until then, no molt"])
