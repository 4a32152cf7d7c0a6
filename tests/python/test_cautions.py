"""What to beware of stands wherever somebody stands with the animal in the hand: plan, sheet, calendar, report and forecast. Which kind has which
caution is tested in tests/cpp/cautions_test.cpp. The records are invented."""

import json
import re
from html import unescape
from pathlib import Path

import icalendar
import pandas as pd
import pytest
from typer.testing import CliRunner

import moltspan
from moltspan import _core
from moltspan.text import cautions as tables_cautions
from moltspan.cli.app import app
from moltspan.text.tables import plain_forecast
from moltspan._frames.said import Said
from moltspan.text import today as tables_today

TOP = Path(__file__).parents[2]
WORDS = ("urticating_setae", "systemic_venom", "irritant_spray", "fast")
DAY = "2026-06-01"
TAXA = {"W1": "Latrodectus mactans", "S1": "Androctonus australis", "B1": "Brachypelma hamorii", "B2": "Brachypelma hamorii",
        "P1": "Pterinochilus murinus", "M1": "Scolopendra subspinipes", "N1": "", "E1": "Pterinochilus murinus", "D1": "Phormictopus auratus"}
TEXT = {caution.code: caution.text for caution in _core.cautions()}


def rows_of(name, box="100x100x80/50", mm="60"):
    return [(name, "2026-03-01", "molt", "", ""), (name, "2026-05-01", "molt", "", ""), (name, "2026-05-02", "leg_span", mm, "mm"),
            (name, "2026-05-02", "enclosure", box, "mm"), (name, "2026-05-15", "ate", "", ""), (name, DAY, "checked", "", "")]


def collection(**changes):
    """Seven in boxes too small but B2 (never measured) and M1 (room enough); E1 escaped, D1 died."""
    rows = [row for name in ("W1", "S1", "B1", "P1", "N1", "E1", "D1") for row in rows_of(name)]
    rows += [row for row in rows_of("M1", "400x400x200/150")] + [("B2", DAY, "checked", "", "")]
    rows += [("E1", "2026-05-20", "escaped", "", ""), ("D1", "2026-05-20", "died", "", "")]
    rows = [row for row in rows if not (row[0] in ("E1", "D1") and row[1] == DAY)]
    animals = pd.DataFrame([{"animal": name, "taxon": taxon, "habit": "terrestrial"} | changes.get(name, {}) for name, taxon in TAXA.items()])
    return moltspan.Collection(animals.fillna(""), pd.DataFrame(rows, columns=["animal", "date", "event", "value", "unit"]))


@pytest.fixture(scope="module")
def fit():
    return moltspan.fit(collection(), as_of=DAY, threads=1)


def words_of(page):
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", page)))


def of_animal(plan):
    return {animal["animal"]: animal for animal in plan.document["animals"]}


def test_every_animal_of_the_plan_but_the_gone_has_cautions(fit):
    told = of_animal(fit.rehouse(at_most=2))
    assert told["D1"]["cautions"] == []
    for name in ("W1", "S1", "P1", "M1", "N1", "E1"):
        assert TEXT["serious_venom"] in told[name]["cautions"], name
    assert TEXT["serious_venom"] not in told["B1"]["cautions"] and TEXT["urticating_setae"] in told["B1"]["cautions"]
    assert all(TEXT["allergy"] in animal["cautions"] for name, animal in told.items() if name != "D1")


@pytest.mark.parametrize("at_most", [None, 1, 2])
def test_the_sheet_shows_cautions_of_every_animal_that_it_names(fit, at_most):
    """Of later sittings, of animals to be measured first, of those that stay."""
    plan = fit.rehouse(at_most=at_most)
    if at_most:
        assert len(plan.sittings) > 1
    assert of_animal(plan)["B2"]["advice"] == "measure_first" and of_animal(plan)["M1"]["advice"] == "fits"
    page = words_of(plan.sheet())
    for animal in plan.document["animals"]:
        for text in animal["cautions"]:
            (names,) = re.findall(r"([A-Z0-9, ]+|all) : " + re.escape(text), page)
            assert names.strip() == "all" or animal["animal"] in names, (animal["animal"], text)


def test_a_word_beside_each_name_says_what_to_beware_of(fit):
    page = words_of(fit.rehouse().sheet())
    assert "P1 venom, fast" in page and re.search(r"B1 hairs ", page) and "N1 venom, hairs, spray, fast" in page


@pytest.mark.parametrize("output", ["plan", "sheet", "report", "terminal"])
def test_plan_sheet_and_report_say_what_holds_for_every_animal(fit, output):
    plan = fit.rehouse()
    said = {"plan": plan.summary, "sheet": lambda: words_of(plan.sheet()), "report": lambda: words_of(moltspan.report(fit)),
            "terminal": lambda: on_a_terminal(plan.document)}[output]()
    said = re.sub(r"\s+", " ", said)
    for code in ("on_back", "skin_looks_dead", "allergy", "in_the_eye", "serious_venom", "escaped", "escaped_low", "escaped_venom"):
        assert TEXT[code] in said, (output, code)
    assert "local rules" in said


def on_a_terminal(document):
    import io

    from rich.console import Console

    from moltspan.text.rehouse import rich_plan

    out = io.StringIO()
    rich_plan(document, Console(file=out, width=100, force_terminal=False))
    return out.getvalue()


def test_the_form_of_a_notebook_has_them_too(fit):
    plan = fit.rehouse(at_most=2)
    said = words_of(plan._repr_html_())
    assert all(text in said for animal in plan.document["animals"] for text in animal["cautions"])


def test_no_caution_of_an_animal_that_died(fit):
    assert all("D1" not in names for _, names in tables_cautions.grouped_cautions(fit.rehouse().document))


def test_the_calendar_says_look_first_and_carries_the_cautions(fit):
    plan = fit.rehouse(at_most=2)
    windows = {str(event["SUMMARY"]).partition(":")[0]: event for event in icalendar.Calendar.from_ical(plan.calendar()).walk("VEVENT")
               if "move" in str(event["SUMMARY"])}
    assert windows and set(windows) <= set(of_animal(plan))
    for name, event in windows.items():
        assert str(event["SUMMARY"]) == f"{name}: quiet days for a move: look first"
        told = str(event["DESCRIPTION"])
        assert TEXT["look_first"] in told and "Local rules" in told
        assert all(text in told for text in of_animal(plan)[name]["cautions"])
    molts = [event for event in icalendar.Calendar.from_ical(plan.calendar()).walk("VEVENT") if "next molt" in str(event["SUMMARY"])]
    assert molts and all(TEXT["on_back"] in str(event["DESCRIPTION"]) for event in molts)


def test_stated_hazards_add_and_take_nothing_away():
    stated = {"P1": {"hazard": "none", "world": "old"}, "B1": {"hazard": "fast", "world": "new"}}
    told = of_animal(moltspan.fit(collection(**stated), as_of=DAY, threads=1).rehouse())
    assert TEXT["serious_venom"] in told["P1"]["cautions"]
    assert TEXT["urticating_setae"] in told["B1"]["cautions"] and TEXT["fast"] in told["B1"]["cautions"]


def test_an_unknown_hazard_word_is_a_doubt_and_six_animals_are_answered(tmp_path):
    animals = pd.DataFrame({"animal": [f"A{i}" for i in range(1, 7)], "taxon": "Brachypelma hamorii"})
    animals.to_csv(tmp_path / "animals.csv", index=False)
    pd.DataFrame([row for name in animals["animal"] for row in rows_of(name)],
                 columns=["animal", "date", "event", "value", "unit"]).to_csv(tmp_path / "journal.csv", index=False)
    (tmp_path / "taxa.csv").write_text("taxon,hazard\nBrachypelma hamorii,kicks\n")
    result = CliRunner().invoke(app, ["rehouse", str(tmp_path), "--json", "-"])
    assert result.exit_code == 0
    assert all(TEXT["urticating_setae"] in animal["cautions"] for animal in json.loads(result.stdout)["animals"])
    checked = CliRunner().invoke(app, ["check", str(tmp_path)])
    assert checked.exit_code == 0 and "'kicks'" in checked.output and all(word in checked.output for word in WORDS)


@pytest.mark.parametrize("file", ["README.md", "shared/start_folder/README.txt", "shared/start_folder/how_to_write_down_a_molt.md"])
def test_the_four_words_stand_where_users_look(file):
    text = (TOP / file).read_text(encoding="utf-8")
    assert all(word in text for word in WORDS)


# Prompts go by the codes of sentences.


def overdue():
    rows = [("O1", "2024-01-01", "molt", "", ""), ("O1", "2024-03-01", "molt", "", ""), ("O1", "2024-05-01", "molt", "", ""),
            ("O1", "2024-05-02", "leg_span", "60", "mm"), ("O1", DAY, "ate", "", ""), ("O2", "2026-05-01", "ate", "", ""),
            ("O2", DAY, "darkened", "", "")]
    animals = pd.DataFrame({"animal": ["O1", "O2"], "taxon": "Brachypelma hamorii"})
    return moltspan.fit(moltspan.Collection(animals, pd.DataFrame(rows, columns=["animal", "date", "event", "value", "unit"])), as_of=DAY, threads=1)


def test_a_prompt_of_the_forecast_stands_with_its_caution():
    from moltspan.collection.fit import forecast_document

    document = forecast_document(overdue())
    assert any("look for a skin" in animal["verdict"]["why"] for animal in document["animals"])
    said = plain_forecast(document)
    assert f"O1: {TEXT['look_for_skin']}" in said
    quiet = document | {"animals": [animal | {"notes": [], "verdict": animal["verdict"] | {"why": "", "feeding_why": ""}} for animal in document["animals"]]}
    assert "Before you look" not in plain_forecast(quiet)


def test_prompts_of_the_feeding_round_stand_with_their_cautions():
    page = words_of(moltspan.report(overdue()))
    feeding = page[page.index("Feeding round [a]", page.index("Feeding round") + 20):page.index("Rehousing plan [a]")]
    assert "uneaten prey" in feeding and re.search(r"O\d[O0-9, ]* ?: " + re.escape(TEXT["leftovers"]), feeding)
    assert TEXT["look_first"] in feeding and TEXT["look_for_skin"] in feeding


@pytest.mark.parametrize(("prompt", "code"), [("overdue", "look_for_skin"), ("size_missing", "look_for_skin"), ("palps_and_hooks", "look_at_fangs"),
                                               ("take_prey_out", "leftovers"), ("skin_tells_sex", "sex_from_skin")])
def test_each_prompt_has_its_caution_whatever_its_words(prompt, code):
    assert (TEXT[code], ["A1"]) in tables_cautions.prompted({"A1": [Said("in other words", (prompt,))], "A2": ["floor 2.1 x leg span"]})


def test_words_without_a_code_ask_for_nothing():
    assert tables_cautions.prompted({"A1": ["look first for a skin, its black fangs and uneaten prey"]}) == []


def test_a_box_that_is_unfit_is_named_as_such_whatever_its_words():
    moved = {"outgrown": {"chance_next_molt": 0.2}}
    assert tables_today._move_reason(moved | {"reasons": [Said("in other words", ("box_unfit",))]}) == "box unfit"
    assert tables_today._move_reason(moved | {"reasons": ["box unfit, so its keeper says"]}) == "box needs changing"


def test_texts_that_must_be_said_are_said():
    """The points of first aid and of peace for the animal that each text must hold."""
    for code, words in {"look_for_skin": ("never dig", "long tweezers", "eye protection"), "look_at_fangs": ("through the wall", "do not lift, turn"),
                        "leftovers": ("long tweezers",), "sex_from_skin": ("hairs stay on it",), "in_the_eye": ("rinse long with water", "never rub", "doctor"),
                        "on_back": ("never touch, turn",), "escaped": ("children and pets", "never a bare hand"), "escaped_low": ("low",),
                        "escaped_high": ("high",)}.items():
        assert all(word in TEXT[code] for word in words), code
