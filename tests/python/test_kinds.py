"""Facts of groups and kinds: shipped, stated, and what follows for forecasts, boxes and `check`."""

import json
import subprocess
import sys

import pandas as pd
import pytest

import moltspan
from moltspan.collection.fit import forecast_document

SORTS = ("published: ", "common practice, no source", "assumption", "from memory, not checked")


def collection(taxon, readings, box="300x300x200", **columns):
    """One animal of this kind: (date, event, value, unit) rows and its box."""
    journal = pd.DataFrame([*readings, (readings[-1][0], "enclosure", box, "mm")], columns=["date", "event", "value", "unit"])
    return moltspan.Collection(pd.DataFrame([{"animal": "A", "taxon": taxon} | columns]), journal.assign(animal="A"))


def molts(measure, sizes, days=30, unit="mm", start="2026-01-01"):
    dates = [day.date().isoformat() for day in pd.date_range(start, periods=len(sizes), freq=f"{days}D")]
    return [row for date, size in zip(dates, sizes, strict=True)
            for row in ((date, "molt", "", ""), (date, measure, str(size), unit))]


def plan_of(records):
    return moltspan.fit(records).rehouse().document["animals"][0]


def forecast_of(records):
    return forecast_document(moltspan.fit(records))["animals"][0]


def test_each_number_stands_with_its_status():
    frame = moltspan.kinds()
    assert list(frame.columns) == ["kind", "group", "measure", "fact", "value", "log_sd", "at_size", "at_c", "status"]
    assert frame["status"].map(lambda status: status.startswith(SORTS)).all()
    assert (frame["value"] > 0).all() and (frame["log_sd"] > 0).all()
    days = frame[frame["fact"] == "stadium_days"].set_index("kind")
    # Sphodromantis 13 to 16 days in its first seven instars (Przibram & Megusar 1912); eight juvenile lobsters: median 33.5 days
    assert 13 <= days.loc["mantises", "value"] <= 16
    assert days.loc["lobsters and crayfish", "value"] == pytest.approx(33.5, abs=1)


def test_a_lobster_has_no_leg_span_and_no_box_of_tarantulas():
    plan = plan_of(collection("Homarus americanus", molts("carapace_length", [60, 70, 80], days=200)))
    assert plan["leg_span_mm"] is None and plan["suggested"] is None and plan["ratio"] is None
    assert any("no rule of boxes is known for lobsters and crayfish" in reason for reason in plan["reasons"])
    size = forecast_of(collection("Homarus americanus", molts("carapace_length", [60, 70, 80], days=200)))["next_size"]
    assert size["measure"] == "carapace_length" and 84 < size["median"] < 100  # 9.8 mm a molt from 68 to 123 mm (published.md, A10)


def test_a_mantis_is_housed_by_its_body_length():
    plan = plan_of(collection("Hierodula membranacea", molts("body_length", [25, 32, 41], days=16), habit="arboreal", box="60x60x130"))
    floor = next(reason for reason in plan["reasons"] if reason.startswith("floor"))
    assert "x body length (60 mm / 41 mm)" in floor and "due under 1.5" in floor  # floor 2 x body length: 60 / 41 = 1.46
    assert plan["leg_span_mm"] is None


def test_premolt_of_a_mantis_is_a_share_of_its_stadium():
    plan = plan_of(collection("Hierodula membranacea", molts("body_length", [25, 32, 41, 52], days=16)))
    lead = next(text for text in plan["assumptions"] if text.startswith("premolt begins"))
    days = float(lead.split()[2])
    assert 2.5 < days < 5.5  # a fifth of some 16 to 22 days; 50 days before


def test_a_woodlouse_stays_small():
    size = forecast_of(collection("Porcellio scaber", molts("body_length", [12, 14], days=30)))["next_size"]
    assert size["measure"] == "body_length" and 14 < size["median"] < 20


def test_tarantulas_know_nothing_of_it():
    animals = pd.DataFrame([{"animal": "A", "taxon": "Brachypelma hamorii"}])
    journal = pd.DataFrame(molts("leg_span", [20, 26, 34], days=60), columns=["date", "event", "value", "unit"]).assign(animal="A")
    before = forecast_of(moltspan.Collection(animals, journal))
    stated = moltspan.Collection(animals.assign(group="tarantulas"), journal)
    assert forecast_of(stated)["next_molt"] == before["next_molt"]


def test_stated_days_move_the_forecast_of_an_animal_without_records():
    first = [("2026-01-01", "molt", "", ""), ("2026-01-01", "body_length", "20", "mm")]
    usual = forecast_of(collection("Hierodula membranacea", first))
    slow = forecast_of(collection("Hierodula membranacea", first, stadium_days="45", stadium_at_mm="20"))
    assert slow["next_molt"]["quantile_days"]["0.5"] > 2 * usual["next_molt"]["quantile_days"]["0.5"]


def test_a_faulty_fact_names_its_cell():
    problems = collection("Hierodula membranacea", molts("body_length", [20]), growth_ratio="0.2").problems()
    assert list(problems["column"]) == ["growth_ratio"]


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "animals.csv").write_text("animal,taxon\n" + "".join(f"U{i},Ignotus ignotus\n" for i in range(6)) + "B,Brachypelma hamorii\n")
    (tmp_path / "journal.csv").write_text("animal,date,event,value,unit\n" + "".join(
        f"{animal},2026-01-0{i + 1},molt,,\n{animal},2026-01-0{i + 1},body_length,{10 + i},mm\n" for i, animal in enumerate(["U0", "U1", "U2", "U3", "U4", "U5", "B"])))
    return tmp_path


def check(folder, *more):
    return subprocess.run([sys.executable, "-m", "moltspan", "check", str(folder), *more], capture_output=True, text=True, check=True).stdout


def test_check_names_the_two_facts_that_would_sharpen_most(folder):
    text = check(folder)
    lines = text[text.index("What would sharpen"):].split("\n\n")[0].splitlines()[1:]
    assert len(lines) == 2
    assert "group of Ignotus ignotus" in text
    facts = json.loads(check(folder, "--json", "-"))["would_sharpen"]
    gains = [fact["animals"] * fact["narrower_by"] for fact in facts]
    assert gains == sorted(gains, reverse=True)
    assert all(0 < fact["narrower_by"] < 1 for fact in facts)


def test_check_asks_for_nothing_that_is_stated(folder):
    (folder / "taxa.csv").write_text("taxon,group,temperature_c\nIgnotus ignotus,crabs,22\nBrachypelma hamorii,,24\n")
    facts = {(fact["fact"], fact["of"]) for fact in json.loads(check(folder, "--json", "-"))["would_sharpen"]}
    assert ("group", "Ignotus ignotus") not in facts and ("temperature", None) not in facts
