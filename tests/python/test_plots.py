"""Pictures, checked by what is drawn and not by pixels."""

import matplotlib
import pytest

matplotlib.use("Agg")

from datetime import date

from hand_made_forecast import document
from matplotlib import pyplot
from matplotlib.colors import to_rgb
from matplotlib.dates import date2num

from moltspan.plot.calendar import plot_calendar


@pytest.fixture(autouse=True)
def closed_figures():
    yield
    pyplot.close("all")


def bars_of(ax, line):
    """(first day, day after the last) of the bars on one line, widest first."""
    boxes = [patch.get_bbox() for patch in ax.patches]
    here = [(box.x0, box.x1) for box in boxes if abs((box.y0 + box.y1) / 2 - line) < 1e-9]
    return sorted(here, key=lambda bar: bar[0] - bar[1])


def test_soonest_molt_stands_on_top():
    ax = plot_calendar(document())
    assert [label.get_text() for label in ax.get_yticklabels()] == ["A1  B. hamorii", "Z9  L. parahybana", "K[3]  D. diadema"]
    top, bottom = ax.get_ylim()[1], ax.get_ylim()[0]
    assert top < 0 < 2 < bottom


def test_a_bar_covers_its_band_with_both_end_days():
    ax = plot_calendar(document(), until=date(2028, 6, 1))
    a1 = next(animal for animal in document()["animals"] if animal["animal"] == "A1")
    for (begin, end), band in zip(bars_of(ax, 0), reversed(a1["next_molt"]["bands"]), strict=True):
        assert begin == date2num(date.fromisoformat(band["from"]))
        assert end == date2num(date.fromisoformat(band["to"])) + 1


def test_bars_that_begin_before_the_records_end_are_drawn_whole():
    """As where animals are seen now and then: the molt may have come since the animal was last looked at."""
    ax = plot_calendar(document() | {"as_of": "2026-12-31"})
    assert ax.get_xlim()[0] < min(bar[0] for line in range(3) for bar in bars_of(ax, line))


def test_bars_are_nested():
    bars = bars_of(plot_calendar(document(), until=date(2028, 6, 1)), 2)
    assert len(bars) == 3
    assert all(outer[0] <= inner[0] and inner[1] <= outer[1] for outer, inner in zip(bars, bars[1:]))


def test_a_bar_that_leaves_the_picture_ends_in_an_arrow():
    arrows = [line for line in plot_calendar(document(), until=date(2027, 4, 1)).lines if line.get_marker() == ">"]
    assert [list(line.get_ydata()) for line in arrows] == [[2]]  # only K[3] goes on past April
    assert not [line for line in plot_calendar(document(), until=date(2029, 1, 1)).lines if line.get_marker() == ">"]


def test_bands_differ_in_gray_print():
    ax = plot_calendar(document(), until=date(2028, 6, 1))
    # Rec. 709 luma weights; a step of .15 of full scale is our own demand on print, no source.
    luma = sorted(sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), to_rgb(color), strict=True))
                  for color in {patch.get_facecolor() for patch in ax.patches})
    assert len(luma) == 3
    assert all(lighter - darker > 0.15 for darker, lighter in zip(luma, luma[1:]))


def test_draws_on_the_axes_given_and_shows_nothing(monkeypatch):
    monkeypatch.setattr(pyplot, "show", lambda *a, **k: pytest.fail("show was called"))
    before = dict(matplotlib.rcParams)
    _, ax = pyplot.subplots()
    assert plot_calendar(document(), ax=ax) is ax
    assert dict(matplotlib.rcParams) == before


def test_legend_names_every_band_and_the_tick():
    texts = [text.get_text() for text in plot_calendar(document(), levels=(0.5, 0.95)).get_legend().get_texts()]
    assert texts == ["50 % of such molts should fall in this bar", "95 % of such molts should fall in this bar",
                     "most likely around: as likely before as after"]


def test_a_level_that_was_not_asked_for_is_an_error_that_names_those_that_were():
    with pytest.raises(ValueError, match=r"level 0.9; it holds 0.5, 0.8, 0.95"):
        plot_calendar(document(), levels=(0.9,))


def test_nothing_to_forecast_still_gives_a_picture():
    empty = document() | {"animals": []}
    assert plot_calendar(empty).get_yticklabels() == []
