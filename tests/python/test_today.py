"""The five lines of a day: against answers written down first (tests/reference/today_by_hand), and laws that hold for every collection."""

import csv
import io
import json
import re
from datetime import date
from pathlib import Path

import hand_made_forecast
import pandas as pd
import pytest
from rich.console import Console
from test_verdicts import TODAY, day, journal_row
from typer.testing import CliRunner

import moltspan
from moltspan.text import today as tables_today
from moltspan.cli.app import app
from moltspan.records.meals import meals_on_record
from moltspan.text.today import LINES, line_text, plain_today, rich_today, today_lines

DEMO = Path(__file__).resolve().parents[2] / "demo" / "collection"
BY_HAND = Path(__file__).parents[1] / "reference" / "today_by_hand"
REMARK = "invented records"
LONGEST_REASON = 6  # words; most have four


def by_hand(name):
    with (BY_HAND / name).open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


def collection_of_sixty():
    animals, rows = [], []
    for one in by_hand("sixty.csv"):
        records = [record.strip() for record in one["records"].split(";")]
        acquired = next((record.split()[1] for record in records if record.startswith("acquired")), None)
        own = [[one["animal"], *journal_row(record)[1:]] for record in records if not record.startswith("acquired")]
        first = min((row[1] for row in own if row[1] > "2020"), default=day(acquired or 0))
        box = one["box"].replace("/", "mm/") + "mm"
        rows += [*own, [one["animal"], first, "", "enclosure", box]]
        animals.append({"animal": one["animal"], "taxon": one["kind"], "sex": one["sex"], "habit": one["habit"], "acquired": day(acquired) if acquired else ""})
    return moltspan.Collection(pd.DataFrame(animals), pd.DataFrame(rows, columns=["animal", "date", "until", "event", "value"]))


def answer_of(collection, on):
    fit = moltspan.fit(collection, as_of=on)
    forecast, plan = moltspan.forecast_document(fit), fit.rehouse().document
    return forecast, today_lines(forecast, plan, meals_on_record(collection, fit.as_of)), plan


@pytest.fixture(scope="module")
def demo():
    return answer_of(moltspan.read(DEMO), date(2026, 9, 20))


@pytest.fixture(scope="module")
def sixty():
    return answer_of(collection_of_sixty(), TODAY)


def places(lines):
    """`{animal: lines}` as the files by hand write them."""
    found = {}
    for line in LINES:
        for name, _ in lines[line]:
            found.setdefault(name, []).append(line)
    return {name: "+".join(where) for name, where in found.items()}


@pytest.mark.parametrize("name", ["demo", "sixty"])
def test_every_animal_stands_where_a_keeper_would_put_it(name, request):
    forecast, lines, _ = request.getfixturevalue(name)
    expected = {row["animal"]: row["line"] for row in by_hand(f"{name}.csv")}
    assert set(expected) == {animal["animal"] for animal in forecast["animals"]}
    found = places(lines)
    assert {name: found.get(name, "none") for name in expected} == expected


@pytest.mark.parametrize("name", ["demo", "sixty"])
def test_verdicts_decide_and_nobody_stands_in_two_of_the_first_four(name, request):
    forecast, lines, plan = request.getfixturevalue(name)
    advice = {animal["animal"]: animal["advice"] for animal in plan["animals"]}
    first = [who for line in ("leave", "look", "feed", "move") for who, _ in lines[line]]
    assert len(first) == len(set(first))
    for animal in forecast["animals"]:
        who, verdict, where = animal["animal"], animal["verdict"], places(lines).get(animal["animal"], "none").split("+")[0]
        if verdict["code"] in ("dead", "gone"):
            assert who not in first
        elif verdict["code"] == "not_answered":
            assert where == "fix"
        elif verdict["code"] in ("molting", "sealed", "sac", "resting"):
            assert where == "leave"
        else:
            assert (where == "look") == (verdict["code"] == "look") and (where == "move") == (advice[who] == "move_now"), (who, where)
            assert where != "feed" or verdict["feeding"] in ("offer", "lightly"), (who, verdict)
    assert {who for who, _ in lines["fix"]} == {problem["animal"] for problem in forecast["problems"]}


@pytest.mark.parametrize("name", ["demo", "sixty"])
def test_reasons_are_a_few_words(name, request):
    _, lines, _ = request.getfixturevalue(name)
    told = [reason for line in LINES for _, reasons in lines[line] for reason in reasons.split(", ")]
    assert told and all(1 <= len(reason.split()) <= LONGEST_REASON for reason in told), told


def test_those_who_ate_longest_ago_are_fed_first(demo):
    """By hand from the demo's journal: B2 ate last on 6 June, S1 on 17 August, C2 on 18 September; who may be in premolt comes last."""
    names = [who for who, _ in demo[1]["feed"]]
    assert names == ["B2", "B3", "S1", "C3", "M1", "C2", "B5", "L3", "L1"]
    assert dict(demo[1]["feed"])["B2"] == "refused 39 days ago" and dict(demo[1]["feed"])["S1"] == "ate 34 days ago"
    assert dict(demo[1]["leave"])["L2"] == "ate today" and dict(demo[1]["feed"])["C3"] == "fed 25 days ago"


def test_what_must_not_be_disturbed_comes_first_and_numbers_are_counted(sixty):
    _, lines, _ = sixty
    assert [who for who, _ in lines["leave"]][:2] == ["H06", "H04"] and lines["leave"][-1][1] in ("ate today", "refused, again 2026-06-20", "refused, again 2026-06-17")
    assert sorted(["A10", "A2", "B1", "A1b"], key=tables_today.natural_order) == ["A1b", "A2", "A10", "B1"]


def terminal(forecast, lines, width=80):
    out = io.StringIO()
    rich_today(forecast, lines, Console(file=out, width=width, force_terminal=False), REMARK, "here")
    return out.getvalue()


def test_a_terminal_cuts_long_lines_and_says_so_and_a_pipe_holds_every_name(sixty):
    forecast, lines, _ = sixty
    told = terminal(forecast, lines)
    rest = len(lines["feed"]) - tables_today.MOST_NAMES
    assert f"and {rest} more" in " ".join(told.split()) and all(len(line) <= 80 for line in told.splitlines())
    assert len(told.splitlines()) <= 24  # a first screen
    plain = plain_today(forecast, lines, REMARK)
    assert "more" not in plain and all(re.search(rf"\b{who}\b", plain) for line in LINES for who, _ in lines[line])
    assert [line.split("  ")[0] for line in plain.splitlines()[2:7]] == list(LINES.values())


def test_one_name_more_than_shown_is_shown_and_an_empty_line_says_none():
    entries = [(f"A{i}", "ate today") for i in range(tables_today.MOST_NAMES + 1)]
    assert line_text(entries, tables_today.MOST_NAMES).startswith("A0, A1") and "more" not in line_text(entries, tables_today.MOST_NAMES)
    assert line_text([]) == "none"


def test_a_document_of_any_make_is_told():
    """A forecast made by hand: doubts without an animal's plan, animals that no journal names."""
    document = hand_made_forecast.document()
    lines = today_lines(document, {"animals": []}, {})
    assert places(lines) == {"A1": "leave", "Z9": "feed", "K[3]": "feed", "C3": "feed", "S3": "fix", "B3": "fix"}
    assert dict(lines["feed"])["Z9"] == "no meal on record" and dict(lines["fix"])["S3"] == "see its date, row 812"
    assert "K[3]" in terminal(document, lines)


def test_names_that_would_move_the_cursor_or_color_the_line_are_shown_as_they_are():
    document = hand_made_forecast.document()
    for animal, name in zip(document["animals"], ["[red]A[/]", "\x1b[2J", "C", "D", "E"], strict=True):
        animal["animal"] = name
    lines = today_lines(document, {"animals": []}, {})
    for told in (terminal(document, lines), plain_today(document, lines)):
        assert "[red]A[/]" in told and "\x1b" not in told and "\\x1b[2J" in told


def test_meals_are_read_as_the_folder_writes_them(tmp_path):
    """Days first, own words, several animals a row, a cohort, a range, a faulty day: read as the records are."""
    (tmp_path / "folder.toml").write_text('date_order = "day_first"\n[events]\nfressen = "ate"\n[columns]\nwann = "date"\n', encoding="utf-8")
    (tmp_path / "animals.csv").write_text("animal,taxon,cohort\nA1,Brachypelma hamorii,sac\nA2,Brachypelma hamorii,sac\nB 1,Brachypelma hamorii,\n")
    (tmp_path / "journal.csv").write_text("animal,wann,until,event\nA1;A2,03.04.2026,,fressen\na1,05.04.2026,,Refused\nsac,01.02.2026,,fed\nB 1,2026-03-01,2026-03-04,ate\n"
                                          "B 1,10.04.2026,,ate\nA2,31.02.2026,,ate\n")
    collection = moltspan.read(tmp_path)
    assert meals_on_record(collection, "2026-04-08") == {
        "A1": {"last_meal": "2026-04-03", "eaten": True, "refused": ["2026-04-05"]}, "A2": {"last_meal": "2026-04-03", "eaten": True, "refused": []},
        "B 1": {"last_meal": "2026-03-04", "eaten": True, "refused": []}}
    assert meals_on_record(collection, "2026-02-20")["A1"] == {"last_meal": "2026-02-01", "eaten": False, "refused": []}
    assert meals_on_record(collection, "2026-01-20")["A1"] == {"last_meal": None, "eaten": None, "refused": []}


def test_command(tmp_path, monkeypatch):
    run = CliRunner()
    done = run.invoke(app, ["today", str(DEMO), "--as-of", "2026-09-20", "--remark", REMARK, "--json", str(tmp_path / "t.json")])
    assert done.exit_code == 1 and "animal S3" in done.stderr and done.stdout.splitlines()[0] == "Today, 2026-09-20: 20 animals (invented records)"
    document = json.loads((tmp_path / "t.json").read_text(encoding="utf-8"))
    assert document["remark"] == REMARK and document["move"] == [{"animal": "D2", "reason": "box outgrown"}]
    monkeypatch.chdir(DEMO)
    alone = run.invoke(app, ["today", "--as-of", "2026-09-20"])
    assert alone.exit_code == 1 and alone.stdout.splitlines()[2:7] == done.stdout.splitlines()[2:7]
    monkeypatch.chdir(tmp_path)
    assert run.invoke(app, ["today"]).exit_code == 2
