"""What all pictures share: colors, axes, bands, words where there is nothing to draw. No statistics here."""

from functools import cache
from textwrap import wrap
from weakref import WeakSet

import numpy as np

from moltspan._frames import frames
from moltspan._frames.visible import visible
from moltspan.plot.colors import ramp

# Okabe & Ito (2008), told apart by all kinds of color vision; every series differs in line style and marker too, for gray print.
BLUE, VERMILION, GREEN, ORANGE, PURPLE, SKY, BLACK = "#0072B2", "#D55E00", "#009E73", "#E69F00", "#CC79A7", "#56B4E9", "#000000"
SERIES = (BLUE, VERMILION, GREEN, ORANGE, PURPLE, SKY, BLACK)
STYLES = ("-", (0, (5, 2)), (0, (1, 1.4)), (0, (5, 1.5, 1, 1.5)), (0, (3, 1, 1, 1, 1, 1)), (0, (8, 3)), (0, (1, 3)))
MARKERS = ("o", "s", "^", "D", "v", "P", "X")
GUIDE, QUIET, POINT = "#d9d9d9", "#767676", "#333333"
# Fonts with letters that the usual one lacks, the first one installed is taken.
WIDE_FONTS = ("Noto Sans CJK JP", "Noto Sans CJK SC", "Noto Sans", "Droid Sans Fallback", "WenQuanYi Zen Hei", "Unifont")
LEAST_SHARE = 0.68  # of their height that axes keep when a legend comes below them
_OWN_FIGURES = WeakSet()  # made here, not by the caller: free to grow
# One hue from light to dark, so that it survives gray print and every kind of color vision.
BAND_HUE = 225  # a blue with some green in it
BAND_COLORS = ramp(BAND_HUE)
# Kinds of bands: who reads "band" without its kind takes one for the other.
BANDS = {
    "new": ("new_lower", "new_upper", "{level} prediction band: one further {thing}"),
    "simultaneous": ("simultaneous_lower", "simultaneous_upper", "{level} simultaneous band: the whole line at once"),
    "mean": ("mean_lower", "mean_upper", "{level} pointwise band: the line at one place"),
}


def series(k):
    """Color, line style and marker of the k-th series; beyond seven colors another style goes with each."""
    turn = (k + k // len(SERIES)) % len(SERIES)
    return SERIES[k % len(SERIES)], STYLES[turn], MARKERS[turn]


def unit_of(column):
    """Unit that a column's name ends in; mm where it names none."""
    return next((unit for unit in ("mg", "cm", "g") if str(column).endswith(f"_{unit}")), "mm")


def shades(n):
    """`n` colors of nested bands, the widest band (palest) first; opaque, so that the legend shows what is drawn."""
    from matplotlib.colors import LinearSegmentedColormap, to_hex

    ramp = LinearSegmentedColormap.from_list("bands", BAND_COLORS)
    return [to_hex(ramp(i / max(n - 1, 1))) for i in range(n)]


def new_axes(ax, width=7.2, height=4.6):
    """The axes given, or one of a new figure."""
    if ax is not None:
        return ax
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(figsize=(width, height), layout="constrained")
    _OWN_FIGURES.add(figure)
    return axes


def new_panels(ax, n, width=9.6, height=4.2, columns=None):
    """An array of `n` axes: those given, or a new figure's. ValueError where another number is given."""
    if ax is not None:
        axes = np.atleast_1d(np.asarray(ax, dtype=object)).ravel()
        if len(axes) != n:
            raise ValueError(f"ax: this picture has {n} panels; give an array of {n} axes, not {len(axes)}")
        return axes
    from matplotlib import pyplot

    columns = min(columns or n, n)
    figure, axes = pyplot.subplots(-(-n // columns), columns, figsize=(width, height), layout="constrained", squeeze=False)
    _OWN_FIGURES.add(figure)
    for spare in axes.ravel()[n:]:
        figure.delaxes(spare)
    return axes.ravel()[:n]


def say(ax, text, title=None):
    """A picture of nothing: says in words why."""
    as_written(ax.text(0.5, 0.5, text, transform=ax.transAxes, ha="center", va="center", wrap=True, color=POINT))
    ax.set(xticks=[], yticks=[])
    head(ax, title or "")
    for spine in ax.spines.values():
        spine.set_color(GUIDE)
    return ax


def as_written(*texts):
    """Texts that users typed: a name is no formula, and its letters may need a further font."""
    for text in texts:
        text.set_text(visible(text.get_text(), keep="\n"))
        text.set_parse_math(False)
        if not text.get_text().isascii():
            text.set_fontfamily([*text.get_fontfamily(), *_wide_font()])


@cache
def _wide_font():
    from matplotlib.font_manager import fontManager

    installed = {font.name for font in fontManager.ttflist}
    return [name for name in WIDE_FONTS if name in installed][:1]


def legend_word(text):
    """A user's word as a label: a legend leaves out those that begin with an underscore."""
    return visible(f" {text}" if text.startswith("_") else text)


def name_ticks(axis, places, names, width=34):
    """Ticks with users' names, long ones broken."""
    names = [visible(name, keep="\n") for name in names]  # a tick takes its text from here each time it is drawn
    axis.set_ticks(places, ["\n".join(line for part in name.split("\n") for line in wrap(part, width) or [""]) for name in names])
    as_written(*axis.get_ticklabels())


def head(ax, title, **more):
    """Title to the left, broken where it is longer than the picture is wide."""
    room = max(30, int(ax.figure.get_figwidth() / ax.get_subplotspec().get_gridspec().ncols / 0.095)) if ax.get_subplotspec() else 80
    as_written(ax.set_title("\n".join(wrap(title, room)), loc="left", fontsize="medium", **more))


def dress(ax, title, x, y, grid="both"):
    """Title to the left, labels with units, quiet frame."""
    head(ax, title)
    ax.set(xlabel=x, ylabel=y)
    as_written(ax.xaxis.label, ax.yaxis.label)
    ax.grid(axis=grid, color=GUIDE, linewidth=0.5)
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    return ax


def legend_below(ax, columns=1, drop=42, **more):
    """The legend under the axes, where it hides nothing: in as many columns as fit under them, long words broken. A figure of our
    own grows, so that the axes keep their size. `drop`: points from the axes down to it."""
    ax.figure.draw_without_rendering()
    room = ax.get_window_extent()
    for count in range(columns, 0, -1):
        legend = _legend(ax, count, drop, **more)
        if legend.get_window_extent().width <= room.width:
            break
    else:
        _break_lines(legend, room.width)
    _keep_height(ax, room.height)
    return legend


def _legend(ax, columns, drop, **more):
    from matplotlib.transforms import ScaledTranslation

    below = ax.transAxes + ScaledTranslation(0, -drop / 72, ax.figure.dpi_scale_trans)
    legend = ax.legend(loc="upper left", bbox_to_anchor=(0, 0), bbox_transform=below, frameon=False, fontsize="small", ncols=columns,
                       borderaxespad=0, **more)
    as_written(*legend.get_texts())
    return legend


def _break_lines(legend, width):
    whole = [text.get_text() for text in legend.get_texts()]
    letters = max(map(len, whole))
    while legend.get_window_extent().width > width and letters > 12:
        letters = int(letters * 0.9)
        for text, words in zip(legend.get_texts(), whole, strict=True):
            text.set_text("\n".join(wrap(words, letters)))


def _keep_height(ax, before):
    """Grows a figure of our own by what a tall legend takes from the axes beyond their usual share."""
    figure = ax.figure
    if figure not in _OWN_FIGURES:
        return
    figure.draw_without_rendering()
    lacking = LEAST_SHARE * before - ax.get_window_extent().height
    if lacking > 0:
        figure.set_figheight(figure.get_figheight() + lacking / figure.dpi)


def columns_of(table):
    """Column name -> array (numbers, days) or list (texts) of any frame, mapping, or result with `frame` or `columns`."""
    if isinstance(table, dict):
        return {name: list(values) for name, values in table.items()}
    if hasattr(table, "rows") and hasattr(table, "facts"):  # a ResultTable
        return {name: list(table[name]) for name in table.columns}
    return frames.columns_of(table)


def require(columns, names, function):
    missing = [name for name in names if name not in columns]
    if missing:
        raise ValueError(f"{function}: the table has no column {missing[0]!r}; it has {', '.join(columns)}")


def percent(level):
    return f"{level * 100:g} %"


def draw_band(ax, x, bands, kind, level, thing, color=BLUE):
    """One band of a table with `BANDS` columns, with its kind in the legend."""
    low, high, words = BANDS[kind]
    label = words.format(level=percent(level), thing=thing)
    if kind == "simultaneous":
        ax.plot(x, bands[low], color=color, linewidth=1, linestyle=STYLES[1], label=label)
        ax.plot(x, bands[high], color=color, linewidth=1, linestyle=STYLES[1])
    else:
        ax.fill_between(x, bands[low], bands[high], color=color, alpha=0.13 if kind == "new" else 0.38, linewidth=0, label=label)


def draw_points(ax, x, y, label, color=POINT, marker="o", size=16):
    """Data: open marks, so that many of them stay readable."""
    ax.scatter(x, y, s=size, facecolor="white", edgecolor=color, linewidth=0.9, marker=marker, label=label, zorder=3)


def outlined():
    """A white rim for lines that cross dark bands."""
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=3.2, foreground="white")]


def step_to_the_end(days, values, end):
    """A step function that goes on to `end`."""
    return np.append(days, end), np.append(values, values[-1])


def plain_log_ticks(axis):
    """Ticks of a log axis at 1, 2, 5, written as plain numbers."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter, NullLocator

    low, high = axis.get_view_interval()
    spread = high / low
    subs = (1,) if spread > 3000 else (1, 3) if spread > 150 else (1, 2, 5) if spread > 30 else (1, 1.5, 2, 3, 5, 7) if spread > 3 else \
        (1, 1.2, 1.5, 2, 2.5, 3, 3.5, 4, 5, 6, 7, 8, 9)
    axis.set_major_locator(LogLocator(subs=subs, numticks=20))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_locator(NullLocator())
    axis.set_minor_formatter(NullFormatter())


def whole_ticks(axis):
    from matplotlib.ticker import MaxNLocator

    axis.set_major_locator(MaxNLocator(integer=True))


def date_axis(ax):
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(minticks=4, maxticks=9)
    ax.xaxis_date()
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))


def model_and_data(fit, function):
    """Core fit and table of a `StadiaFit` or `CollectionFit`; None, None for one without records."""
    if hasattr(fit, "stadia") and hasattr(fit, "collection"):
        core, data = fit._core.stadia, fit._core.data
    elif hasattr(fit, "_data") and hasattr(fit, "_options"):
        core, data = fit._core, fit._data
        if data is None:
            raise ValueError(f"{function}: give the CollectionFit itself, not its .stadia")
    else:
        raise TypeError(f"{function}: give the result of moltspan.fit or moltspan.fit_stadia, not {type(fit).__name__}")
    return (core, data) if core.n_records else (None, None)


NO_RECORDS = "no stadia on record:\nnothing to draw yet"
