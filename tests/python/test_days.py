"""Days: today on the command line and never in the library, unwatched days, dates in the future, one wrong year."""

import json
import random
from datetime import date, timedelta

import pandas as pd
import pytest
import typer
from typer.testing import CliRunner

import moltspan
from moltspan.cli.app import app
from moltspan.cli.shared import day_option

TODAY = date(2026, 6, 15)
KIND = "Brachypelma hamorii"


@pytest.mark.parametrize(("words", "day"), [("2026-02-28", "2026-02-28"), ("today", "2026-06-15"), ("Tomorrow", "2026-06-16"), ("yesterday", "2026-06-14"),
                                            ("+14d", "2026-06-29"), ("+14", "2026-06-29"), ("-7d", "2026-06-08")])
def test_days_of_options_may_be_words(words, day):
    assert day_option("--on", words, today=TODAY).isoformat() == day


@pytest.mark.parametrize("words", ["2026-02-30", "soon", "+d", "+99999d", "14d"])
def test_words_that_are_no_day_are_wrong_usage(words):
    with pytest.raises(typer.BadParameter, match="no day|years|out of range"):
        day_option("--on", words, today=date(9800, 1, 1))


def steady(end, *animals, every=60):
    """Five molts an animal, evenly apart, the last ten days before `end`."""
    return [(name, (end - timedelta(days=10 + every * k)).isoformat(), "molt") for name in animals for k in range(5)]


def folder(path, rows, animals=("A1", "A2")):
    (path / "animals.csv").write_text("animal,taxon\n" + "".join(f"{name},{KIND}\n" for name in animals))
    (path / "journal.csv").write_text("animal,date,event\n" + "".join(",".join(row) + "\n" for row in rows))
    return path


def forecast(path, *options):
    result = CliRunner().invoke(app, ["forecast", str(path), *options])
    return result, json.loads(CliRunner().invoke(app, ["forecast", str(path), *options, "--json", "-"]).stdout)


def test_the_command_answers_for_today_and_counts_the_days_since_the_last_entry_as_unwatched(tmp_path):
    last = date.today() - timedelta(days=55)
    result, document = forecast(folder(tmp_path, [*steady(last, "A1", "A2"), ("A1", last.isoformat(), "checked")]))
    assert (document["on"], document["as_of"], document["last_entry"]) == (date.today().isoformat(), last.isoformat(), last.isoformat())
    for animal in document["animals"]:
        verdict = animal["verdict"]
        assert verdict["on"] == document["on"] and verdict["code"] == "look" and verdict["chances"]["molted_unseen"] > 0.1
        assert verdict["chances"]["molted_unseen"] <= animal["chance_within_days"]["7"] + 1e-3  # read off a table of the distribution
    assert ("already molted since the last entry" in result.stdout or "has very probably molted" in result.stdout) and "Last entry: " in result.stdout and "55 days before" in result.stdout


def test_the_day_watched_up_to_can_be_stated(tmp_path):
    last = date.today() - timedelta(days=45)
    _, document = forecast(folder(tmp_path, steady(last, "A1", "A2")), "--as-of", "today")
    assert document["on"] == document["as_of"] == date.today().isoformat()
    assert all(animal["verdict"]["chances"]["molted_unseen"] < 0.1 for animal in document["animals"])


def test_animals_not_written_of_for_long_are_named(tmp_path):
    today = date.today()
    rows = [*steady(today - timedelta(days=100), "A1"), *steady(today, "A2"), ("A2", today.isoformat(), "checked")]
    result, _ = forecast(folder(tmp_path, rows))
    assert "Not written of for over 60 days: A1 (110 days)." in result.stdout


def test_the_library_reads_no_clock():
    rows = steady(date(2019, 6, 1), "A1", "A2")
    fit = moltspan.fit(moltspan.Collection(pd.DataFrame({"animal": ["A1", "A2"]}), pd.DataFrame(rows, columns=["animal", "date", "event"])))
    document = moltspan.forecast_document(fit)
    assert document["on"] == document["as_of"] == "2019-05-22"
    with pytest.raises(ValueError, match="lies before 2019-05-22"):
        fit.forecast(on=date(2019, 5, 21))


# Dates that cannot be right move nobody.


@pytest.mark.parametrize("command", ["check", "forecast", "rehouse", "backtest", "growth", "report"])
def test_a_date_in_the_future_is_a_doubt_in_every_command_and_moves_nobody(command, tmp_path):
    today = date.today()
    ahead = (today + timedelta(days=300)).isoformat()
    rows = [*steady(today, "A1", "A2"), ("A1", today.isoformat(), "checked"), ("A2", ahead, "ate")]
    options = ["--out", str(tmp_path / "page.html")] if command == "report" else []
    document = tmp_path / "out.json"
    result = CliRunner().invoke(app, [command, str(folder(tmp_path, rows)), *options, "--json", str(document)])
    assert result.exit_code == 0, result.output
    said = document.read_text() + result.output
    assert ahead in said and "a day up to today" in said
    answered = json.loads(document.read_text())
    assert answered.get("as_of", today.isoformat()) == today.isoformat()


def one_wrong_year(rows, seed):
    """One row of the last weeks, typed a year too late."""
    draw = random.Random(seed)
    name, day, event = rows[draw.randrange(len(rows))]
    return (name, (date.fromisoformat(day) + timedelta(days=365)).isoformat(), event)


def collection(rows, **options):
    return moltspan.Collection(pd.DataFrame({"animal": sorted({row[0] for row in rows})}), pd.DataFrame(rows, columns=["animal", "date", "event"]), **options)


@pytest.mark.parametrize("seed", range(8))
def test_one_wrong_year_is_a_doubt_of_the_library_and_moves_nobody(seed):
    rows = steady(TODAY, *(f"A{i}" for i in range(6)))
    right = collection(rows)
    slip = one_wrong_year([row for row in rows if row[1] > "2026-05-01"], seed)
    wrong = collection([*rows, slip])
    assert wrong.as_of == right.as_of
    doubts = [row for row in wrong.problems().to_dict("records") if row["value"] == slip[1] and "no row alone far behind all others" in row["rule"]]
    assert [row["severity"] for row in doubts] == ["doubt"]
    assert moltspan.fit(wrong).stadia.sigma == moltspan.fit(right).stadia.sigma


def test_a_pause_of_the_records_that_ends_today_is_no_slip():
    rows = steady(TODAY - timedelta(days=300), *(f"A{i}" for i in range(6)))
    back = collection([*rows, ("A1", TODAY.isoformat(), "ate")], today=TODAY)
    assert back.as_of == TODAY and not [row for row in back.problems().to_dict("records") if "alone" in row["rule"]]


def test_yearly_records_are_no_slips():
    rows = [("A1", f"{year}-06-01", "molt") for year in range(2015, 2026)]
    assert collection(rows).as_of == date(2025, 6, 1)
