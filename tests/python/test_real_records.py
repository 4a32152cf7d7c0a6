"""Forecasts of real records, scored against what those records say later; and a law that holds on any records."""

import csv
import shutil
import sys
from datetime import date, datetime
from pathlib import Path

import pytest

import moltspan
from moltspan.collection.fit import forecast_document

ROOT = Path(__file__).parent.parent.parent
sys.path.insert(0, str(ROOT / "tests" / "reference"))

import score_real_records as scoring  # noqa: E402

# Weekly crickets, two of the dates of the script: enough for the tolerance, and half a minute at most.
DATES = ("2023-06-05", "2023-06-26")


@pytest.fixture(scope="module")
def crickets(tmp_path_factory):
    folder = tmp_path_factory.mktemp("crickets")
    return folder, scoring.converted("crickets", folder)


@pytest.fixture(scope="module")
def lobsters(tmp_path_factory):
    return scoring.converted("lobsters", tmp_path_factory.mktemp("lobsters"))


@pytest.mark.open_data
def test_bands_of_the_crickets_hold_about_as_often_as_they_say(crickets):
    scores = [score for as_of in DATES for score in scoring.score_day(crickets[1], as_of, "rows").scores]
    assert len(scores) > 200
    # Wide on purpose: one species in ten climates, fitted with priors that were made for others, and the ends of 5 to 10 % of
    # the stadia are never seen. Half of the width of the tolerance is some ten standard errors.
    assert 0.70 < scoring.coverage(scores, 0.8).mean < 0.90
    assert 0.90 < scoring.coverage(scores, 0.95).mean <= 1


@pytest.mark.open_data
def test_every_cricket_is_answered_or_named(crickets):
    fit = moltspan.fit(crickets[1], as_of=DATES[0], watched="rows")
    animals = {animal["animal"]: animal for animal in forecast_document(fit)["animals"]}
    assert len(animals) == 247  # gryllodes-tpc/SOURCE.md
    assert all((animal["next_molt"] is None) == bool(animal["why_no_forecast"]) for animal in animals.values())
    assert "set aside" in animals["28-146"]["why_no_forecast"]  # the one whose instar falls
    assert sum("set aside" in (animal["why_no_forecast"] or "") for animal in animals.values()) == 1


@pytest.mark.open_data
def test_lobsters_late_in_the_study_are_answered(lobsters):
    day = scoring.score_day(lobsters, "2009-11-25", "all", threads=1)
    # SOURCE.md: 33 molts, of which these after the day; 26 animals, two dead in the end: too few to ask for a coverage.
    assert len(day.scores) + day.not_seen >= 24
    assert all(0 <= share <= 1 for score in day.scores for share in score.covered)


@pytest.mark.open_data
@pytest.mark.parametrize("as_of", scoring.LOBSTER_DATES[:2])
def test_lobsters_early_in_the_study_are_answered(lobsters, as_of):
    scoring.score_day(lobsters, as_of, "all", threads=1)


# The law: what is written later does not matter.


def day_of(text):
    return datetime.strptime(text, "%d.%m.%Y").date() if "." in text else date.fromisoformat(text)


def later(text, day):
    return bool(text) and day_of(text) > day


def rewrite(path, keep, change=lambda row: row):
    with open(path, newline="", encoding="utf-8") as file:
        reader = csv.DictReader(file)
        columns, rows = reader.fieldnames, [change(row) for row in reader if keep(row)]
    with open(path, "w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(rows)
    return len(rows)


DATE_COLUMNS = ("hatched", "acquired", "matured", "died", "date_subadult")


def copy_without(folder, to, faulty, day=None):
    """A copy without the animals of `faulty` (a fault may lie in a later row) and, given a day, without what came after it."""
    shutil.copytree(folder, to)

    def there(row):
        return row["animal"] not in faulty and not (day and any(later(row.get(name), day) for name in ("hatched", "acquired")))

    def known(row):
        return row["animal"] not in faulty and not (day and (later(row["date"], day) or later(row.get("until"), day)))

    def blanked(row):
        return {name: "" if day and name in DATE_COLUMNS and later(value, day) else value for name, value in row.items()}

    absent = {row["animal"] for row in csv.DictReader(open(to / "animals.csv", newline="", encoding="utf-8")) if not there(row)}
    rewrite(to / "animals.csv", there, blanked)
    return rewrite(to / "journal.csv", lambda row: known(row) and row["animal"] not in absent)


def assert_law(folder, tmp_path, day, faulty=(), **options):
    n_full = copy_without(folder, tmp_path / "full", faulty)
    n_cut = copy_without(folder, tmp_path / "cut", faulty, day)
    assert 0 < n_cut < n_full
    full, cut = (forecast_document(moltspan.fit(moltspan.read(tmp_path / name), as_of=day, **options)) for name in ("full", "cut"))
    there = {animal["animal"] for animal in cut["animals"]}
    assert sum(animal["next_molt"] is not None for animal in cut["animals"]) > 3
    # Animals that came later say so in the full records; `problems` are those of the files, whatever the day.
    assert [animal for animal in full["animals"] if animal["animal"] in there] == cut["animals"]
    assert all(animal["next_molt"] is None for animal in full["animals"] if animal["animal"] not in there)


@pytest.mark.open_data
def test_law_on_the_crickets(crickets, tmp_path):
    assert_law(crickets[0], tmp_path, date(2023, 6, 5), faulty=("28-146",), watched="rows")


@pytest.mark.parametrize("day", [date(2025, 9, 1), date(2026, 3, 10)])
def test_law_on_the_demo_collection(tmp_path, day):
    assert_law(ROOT / "demo" / "collection", tmp_path, day, faulty=("S3",))


@pytest.mark.parametrize("seed", [3, 4])
@pytest.mark.parametrize("watched", ["all", "rows"])
def test_law_on_simulated_collections(tmp_path, seed, watched):
    records, _ = moltspan.simulate_collection(seed=seed)
    folder = tmp_path / "simulated"
    folder.mkdir()
    records.animals.to_csv(folder / "animals.csv", index=False)
    records.journal.to_csv(folder / "journal.csv", index=False)
    assert_law(folder, tmp_path, date(2023, 6, 30), watched=watched)
