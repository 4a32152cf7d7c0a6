"""Pictures of results: what is drawn, what the legend says, and a few whole pictures. Run as a script, it writes the pictures anew.

The numbers drawn are tested where they are computed; tests/cpp/plots_test.cpp has those that only pictures need.
"""

import csv
import math
import re
from datetime import date
from functools import cache
from pathlib import Path
from statistics import NormalDist
from types import SimpleNamespace
from unittest import mock

import matplotlib
import numpy as np
import pandas
import pytest

matplotlib.use("Agg")

from hand_made_forecast import document
from matplotlib import pyplot
from matplotlib.colors import to_rgb
from matplotlib.patches import StepPatch
from matplotlib.testing.compare import compare_images
from PIL import Image

import moltspan
from moltspan import _core
from moltspan.plot import shared as plots_shared, stadia as plots_stadia

REFERENCE = Path(__file__).parents[1] / "reference"
PICTURES = REFERENCE / "plots"
# RMS over 0..255. Fonts come with matplotlib, so that only rasterizing and last digits may differ. A band of another level is told apart
# (test_another_level_is_another_picture); the number itself is a choice.
TOLERANCE = 1.5
# The pictures were drawn with the matplotlib of constraints.txt. Another sets text its own way: then only sizes are compared, in pixels.
DRAWN_WITH = re.search(r"^matplotlib==(\d+\.\d+)\.", (REFERENCE.parents[1] / "demo/constraints.txt").read_text(), re.MULTILINE)[1]
SIZE_TOLERANCE = 10


@pytest.fixture(autouse=True)
def closed_figures(monkeypatch):
    monkeypatch.setattr(pyplot, "show", lambda *a, **k: pytest.fail("show was called"))
    before = dict(matplotlib.rcParams)
    yield
    pyplot.close("all")
    assert dict(matplotlib.rcParams) == before


def columns(*path):
    with open(REFERENCE.joinpath(*path), encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return {name: [row[name] for row in rows] for name in rows[0]}


@cache
def wolf_spider():
    found = columns("published_growth", "wolf_spider.csv")
    rows = [(float(i), float(x)) for i, x in zip(found["instar"], found["cephalothorax_mm"], strict=True) if x]
    return moltspan.dyar_fit(*zip(*rows, strict=True))


@cache
def mantids():
    sizes = [float(x) for x in columns("published_growth", "mantids.csv")["animal_mm"] if x]
    return moltspan.increment_fit(sizes[:-1], sizes[1:])


@cache
def cosmesis():
    found = columns("published_breast_cosmesis", "records.csv")
    rows = [(float(low), float(high) if high not in ("", "NA") else math.nan)
            for low, high, treated in zip(found["t_lo"], found["t_hi"], found["chemotherapy"], strict=True) if treated == "0"]
    return moltspan.stadium_npmle(*map(np.array, zip(*rows, strict=True)))


def armyworm():
    found = columns("published_growth", "armyworm_instars.csv")
    return [[float(cell) for cell in found[name]] for name in ("temperature_c", "instar_2_days")]


@cache
def stadia():
    """Invented stadia of 12 animals with a spread between them, some as ranges of a week, the last of each running."""
    rng = np.random.default_rng(4)
    rows = []
    for a in range(12):
        own = rng.normal(0, 0.3)
        for k in range(5):
            days = float(np.exp(4.2 + own + 0.2 * rng.normal()))
            week = 7 * math.floor(days / 7)
            low, high = (math.floor(0.6 * days), math.nan) if k == 4 else (week, week + 7) if a % 3 == 0 else (round(days),) * 2
            rows.append((f"A{a}", "warm" if a % 2 else "cool", low, high))
    return pandas.DataFrame(rows, columns=["animal", "setup", "min_days", "max_days"])


@cache
def stadia_fit(family="lognormal", method="ml"):
    return moltspan.fit_stadia(stadia(), animal="animal", family=family, method=method)


@cache
def collection_fit():
    collection, _ = moltspan.simulate_collection(seed=5, n_animals=8, darkened_chance=0.8, refused_chance=0.8, study_days=500)
    return moltspan.fit(collection)


@cache
def mixture():
    rng = np.random.default_rng(1)
    sizes = np.concatenate([np.exp(np.log(0.5) + 0.25 * k + 0.06 * rng.normal(size=n)) for k, n in enumerate((60, 50, 40))])
    return moltspan.instar_mixture(sizes)


@cache
def readings():
    rng = np.random.default_rng(7)
    rows = [(f"G{a}", k, float(np.exp(1.9 + 0.24 * k + 0.1 * math.sin(a) + 0.05 * rng.normal()))) for a in range(6) for k in range(2, 8)]
    return pandas.DataFrame(rows, columns=["animal", "instar", "leg_span_mm"])


def of_fixed_numbers(**answers):
    """The core with these functions answering fixed numbers, so that a picture tests the drawing and not the model."""
    return mock.patch.multiple(_core, **{name: (lambda *_, found=found: found) for name, found in answers.items()})


def invented_stadia(*_):
    """Four stadia of two animals: two exact, one a range, one running."""
    dates = pandas.to_datetime(["2025-03-01", "2025-07-09", "2025-12-06", "2025-09-01"]).date
    return pandas.DataFrame({"animal": ["A1", "A1", "A1", "B2"], "taxon": ["Brachypelma hamorii"] * 4, "status": ["closed"] * 3 + ["running"],
                             "start_earliest": dates, "min_days": [130, 150, 180, 200], "max_days": [130, 150, 190, math.nan],
                             "start_size_mm": [20, 26, 33, 25]})


def invented_fit():
    """What pictures ask of a `CollectionFit`, without one; the functions that draw are called past the check of their arguments."""
    return SimpleNamespace(as_of=date(2026, 9, 20), asked={"watched": "all"}, _core=SimpleNamespace(stadia=SimpleNamespace(n_records=4)),
                           collection=SimpleNamespace(stadia=invented_stadia))


def next_molt():
    """A log-normal law of the days to come, its bands as far as the picture asks."""
    def days(p):
        return 60 * math.exp(0.4 * NormalDist().inv_cdf(p))

    bands = [SimpleNamespace(level=level, from_days=days((1 - level) / 2), to_days=days((1 + level) / 2))
             for level in sorted({*plots_stadia.FINE_LEVELS, 0.5, 0.8, 0.95})]
    last = tuple((date(2026, 4, day) - date(1970, 1, 1)).days for day in (10, 16))
    forecast = SimpleNamespace(id="A1", taxon="Brachypelma hamorii", why_no_forecast="", bands=bands, last_molt=last,
                               quantile_days=[days(p) for p in _core.STANDARD_QUANTILES])
    signs = [(last[1] + 140.0, "refused"), (last[1] + 150.0, "refused"), (last[1] + 152.0, "darkened")]
    with of_fixed_numbers(forecast=[forecast], sign_days=signs):
        return moltspan.plot_next_molt.__wrapped__(invented_fit(), "A1", title="Next molt of A1 - invented records")


def stadia_by_size():
    band = 130 * (np.geomspace(19, 34.65, 61) / 20)[:, None] ** 0.7 * np.array([0.75, 1, 1.33])
    with of_fixed_numbers(stadia_at_sizes=band):
        return moltspan.plot_stadia.__wrapped__(invented_fit(), title="Stadia by size - invented records")


def backtest_result():
    places = [((k + 0.5) / 40) ** 1.3 for k in range(40)]
    cases = [SimpleNamespace(pit=(place, place) if k % 2 else (0.9 * place, min(1, 1.1 * place))) for k, place in enumerate(places)]
    coverage = pandas.DataFrame({"band_percent": [50, 80, 95], "covered_percent": [46.0, 82, 91], "standard_error": [5.0, 4, math.nan]})
    return SimpleNamespace(_core=SimpleNamespace(cases=cases), coverage=coverage)


def by_instar():
    groups = readings().assign(sex=["female" if name in ("G0", "G1", "G2") else "male" for name in readings()["animal"]])
    rows = [(sex, k, 40 + 12 * k + 3 * i + 5 * (sex == "male")) for sex in ("female", "male") for k in range(2, 7) for i in range(5)]
    lengths = pandas.DataFrame(rows, columns=["sex", "instar", "min_days"]).assign(max_days=lambda table: table["min_days"])
    return moltspan.instar_table(groups, by="sex", size="leg_span_mm", stadia=lengths)


def fan():
    dates = pandas.date_range("2026-09-20", periods=4, freq="90D")
    middle = np.array([40.0, 50, 62, 78])
    return pandas.DataFrame({"date": dates} | {f"q{q}": middle * f for q, f in ((0.1, 0.85), (0.25, 0.95), (0.5, 1), (0.75, 1.06), (0.9, 1.2))})


def legend_of(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()]


def save(axes, file):
    """In gray, as a printer may do it: a third of the size."""
    first(axes).figure.savefig(file, dpi=100)
    Image.open(file).convert("L").save(file, optimize=True)


def first(axes):
    return np.ravel(np.asarray(axes, dtype=object))[0]


DRAWN = {
    "calendar": lambda: moltspan.plot_calendar(document(), title="Next molts - invented records"),
    "growth": lambda: moltspan.plot_growth(wolf_spider(), measure="cephalothorax length", title="A wolf spider, published means"),
    "increments": lambda: moltspan.plot_increments(mantids(), measure="length", title="A mantis, published lengths"),
    "instars": lambda: moltspan.plot_instars(mixture(), title="Instars in a sample - invented records"),
    "fan": lambda: moltspan.plot_fan(fan(), {"outgrown": 60}, as_of="2026-09-20", title="Leg span to come - invented records"),
    "survival": lambda: moltspan.plot_survival(cosmesis(), title="Published interval-censored times"),
    "residuals": lambda: moltspan.plot_residuals(stadia_fit(), title="Cox-Snell residuals - invented records"),
    "random_effects": lambda: moltspan.plot_random_effects(stadia_fit(), title="Effects of animals - invented records"),
    "predictive_check": lambda: moltspan.plot_predictive_check(stadia_fit(), title="Model against its records - invented records"),
    "prior_posterior": lambda: moltspan.plot_prior_posterior(stadia_fit(method="bayes"), title="Prior and posterior - invented records"),
    "families": lambda: moltspan.plot_families([stadia_fit(), stadia_fit("weibull")], title="Families - invented records"),
    "comparison": lambda: moltspan.plot_comparison(moltspan.stadium_effects(stadia(), "setup", animal="animal"),
                                                   title="Stadium length by setup - invented records"),
    "next_molt": next_molt,
    "stadia": stadia_by_size,
    "backtest": lambda: moltspan.plot_backtest.__wrapped__(backtest_result(), title="Backtest - invented records"),
    "by_instar": lambda: moltspan.plot_by_instar(by_instar(), title="Growth ratio to the next instar - invented records"),
    "temperature": lambda: moltspan.plot_temperature(moltspan.briere_fit(*armyworm()), *armyworm(), title="An armyworm's second instar, published means"),
}


@pytest.mark.parametrize("name", DRAWN)
def test_picture_is_as_it_was(name, tmp_path):
    drawn = tmp_path / f"{name}.png"
    save(DRAWN[name](), drawn)
    if matplotlib.__version__.startswith(f"{DRAWN_WITH}."):
        difference = compare_images(PICTURES / f"{name}.png", drawn, TOLERANCE)
        assert difference is None, difference
    else:
        kept, found = (np.array(Image.open(file).size) for file in (PICTURES / f"{name}.png", drawn))
        assert np.abs(kept - found).max() <= SIZE_TOLERANCE


def test_another_level_is_another_picture(tmp_path):
    ax = moltspan.plot_growth(wolf_spider(), level=0.99, measure="cephalothorax length", title="A wolf spider, published means")
    save(ax, tmp_path / "other.png")
    assert compare_images(PICTURES / "growth.png", tmp_path / "other.png", TOLERANCE) is not None


def test_reference_pictures_are_small():
    assert {path.stem for path in PICTURES.glob("*.png") if "failed" not in path.stem} == set(DRAWN)
    assert max(path.stat().st_size for path in PICTURES.glob("*.png")) <= 40 * 1024


def test_colors_of_series_differ_in_gray_or_by_style():
    assert len(set(map(str, plots_shared.STYLES))) == len(plots_shared.SERIES) == len(set(plots_shared.MARKERS))
    assert len({tuple(map(str, plots_shared.series(k))) for k in range(49)}) == 49
    # Rec. 709 luma: nested bands get darker inward, so that they are told apart without color.
    luma = [sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), to_rgb(color), strict=True)) for color in plots_shared.shades(3)]
    assert all(wider - inner > 0.15 for wider, inner in zip(luma, luma[1:]))


def fits_under(ax):
    """Whether the legend keeps within the figure and leaves the axes their size."""
    ax.figure.draw_without_rendering()
    legend, axes, whole = ax.get_legend().get_window_extent(), ax.get_window_extent(), ax.figure.bbox
    return legend.x1 <= whole.x1 and legend.y0 >= whole.y0 - 1 and axes.height > 150 and axes.width > 0.5 * whole.width


def test_many_groups_and_long_names_leave_room_for_the_curves():
    curves = {f"{k} of a name that nobody would say aloud at the feeding round": moltspan.kaplan_meier([5, 8, 12 + k], [5, 8, math.nan])
              for k in range(9)}
    assert fits_under(moltspan.plot_survival(curves))
    assert fits_under(moltspan.plot_survival({"x" * 150: next(iter(curves.values()))}))  # a word that no line has room for
    pairs = {"pair": [f"Chromatopelma cyaneopubescens {k} / Chromatopelma cyaneopubescens 1" for k in range(12)], "ratio": [1.0] * 12,
             "lower": [0.01] * 12, "upper": [90.0] * 12}
    assert fits_under(moltspan.plot_comparison(pairs))
    assert "band" not in " ".join(legend_of(moltspan.plot_survival(curves)))  # nine bands would hide one another
    assert "95 % pointwise band (log-log)" in legend_of(moltspan.plot_survival(curves, band=True))


def test_names_are_drawn_as_they_were_typed():
    """A name is no formula, hides from no legend, and may need letters of another script."""
    names = ["$\\frac{$", "_hidden", "<b>&", "\u0416\u0430\u043d\u043d\u0430"]
    days = moltspan.kaplan_meier([5, 8, 12], [5, 8, math.nan])
    texts = legend_of(moltspan.plot_survival(dict.fromkeys(names, days)))
    assert all(any(text.strip().startswith(name) for text in texts) for name in names)
    ax = moltspan.plot_comparison({"name": names, "estimate": [1.0] * 4, "lower": [0.5] * 4, "upper": [1.5] * 4}, title=names[0])
    ax.figure.canvas.draw()
    assert [label.get_text() for label in ax.get_yticklabels()] == names and ax.get_title("left") == names[0]
    ax = moltspan.plot_calendar(document() | {"animals": [one | {"animal": names[0]} for one in document()["animals"]]})
    ax.figure.canvas.draw()


def test_growth_names_each_kind_of_band_and_nests_them():
    ax = moltspan.plot_growth(wolf_spider(), level=0.8)
    texts = legend_of(ax)
    assert texts[:3] == ["80 % prediction band: one further animal", "80 % simultaneous band: the whole line at once",
                         "80 % pointwise band: the line at one place"]
    assert ax.get_yscale() == "log" and "mm" in ax.get_ylabel()
    new, mean = (part.get_paths()[0].get_extents() for part in ax.collections[:2])
    assert new.y0 < mean.y0 < mean.y1 < new.y1


def test_growth_of_few_sizes_draws_what_there_is():
    assert "one instar only" in moltspan.plot_growth(moltspan.dyar_fit([3, 3], [4.0, 4.2])).get_title("left")
    two = moltspan.plot_growth(moltspan.dyar_fit([3, 4], [4.0, 5.2]))  # no scatter to be seen: a line without bands
    assert not any("band" in text for text in legend_of(two))


def test_growth_by_animal_names_each():
    ax = moltspan.plot_growth(moltspan.dyar_fit([1, 2, 3, 1, 2, 3], [1, 1.3, 1.7, 1.1, 1.4, 1.7], animal=list("aaabbb")))
    assert [text[:4] for text in legend_of(ax)] == ["a: ×", "b: ×"]


def test_growth_of_the_mixed_model():
    fit = moltspan.fit_growth(readings(), method="reml")
    texts = legend_of(moltspan.plot_growth(fit, readings()))
    assert "90 % prediction band: one further reading of a new animal" in texts and any("line of the population" in text for text in texts)
    with pytest.raises(TypeError, match="give their table as readings"):
        moltspan.plot_growth(fit)


def test_increments_show_the_line_of_1_26():
    ax = moltspan.plot_increments(mantids())
    line = next(line for line in ax.lines if str(line.get_label()).startswith("× 1.26"))
    assert np.allclose(line.get_ydata() / line.get_xdata(), 2 ** (1 / 3))  # Przibram: mass doubles


def test_instar_curves_add_up_to_the_animals():
    ax = moltspan.plot_instars(mixture())
    curve = next(line for line in ax.lines if line.get_label() == "all instars (fitted mixture)")
    x, y = curve.get_data()
    bar = ax.patches[0]
    step = math.log((bar.get_x() + bar.get_width()) / bar.get_x())
    area = float(np.sum((y[1:] + y[:-1]) / 2 * np.diff(np.log(x)))) / step
    assert area == pytest.approx(150, rel=0.02)  # the tails beyond the axis are missing
    assert sum(patch.get_height() for patch in ax.patches) == 150


def test_fan_is_nested_and_has_its_limits():
    ax = moltspan.plot_fan(fan(), {"outgrown": 60})
    assert legend_of(ax)[:3] == ["80 % band", "50 % band", "median"]
    outer, inner = (part.get_paths()[0].get_extents() for part in ax.collections[:2])
    assert outer.y0 < inner.y0 and inner.y1 < outer.y1
    assert "outgrown: 60 mm" in legend_of(ax)
    assert "no dates" in moltspan.plot_fan(fan().iloc[:0]).texts[0].get_text()
    with pytest.raises(ValueError, match="no column of quantiles"):
        moltspan.plot_fan(fan()[["date"]])


def test_next_molt_adds_up_and_has_nested_bands():
    fit = collection_fit()
    forecast = next(one for one in _core.forecast(fit._core, [0.8]) if not one.why_no_forecast and one.own_stadia > 1)
    ax = moltspan.plot_next_molt(fit, forecast.id)
    curve, *bands = (patch.get_data() for patch in ax.patches if isinstance(patch, StepPatch))
    assert 0.985 < sum(curve.values) / 100 < 0.996  # all but what lies beyond 99.5 % and before the first quantile
    for data, level in zip(bands, (95, 80, 50), strict=True):  # whole days: the first and the last of a band are part of it
        assert level - 1 < sum(data.values) < level + 2 * curve.values.max()
    texts = legend_of(ax)
    assert [text for text in texts if "should fall here" in text] == [f"{level} % of such molts should fall here" for level in (95, 80, 50)]
    assert any(text.startswith("records end") for text in texts) and any("since its last molt" in text for text in texts)
    assert any("earlier stadi" in text for text in texts)
    with pytest.raises(ValueError, match="is not in the collection"):
        moltspan.plot_next_molt(fit, "nobody")


def test_next_molt_without_a_forecast_says_why():
    animals = pandas.DataFrame({"animal": ["M1"], "died": ["2026-05-01"]})
    journal = pandas.DataFrame({"animal": ["M1", "M1"], "date": ["2026-01-01", "2026-03-01"], "event": ["molt", "molt"]})
    ax = moltspan.plot_next_molt(moltspan.fit(moltspan.Collection(animals, journal)), "M1")
    assert "died on 2026-05-01" in ax.texts[0].get_text()


def test_stadia_draw_the_population_and_every_animal():
    fit = collection_fit()
    ax = moltspan.plot_stadia(fit)
    texts = legend_of(ax)
    assert texts[0] == "80 % prediction band: stadium of a new animal of any kind" and "days" in ax.get_ylabel() and "mm" in ax.get_xlabel()
    assert "nothing to draw" in moltspan.plot_stadia(fit, taxon="no such kind").texts[0].get_text()


def test_survival_falls_and_stays_within_its_band():
    ax = moltspan.plot_survival(cosmesis())
    curve = next(line for line in ax.lines if str(line.get_label()).startswith("estimate"))
    assert np.all(np.diff(curve.get_ydata()) <= 0)
    assert legend_of(ax)[0] == "95 % pointwise band (bootstrap)" and "left open by the records" in legend_of(ax)
    product = moltspan.plot_survival(moltspan.kaplan_meier([5, 8, 12, 20], [5, 8, 12, math.nan]))
    assert legend_of(product)[0] == "95 % pointwise band (log-log)" and "end not seen" in legend_of(product)
    assert "nothing to draw" in moltspan.plot_survival({}).texts[0].get_text()
    with pytest.raises(TypeError, match="plot_survival"):
        moltspan.plot_survival(wolf_spider())


def test_survival_of_several_groups_names_each():
    table = stadia()
    texts = legend_of(moltspan.plot_survival(moltspan.compare_stadia(table, "setup"), band=False))
    assert any(text.startswith("cool: ") for text in texts) and any(text.startswith("warm: ") for text in texts)
    ends = moltspan.molt_incidence(collection_fit().collection.stadia(), "sex")
    assert {"molted", "died at molting", "died between molts"} <= set(legend_of(moltspan.plot_survival(ends)))
