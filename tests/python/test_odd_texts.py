"""Texts and days of unusual kinds in records: shown so that they do no harm, answered or refused in words, exact where programs read them.

What is expected was worked out by hand from the records written here.
"""

import csv
import io
import json
import re
from xml.etree import ElementTree

import matplotlib
import pandas as pd
import polars as pl
import pytest
from typer.testing import CliRunner

matplotlib.use("Agg")

import moltspan
from moltspan._frames import frames
from moltspan.text import tables
from moltspan.cli.app import app
from moltspan._frames.visible import spreadsheet_cell, visible

NAME = "A\x1b]0;owned\x07\x9b2J"  # sets the title of a terminal and clears it
RAW = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f]")
JOURNAL = [("2026-01-05", "molt", "3"), ("2026-02-14", "molt", "4"), ("2026-02-20", "leg_span", "30 mm"), ("2026-03-25", "molt", "5"), ("2026-04-01", "ate", "")]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("odd")
    with open(place / "animals.csv", "w", newline="", encoding="utf-8") as out:
        csv.writer(out).writerows([["animal", "taxon", "shelf", "weight g"], [NAME, "Kind\x1b[31m", "=HYPERLINK(1)", " "], ["=1+2", "@SUM(A1)", "-x", "\u00a0"],
                                   ["-3", "Plain", "", "2.5"]])
    with open(place / "journal.csv", "w", newline="", encoding="utf-8") as out:
        csv.writer(out).writerows([["animal", "date", "event", "value"], *([name, *row] for name in (NAME, "=1+2", "-3") for row in JOURNAL)])
    return place


def run(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.mark.parametrize("command", [("check",), ("forecast",), ("rehouse",), ("growth",), ("backtest",), ("forecast", "--remark", "r\x1b[2J")])
def test_no_command_hands_control_characters_on(folder, command):
    result = run(command[0], folder, *command[1:])
    assert result.exit_code in (0, 2), result.output  # records too few to look back on are wrong usage
    assert not RAW.search(result.stdout) and not RAW.search(result.stderr)
    assert command[0] in ("growth", "backtest") or "\\x1b]0;owned\\x07\\x9b2J" in result.output


def test_a_terminal_is_given_escapes_in_words():
    out = io.StringIO()
    out.isatty = lambda: True
    problem = {"severity": "doubt", "file": "journal.csv", "row": 2, "animal": NAME, "column": "value", "value": NAME, "rule": "r", "next_step": "n"}
    tables.say_lines([tables.problem_line(problem)], out)
    assert "\\x1b]0;owned" in out.getvalue().replace("\n", "") and "\x07" not in out.getvalue() and "\x9b" not in out.getvalue()


def test_files_are_exact_for_programs_and_harmless_for_people(folder, tmp_path):
    files = {name: tmp_path / f"out.{name}" for name in ("json", "csv", "svg", "html", "ics")}
    assert run("forecast", folder, "--json", files["json"], "--csv", files["csv"], "--plot", files["svg"]).exit_code == 0
    assert run("rehouse", folder, "--sheet", files["html"], "--ics", files["ics"]).exit_code == 0
    assert {animal["animal"] for animal in json.loads(files["json"].read_text(encoding="utf-8"))["animals"]} == {NAME, "=1+2", "-3"}
    with open(files["csv"], newline="", encoding="utf-8") as rows:
        assert {row["animal"]: row["taxon"] for row in csv.DictReader(rows)} == {NAME: "Kind\x1b[31m", "'=1+2": "'@SUM(A1)", "-3": "Plain"}
    ElementTree.parse(files["svg"])
    for name in ("svg", "html", "ics"):
        text = files[name].read_bytes().decode()
        assert not RAW.search(text.replace("\r\n", "\n"))


def test_the_report_holds_no_control_character(folder):
    page = moltspan.report(moltspan.read(folder))
    assert not RAW.search(page) and "\\x1b]0;owned\\x07" in page


def test_pictures_of_odd_names_are_xml(folder, tmp_path):
    fit = moltspan.fit(moltspan.read(folder))
    pictures = [moltspan.plot_calendar(fit), moltspan.plot_next_molt(fit, NAME), moltspan.plot_random_effects(fit), moltspan.plot_stadia(fit, title=NAME)]
    for picture in pictures:
        picture.figure.savefig(tmp_path / "p.svg")
        ElementTree.parse(tmp_path / "p.svg")
    matplotlib.pyplot.close("all")


def test_results_show_escapes(folder):
    fit = moltspan.fit(moltspan.read(folder))
    trajectory = fit.trajectory(NAME, draws=200)
    for text in (trajectory.summary(), trajectory._repr_html_(), trajectory.to_latex(), repr(fit.rehouse()), fit.rehouse()._repr_html_()):
        assert not RAW.search(text)
    assert NAME in trajectory.to_csv()


def test_an_id_with_control_characters_is_a_doubt(folder):
    problems = moltspan.read(folder).problems()
    assert list(problems[problems.column == "animal"].severity) == ["doubt"]


@pytest.mark.parametrize("text, cell", [("=1+1", "'=1+1"), ("+x", "'+x"), ("@a", "'@a"), ("\t=1", "'\t=1"), ("\r=1", "'\r=1"),
                                        ("-2+3+cmd", "'-2+3+cmd"), ("-A1", "'-A1"),
                                        ("-3", "-3"), ("-0.5", "-0.5"), ("-0.5 (0.2)", "-0.5 (0.2)"), ("-", "-"), ("", ""), ("a=b", "a=b"), ("'=1", "'=1")])
def test_formulas_get_an_apostrophe(text, cell):
    assert spreadsheet_cell(text) == cell


def test_numbers_in_csv_stay_numbers():
    ratio = moltspan.growth_ratio([2.0, 3.0, 4.1], [1.9, 2.8, 4.0])
    assert "'" not in ratio.to_csv()


@pytest.mark.parametrize("text, shown", [("plain é 蜘蛛", "plain é 蜘蛛"), ("a\nb", "a\\nb"), ("\u202eabc", "\\u202eabc"), ("\ufffe", "\\ufffe"), ("\ud800", "\\ud800")])
def test_visible(text, shown):
    assert visible(text) == shown


def test_a_column_of_numbers_with_blanks_is_numbers(folder):
    stadia = moltspan.read(folder).stadia()
    assert stadia["weight g"].dtype == float and set(stadia["weight g"].dropna()) == {2.5}
    assert run("check", folder).exit_code == 0


@pytest.mark.parametrize("day", ["9000-01-01", "1066-10-14", "0001-01-01", "2026-02-30", "9999-12-31"])
def test_absurd_days_are_wrong_usage(folder, day):
    for command in ("check", "forecast", "rehouse", "growth", "backtest"):
        result = run(command, folder, "--as-of", day)
        assert result.exit_code == 2 and day in result.stderr, command
    assert run("rehouse", folder, "--on", day).exit_code == 2
    with pytest.raises(ValueError, match=f"as_of = '{day}'"):
        moltspan.fit(moltspan.read(folder), as_of=day)


def test_the_last_day_that_records_can_name_is_answered(folder):
    for command in ("check", "forecast", "rehouse"):
        assert run(command, folder, "--as-of", "2299-12-31").exit_code == 0


def two_animals():
    animals = pd.DataFrame({"animal": ["A", "B"], "taxon": ["Brachypelma hamorii"] * 2})
    journal = pd.DataFrame({"animal": ["A", "B"], "date": ["2026-01-05", "2026-01-01"], "event": ["molt", "checked"]})
    return moltspan.Collection(animals, journal)


@pytest.mark.parametrize("family", ["lognormal", "weibull", "loglogistic"])
def test_two_animals_and_one_molt(family, tmp_path):
    fit = moltspan.fit(two_animals(), family=family, watched="rows")
    document = moltspan.forecast_document(fit)
    json.dumps(document, allow_nan=False)
    assert json.dumps(fit.rehouse().document, allow_nan=False)
    assert len(fit.forecast()) == 2
    assert moltspan.report(fit)
    moltspan.plot_calendar(fit)


def test_a_plan_centuries_after_the_last_row():
    """Laws that are conditioned on centuries without a molt have medians beyond all counting; the plan went through its end."""
    animals = pd.DataFrame({"animal": ["a", "b", "c"], "sex": ["female", "male", ""], "adult_leg_span_mm": ["999", "140", ""], "acquired": ["2026-05-09", "2026-02-03", ""]})
    journal = pd.DataFrame({"animal": ["c"], "date": ["2026-01-01"], "event": ["mass"], "value": [""]})
    fit = moltspan.fit(moltspan.Collection(animals, journal), family="weibull", watched="rows", as_of="2299-12-31")
    assert len(fit.rehouse().document["animals"]) == 3


def test_a_plan_of_an_animal_that_comes_in_centuries():
    animals = pd.DataFrame({"animal": ["a", "b"], "acquired": ["2299-12-31", "2026-01-01"]})
    journal = pd.DataFrame({"animal": ["a", "a", "b"], "date": ["2026-01-01", "2026-03-01", "2026-02-01"], "event": ["molt", "molt", "checked"]})
    for as_of in ("2026-03-01", None):
        fit = moltspan.fit(moltspan.Collection(animals, journal), watched="rows", as_of=as_of)
        assert len(fit.rehouse().document["animals"]) == 2


def test_dates_beyond_the_calendar_stand_for_its_last_day():
    day = frames.day_of(frames.day_number("2026-01-05"))
    assert frames.day_after(day, 1.9).isoformat() == "2026-01-06"
    for beyond in (100_100, 3e6, 1e300, float("inf")):
        assert frames.day_after(day, beyond) == frames.LAST_DAY
    assert frames.day_after(day, float("nan")) is None


def test_headings_that_are_numbers():
    animals = pd.DataFrame({"animal": ["A"], 2025: [1.5], pd.Timestamp("2026-01-01"): ["x"]})
    journal = pd.DataFrame({"animal": ["A", "A"], "date": ["2026-01-05", "2026-02-05"], "event": ["molt", "molt"], 7: ["", ""]})
    stadia = moltspan.Collection(animals, journal).stadia()
    assert list(stadia["2025"]) == [1.5] * len(stadia) and "2026-01-01T00:00:00" in stadia
    table = pd.DataFrame({"min_days": [20, 25, 30], "max_days": [20, 25, 30], 0: [1.0, 2.0, 4.0]})
    assert moltspan.fit_stadia(table).n_records == 3


def test_headings_that_read_alike_are_refused():
    table = pd.DataFrame([[20, 20, 1, 1]], columns=["min_days", "max_days", 7, "7"])
    with pytest.raises(ValueError, match="two columns named '7'"):
        moltspan.fit_stadia(table)
    assert moltspan.fit_stadia(pl.DataFrame({"min_days": [20, 25, 31], "max_days": [20, 25, 31]})).n_records == 3


def test_large_tables_come_back():
    rows = 200_000
    days = [40 + 3 * ((7 * i) % 11) for i in range(rows)]
    table = pd.DataFrame({"animal": [i // 5 for i in range(rows)], "min_days": days, "max_days": days})
    assert moltspan.fit_stadia(table, animal="animal", method="bayes").n_records == rows
    one = table.head(30_000).assign(animal="A")
    assert moltspan.fit_stadia(one, animal="animal", method="bayes").n_records == 30_000


@pytest.mark.parametrize("name", ["folder.toml", "rules.toml"])
def test_keys_of_many_parts_are_wrong_usage(folder, tmp_path, name):
    rules = tmp_path / name
    rules.write_text("a." * 50_000 + "a = 1\n", encoding="utf-8")
    if name == "rules.toml":
        result = run("rehouse", folder, "--rules", rules)
    else:
        for file in ("animals.csv", "journal.csv"):
            (tmp_path / file).write_bytes((folder / file).read_bytes())
        result = run("check", tmp_path)
    assert result.exit_code == 2 and "more than 16 parts" in result.stderr


@pytest.mark.parametrize("level", [95, 0, 1, -0.1, float("nan"), float("inf"), "x", None])
def test_levels_of_courses_are_checked(folder, level):
    trajectory = moltspan.fit(moltspan.read(folder)).trajectory("-3", draws=50)
    with pytest.raises(ValueError, match="level"):
        trajectory.normal_until(level)
    with pytest.raises(ValueError, match="level"):
        trajectory._whole._core.date_quantile(0, 0, 95 if not isinstance(level, float) else level)
    with pytest.raises(ValueError, match="molt = 7"):
        trajectory._whole._core.size_quantile(0, 7, 0.5)
    with pytest.raises(ValueError, match="index = 3"):
        trajectory._whole._core.date_quantile(3, 0, 0.5)
