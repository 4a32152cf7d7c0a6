"""Every public result as text and as HTML: the same shape, with its health, and as kept in tests/reference/golden.

Numbers agree to 1 in 200 or one unit of the last digit shown, so that last digits do not matter; where they rest on the model of a whole
collection, whose numbers other tests watch, only words and shape are compared. All other text must be the same. After a change that is
meant, write the files anew with `python3 tests/python/test_golden.py` and read the difference.
"""

import csv
import io
import re
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd
import pytest

import moltspan
from moltspan._frames.result import Fixed, Result

TOP = Path(__file__).parents[2]
GOLDEN = TOP / "tests/reference/golden"
NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?(?![\w.]*\d)")
DATE = re.compile(r"\d{4}-\d\d-\d\d")
OF_A_MODEL = ("GrowthBayesFit", "CollectionFit", "Trajectory", "Trajectories", "StadiaFit_bayes", "Backtest", "RehousePlan")
VERSIONS = re.compile(r"moltspan \S+, Python \S+ and numpy \S+\.")
DYAR = ([1, 2, 3, 4, 5, 6], [2.1, 2.7, 3.3, 4.3, 5.3, 6.9])  # made for the shape of the table, not for its numbers
INSTARS = [2.0, 2.1, 2.05, 2.6, 2.7, 2.65, 3.3, 3.4, 3.35, 4.2, 4.3, 4.25]


@cache
def collection():
    return moltspan.read(TOP / "demo/collection")


@cache
def fit():
    return moltspan.fit(collection(), threads=1)


@cache
def plan():
    """Two animals: one in a box far too small, one that left."""
    animals = pd.DataFrame({"animal": ["P1", "P2"], "taxon": "Brachypelma hamorii"})
    rows = [("P1", "2026-01-05", "molt", "", ""), ("P1", "2026-01-20", "leg_span", "100", "mm"), ("P1", "2026-01-20", "enclosure", "100x100x100", "mm"),
            ("P1", "2026-02-20", "ate", "", ""), ("P2", "2026-01-07", "molt", "", ""), ("P2", "2026-02-01", "left", "", "")]
    journal = pd.DataFrame(rows, columns=["animal", "date", "event", "value", "unit"])
    return moltspan.fit(moltspan.Collection(animals, journal), threads=1).rehouse()


def stadia():
    return collection().stadia()


def grown():
    sizes = [2.1, 2.7, 3.3, 4.3, 2.3, 2.8, 3.7, 4.6, 1.9, 2.6, 3.2, 4.4, 2.0, 2.5, 3.4, 4.1]
    return pd.DataFrame({"animal": [name for name in "abcd" for _ in range(4)], "instar": [1, 2, 3, 4] * 4, "leg_span_mm": sizes})


def pairs():
    return pd.DataFrame({"x": [2.0, 3.1, 4.2, 5.4, 6.6], "y": [1.0, 1.7, 2.2, 3.1, 3.7]})


def kept():
    """A molt inside its range, one outside, one that still runs."""
    from moltspan.collection.kept import COLUMNS, FILE

    journal = pd.DataFrame([("P1", "2026-01-05", "molt"), ("P1", "2026-05-10", "molt"), ("P<2>", "2026-01-05", "molt"), ("P<2>", "2026-03-02", "molt"),
                            ("P3", "2026-05-05", "molt"), ("P3", "2026-06-20", "checked")], columns=["animal", "date", "event"])
    records = moltspan.Collection(pd.DataFrame({"animal": ["P1", "P<2>", "P3"], "taxon": "Brachypelma hamorii"}), journal)
    days = ["2026-05-15", "2026-05-10", "2026-05-20", "2026-05-01", "2026-06-01", "2026-04-01", "2026-07-01"]
    rows = [["2026-02-01", "2026-02-01", name, "2026-01-05", *days] for name in ("P1", "P<2>")]
    rows.append(["2026-05-10", "2026-05-10", "P3", "2026-05-05", "2026-11-25", "2026-11-15", "2026-12-05",
                 "2026-11-01", "2026-12-25", "2026-10-01", "2026-12-31"])
    with TemporaryDirectory() as folder:
        pd.DataFrame(rows, columns=COLUMNS).to_csv(Path(folder) / FILE, index=False)
        return moltspan.kept_forecasts(folder, records)


MADE = {
    "StadiaFit_ml": lambda: moltspan.fit_stadia(stadia(), "sex", entry_days="entry_days", animal="animal"),
    "StadiaFit_bayes": lambda: fit().stadia,
    "CollectionFit": fit,
    "Trajectory": lambda: plan().fit.trajectory("P1", molts=2, draws=1000),
    "Trajectories": lambda: plan().fit.trajectories(molts=2, draws=1000),
    "RehousePlan": plan,
    "KeptForecasts": kept,
    "Backtest": lambda: moltspan.backtest(collection(), origins=2, threads=1),
    "DyarFit": lambda: moltspan.dyar_fit(*DYAR),
    "DyarAnimals": lambda: moltspan.dyar_fit(DYAR[0] * 2, DYAR[1] + [size * 1.05 for size in DYAR[1]], animal=["A<1"] * 6 + ["A&2"] * 6),
    "PooledDyar": lambda: MADE["DyarAnimals"]().pooled,
    "GrowthFit": lambda: moltspan.fit_growth(grown()),
    "GrowthBayesFit": lambda: moltspan.fit_growth(grown(), method="bayes"),
    "IncrementFit": lambda: moltspan.increment_fit(DYAR[1][:-1], DYAR[1][1:]),
    "InstarMixture": lambda: moltspan.instar_mixture(INSTARS, n_instars=4, threads=1),
    "StadiumNpmle": lambda: moltspan.stadium_npmle(stadia()),
    "KaplanMeier": lambda: moltspan.kaplan_meier([20, 25, 25, 31, 40], [20, 25, None, 31, None]),
    "StadiaComparison": lambda: moltspan.compare_stadia(stadia(), "sex", resamples=50),
    "MoltIncidence": lambda: moltspan.molt_incidence(stadia(), "sex"),
    "Maturity": lambda: moltspan.maturity(collection(), resamples=50),
    "instar_table": lambda: moltspan.instar_table(collection()),
    "stadium_effects": lambda: moltspan.stadium_effects(stadia(), "sex", animal="animal"),
    "temperature_effect": lambda: moltspan.temperature_effect(stadia(), animal="animal"),
    "growth_ratio": lambda: moltspan.growth_ratio([2.0, 3.0, 4.1], [2.6, 4.0, 5.2]),
    "sex_ratio": lambda: moltspan.sex_ratio(female=12, male=7),
    "allometry_fit": lambda: moltspan.allometry_fit(pairs(), "y", "x"),
    "thermal_sum_fit": lambda: moltspan.thermal_sum_fit([18, 21, 24, 27], [60, 45, 37, 30], bootstrap=0),
}


@cache
def made(name):
    return MADE[name]()


def rendered(name):
    result = made(name)
    return {"txt": result.summary() + "\n", "html": result._repr_html_() + "\n"} | (
        {"methods.txt": VERSIONS.sub("moltspan, Python and numpy.", result.methods_text()) + "\n"} if hasattr(result, "methods_text") else {})


def close(one, other):
    digits = len(one.partition(".")[2]) if "e" not in one else 0
    return abs(float(one) - float(other)) <= max(10.0 ** -digits * 1.01, abs(float(one)) / 200)


def same(kept, now, numbers=True):
    """Whether two texts differ in nothing but the last digits of numbers; blanks that align columns do not count."""
    words = [re.sub(r"\s+", " ", NUMBER.sub("#", DATE.sub("#", text))) for text in (kept, now)]
    return words[0] == words[1] and (not numbers or DATE.findall(kept) == DATE.findall(now)) and (not numbers or all(
        map(close, NUMBER.findall(kept), NUMBER.findall(now))))


@pytest.mark.parametrize("name", MADE)
def test_text_and_html_are_as_kept(name):
    for ending, text in rendered(name).items():
        assert same((GOLDEN / f"{name}.{ending}").read_text(encoding="utf-8"), text, name not in OF_A_MODEL), f"{name}.{ending}:\n{text}"


def test_the_comparison_of_numbers_can_fail():
    assert same("ratio 1.300, p = 0.012\n", "ratio  1.301, p = 0.012\n")
    assert not same("ratio 1.300\n", "ratio 1.310\n") and not same("ratio 1.300\n", "ratios 1.300\n") and not same("n 12\n", "n 14\n")


@pytest.mark.parametrize("name", MADE)
def test_every_result_has_the_same_shape(name):
    result = made(name)
    assert isinstance(result, Result) and repr(result) == result.summary()
    text, html = result.summary().splitlines(), result._repr_html_()
    assert text[0].startswith(result._title) or name == "RehousePlan"
    assert [line for line in text if line.startswith("health: ")] == [f"health: {result.health}"]
    assert "<b>health</b>" in html and html.count("<table") == html.count("</table>") >= 1 and html.startswith("<div>")
    assert result.health.state in ("good", "warning", "bad")
    with pytest.raises(AttributeError, match="cannot be changed"):
        result.anything = 1
    with pytest.raises(AttributeError, match="cannot be changed"):
        del result.asked


@pytest.mark.parametrize("name", MADE)
def test_tables_go_to_csv_and_latex(name, tmp_path):
    result = made(name)
    text = result.to_csv(tmp_path / "t.csv")
    assert (tmp_path / "t.csv").read_text(encoding="utf-8") == text
    head, *rows = csv.reader(io.StringIO(text))
    assert rows and len(set(head)) == len(head) and all(head) and {len(row) for row in rows} == {len(head)}
    latex = result.to_latex(tmp_path / "t.tex", label="tab:one")
    assert (tmp_path / "t.tex").read_text(encoding="utf-8") == latex
    unescaped = re.sub(r"\\[&%$#_{}]", "", latex)
    assert unescaped.count("{") == unescaped.count("}") and not re.search(r"[%#$_^~<]", unescaped.replace("tab:one", ""))
    columns = re.search(r"\\begin\{tabular\}\{(\w+)\}", unescaped).group(1)
    body = unescaped.split(r"\hline")[2]
    assert {line.count("&") + 1 for line in body.splitlines() if line} == {len(columns)}


def test_names_of_users_are_escaped_in_html():
    html = made("DyarAnimals")._repr_html_()
    assert "A&lt;1" in html and "A&amp;2" in html and "A<1" not in html


def test_csv_has_the_digits_that_the_table_rounds():
    line = made("DyarFit")
    first = next(csv.DictReader(io.StringIO(line.to_csv())))
    assert float(first["estimate"]) == line.coefficients["Intercept"]


def test_every_public_result_class_is_kept():
    import importlib
    import pkgutil

    for module in pkgutil.iter_modules(moltspan.__path__):
        importlib.import_module(f"moltspan.{module.name}")

    def below(kind):
        return {kind} | {deeper for child in kind.__subclasses__() for deeper in below(child)}

    covered = {type(made(name)) for name in MADE}
    assert {kind.__name__ for kind in below(Fixed)} - {kind.__name__ for kind in covered} <= {"Fixed", "Result", "LineResult", "GrowthResult", "ResultTable"}


if __name__ == "__main__":
    GOLDEN.mkdir(exist_ok=True)
    for one in MADE:
        for part, content in rendered(one).items():
            (GOLDEN / f"{one}.{part}").write_text(content, encoding="utf-8")
