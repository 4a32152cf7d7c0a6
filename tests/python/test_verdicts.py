"""One verdict an animal and day: the decisions of tests/reference/verdicts_by_hand through every output, and laws on random collections."""

import csv
import random
from datetime import date, timedelta
from pathlib import Path

import pytest

import moltspan
from one_verdict import check_one_verdict, outputs_of

TODAY = date(2026, 6, 15)
FILE = Path(__file__).parents[1] / "reference/verdicts_by_hand/situations.csv"
with FILE.open(encoding="utf-8", newline="") as text:
    SITUATIONS = list(csv.DictReader(text))
COLUMNS = ("animal", "date", "until", "event", "value")


def day(ago):
    return (TODAY - timedelta(days=int(ago))).isoformat()


def journal_row(record):
    """`molt 14..10`, `leg_span 30 60mm`, `unfit 1 mold` as a row of the journal."""
    event, when, *value = record.split()
    first, _, last = when.partition("..")
    dates = (day(first), day(last) if last else "") if first.lstrip("-").isdigit() else (first, "")
    return ["A", *dates, event, value[0] if value else ""]


def even_history(name, usual, until):
    """Five molts, evenly apart, the last one half a stadium before the records end."""
    return [[name, day(until + usual * (k + 0.5)), "", "molt", ""] for k in range(5)]


def collection_of(situation):
    records = [record.strip() for record in situation["records"].split(";")]
    acquired = next((record.split()[1] for record in records if record.startswith("acquired")), None)
    rows = [journal_row(record) for record in records if not record.startswith("acquired")]
    first = max((int(record.split()[1].split("..")[0]) for record in records if record.split()[1][0].isdigit() and "-" not in record.split()[1]))
    if situation["box"]:
        rows.append(["A", day(first), "", "enclosure", situation["box"].replace("/", "mm/") + "mm" if "/" in situation["box"] else situation["box"] + "mm"])
    unwatched, usual = int(situation["unwatched"]), int(situation["usual_days"])
    for name in ("K1", "K2"):
        rows += even_history(name, usual, unwatched)
    rows.append(["K1", day(unwatched), "", "checked", ""])
    animals = [{"animal": name, "taxon": situation["kind"], "sex": sex, "adult_leg_span_mm": situation["adult_mm"],
                "acquired": day(acquired) if acquired and name == "A" else ""} for name, sex in (("A", situation["sex"]), ("K1", ""), ("K2", ""))]
    columns = {name: [animal[name] for animal in animals] for name in animals[0]}
    import pandas as pd

    return moltspan.Collection(pd.DataFrame(columns), pd.DataFrame(rows, columns=COLUMNS))


def outputs(situation):
    fit = moltspan.fit(collection_of(situation), watched=situation["watched"])
    return outputs_of(fit, TODAY)


@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda row: f"{row['nr']}: {row['situation']}")
def test_every_output_shows_the_decision_that_a_keeper_would_take(situation):
    out = outputs(situation)
    check_one_verdict(out)
    animal = next(animal for animal in out["forecast"]["animals"] if animal["animal"] == "A")
    advice = next(animal for animal in out["plan"]["animals"] if animal["animal"] == "A")
    verdict = animal["verdict"]
    said = "; ".join([verdict["why"], verdict["feeding_why"], *animal["notes"], *advice["reasons"]])
    assert verdict["code"] in situation["verdict"].split("|"), (verdict, said)
    assert verdict["feeding"] in situation["feeding"].split("|"), (verdict, said)
    assert advice["advice"] in situation["advice"].split("|"), (advice["advice"], said)
    for words in filter(None, situation["says"].split(";")):
        assert any(word in said for word in words.split("|")), (words, said)
    for word in filter(None, situation["not_says"].split(";")):
        assert word not in said, (word, said)


def test_the_table_is_long_enough():
    assert len(SITUATIONS) >= 40


KINDS = (("Brachypelma hamorii", 140), ("Lasiodora parahybana", 220), ("Cupiennius salei", 110), ("Chilobrachys dyscolus", 150), ("Unknown kind", ""))
NOTED = ("ate", "refused", "fed", "darkened", "sealed_in", "sluggish", "molt_mat", "fangs_black", "checked", "egg_sac", "mated", "limb_lost", "matured",
         "died", "left", "escaped", "on_back", "unfit", "skin_found")


def random_animal(draw, name):
    """A life of molts and what a keeper may note at any time, sensible or not."""
    kind, adult = draw.choice(KINDS)
    usual, rows = draw.choice((25, 60, 110, 200, 380)), []
    ago = draw.uniform(0, 2) * usual
    for _ in range(draw.randint(0, 5)):
        width = draw.choice((0, 0, 3, 12))
        rows.append([name, day(ago + width), day(ago) if width else "", "molt", ""])
        ago += width + 1 + usual * draw.lognormvariate(0, 0.2)
    for _ in range(draw.randint(0, 6)):
        event = draw.choice(NOTED)
        if event in ("died", "left", "escaped") and draw.random() < 0.7:
            continue
        rows.append([name, day(draw.uniform(0, 1) * usual), "", event, "mold" if event == "unfit" else ""])
    if draw.random() < 0.8:
        rows.append([name, day(draw.uniform(0, 1) * usual), "", "leg_span", f"{draw.randint(8, 180)}mm"])
    if draw.random() < 0.8:
        side = draw.randint(30, 400)
        rows.append([name, day(400), "", "enclosure", f"{side}x{side}x{side}mm"])
    acquired = day(draw.uniform(0, 3) * usual) if draw.random() < 0.4 else ""
    return {"animal": name, "taxon": kind, "sex": draw.choice(("female", "male", "unknown", "")), "adult_leg_span_mm": adult, "acquired": acquired}, rows


def random_collection(draw):
    import pandas as pd

    animals, rows = zip(*(random_animal(draw, f"R{i}") for i in range(25)), strict=True)
    journal = [["R0", day(0), "", "checked", ""], *(row for own in rows for row in own)]
    return moltspan.Collection(pd.DataFrame(list(animals)), pd.DataFrame(journal, columns=COLUMNS))


@pytest.mark.parametrize("seed", range(6))
def test_no_animal_of_a_random_collection_has_two_verdicts(seed):
    fit = moltspan.fit(random_collection(random.Random(seed)), watched="rows" if seed % 3 == 2 else "all")
    for ahead in (0, 30):
        check_one_verdict(outputs_of(fit, fit.as_of + timedelta(days=ahead)))
