"""`moltspan start`, the examples it writes, and its page: every row on the page is read as the page says."""

import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import moltspan
from moltspan import _core

TOP = Path(__file__).parents[2]
PAGE = TOP / "shared/start_folder/how_to_write_down_a_molt.md"
TABLES = ("animals.csv", "journal.csv", "taxa.csv", "enclosures.csv", "folder.toml")


def run(*arguments):
    command = [sys.executable, "-c", "from moltspan.cli.app import main; main()", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, stdin=subprocess.DEVNULL)


def snapshot(folder):
    return {path.relative_to(folder): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("there", [False, True])
def test_a_new_folder_passes_its_check_right_away(tmp_path, there):
    folder = tmp_path / "my animals"
    if there:
        folder.mkdir()
        (folder / "photo.txt").write_text("mine")
    made = run("start", folder)
    assert (made.returncode, made.stderr) == (0, "")
    assert all((folder / name).is_file() for name in TABLES)
    assert f"moltspan check '{folder}'" in made.stdout and "What to do next" in made.stdout
    checked = run("check", folder)
    assert (checked.returncode, checked.stderr) == (0, "")
    assert "0 faults, 0 doubts" in checked.stdout
    assert re.search(r"animals +0\n", checked.stdout)
    assert not there or (folder / "photo.txt").read_text() == "mine"


@pytest.mark.parametrize("name", [*TABLES, "README.txt", "examples"])
def test_nothing_is_overwritten_and_nothing_half_written(tmp_path, name):
    (tmp_path / name).write_text("mine")
    before = snapshot(tmp_path)
    made = run("start", tmp_path)
    assert (made.returncode, made.stdout) == (2, "")
    assert name in made.stderr and "Traceback" not in made.stderr
    assert snapshot(tmp_path) == before


def test_a_file_is_no_folder(tmp_path):
    file = tmp_path / "notes"
    file.write_text("mine")
    assert run("start", file).returncode == 2
    with pytest.raises(FileExistsError, match="not a folder"):
        moltspan.start(file)


def test_python_returns_what_it_wrote(tmp_path):
    written = moltspan.start(tmp_path / "a" / "b")
    assert sorted(written) == sorted(path for path in tmp_path.rglob("*") if path.is_file())
    with pytest.raises(FileExistsError, match="nothing was written"):
        moltspan.start(tmp_path / "a" / "b")


def test_the_tables_are_empty_and_name_the_columns_of_the_readme(tmp_path):
    moltspan.start(tmp_path)
    collection = moltspan.read(tmp_path, strict=True)
    assert (len(collection.animals), len(collection.journal), len(collection.stadia())) == (0, 0, 0)
    readme = (TOP / "README.md").read_text(encoding="utf-8")
    for name in TABLES[:4]:
        assert all(f"`{column}`" in readme for column in pd.read_csv(tmp_path / name).columns), name


def test_the_settings_in_the_comments_are_settings(tmp_path):
    moltspan.start(tmp_path)
    file = tmp_path / "folder.toml"
    file.write_text(re.sub(r"^# (?=\[|\w+ = )", "", file.read_text(), flags=re.MULTILINE))
    assert 'date_order = "day_first"' in file.read_text().splitlines()
    assert len(moltspan.read(tmp_path, strict=True).problems()) == 0


def test_the_row_in_the_readme_is_a_row(tmp_path):
    moltspan.start(tmp_path)
    (row,) = re.findall(r"^ +(A12,.*)$", (tmp_path / "README.txt").read_text(), re.MULTILINE)
    with (tmp_path / "animals.csv").open("a") as file:
        file.write(row + "\n")
    assert moltspan.read(tmp_path, strict=True).animals["animal"].tolist() == ["A12"]
    assert run("note", tmp_path, "A12 molt 5cm").returncode == 0
    assert len(moltspan.read(tmp_path, strict=True).stadia()) == 1


def test_examples_are_marked_count_for_nothing_and_can_be_forecast(tmp_path):
    moltspan.start(tmp_path)
    examples = moltspan.read(tmp_path / "examples", strict=True)
    assert len(examples.problems()) == 0
    assert all(note.startswith("INVENTED") for table in (examples.animals, examples.journal) for note in table["note"])
    assert set(examples.stadia()["status"]) == {"closed", "running"}
    told = run("forecast", tmp_path / "examples", "--remark", "invented records")
    assert (told.returncode, told.stderr) == (0, "")
    assert "invented records" in told.stdout and "example-1" in told.stdout


# The page


def cases():
    """Heading -> its blocks of rows, as frames of text."""
    text = PAGE.read_text(encoding="utf-8")
    found = {}
    for part in re.split(r"^## ", text, flags=re.MULTILINE)[1:]:
        heading, body = part.split("\n", 1)
        blocks = [[line.split(",") for line in block.splitlines()] for block in re.findall(r"```csv\n(.*?)```", body, re.DOTALL)]
        found[heading] = [pd.DataFrame(rows, columns=head) for head, *rows in blocks]
    return found


CASES = cases()
ANIMAL = pd.DataFrame({"animal": ["T1"], "taxon": ["Brachypelma hamorii"], "sex": ["unknown"]})


def read(journal, animals=ANIMAL):
    collection = moltspan.Collection(animals, journal, strict=True)
    assert len(collection.problems()) == 0
    return collection


def bounds(collection, **options):
    stadia = collection.stadia(**options)
    return list(zip(stadia["status"], stadia["min_days"], stadia["max_days"].fillna(-1), strict=True))


def test_every_case_of_the_page_is_tested():
    assert {heading for heading, blocks in CASES.items() if blocks} == {
        "You saw it that day", "Found late", "The skin was measured, not the animal", "Not measured", "Two molts missed",
        "It is much larger, and there is no skin", "Bought yesterday", "Sex found out later", "It died, or it went to somebody else"}


def test_seen_that_day():
    (journal,) = CASES["You saw it that day"]
    collection = read(journal)
    assert bounds(collection)[0] == ("closed", 58, 58)  # 26 days of January, 28 of February, 4 of March
    assert collection.stadia()["start_size_mm"].iloc[1] == 52
    on_back = journal.replace({"event": {"molt": "on_back"}})
    assert bounds(read(on_back)) == bounds(collection)


def test_found_late():
    ranged, looked = CASES["Found late"]
    assert bounds(read(ranged))[0] == ("closed", 58, 66)
    assert bounds(read(looked))[0] == ("closed", 58, 66)


def test_skin_measured():
    (journal,) = CASES["The skin was measured, not the animal"]
    stadia = read(journal).stadia()
    assert stadia["status"].tolist() == ["closed", "running"]
    (reading,) = _core.animal_readings(read(journal)._stadia_table())
    assert (reading.size, reading.measure, reading.molts_before) == (11.2, "carapace_width", 1)  # of the instar that began in January
    (bare,) = _core.animal_readings(read(journal.assign(event=["molt", "molt", "leg_span"], on="animal"))._stadia_table())
    assert bare.molts_before == 2
    without = moltspan.Collection(ANIMAL, journal.assign(on=""))
    assert without.problems()["severity"].tolist() == ["doubt"]


def test_not_measured():
    (journal,) = CASES["Not measured"]
    collection = read(journal)
    assert bounds(collection)[0] == ("closed", 58, 58)
    assert collection.stadia()["start_size_mm"].isna().all()


def test_two_molts_missed():
    (journal,) = CASES["Two molts missed"]
    stadia = read(journal).stadia()
    assert stadia["start_instar"].tolist() == [4, 5, 6]
    once = moltspan.Collection(ANIMAL, journal.assign(value=["4", "", ""]))
    assert len(once.stadia()) == 2 and once.problems()["severity"].tolist() == ["doubt"]


def test_larger_without_a_skin():
    (journal,) = CASES["It is much larger, and there is no skin"]
    assert bounds(read(journal)) == [("running", 170, -1)]  # 1 October to 20 March


def test_bought_yesterday():
    animals, journal = CASES["Bought yesterday"]
    (row,) = read(journal, animals).stadia(as_of="2026-03-25").to_dict("records")
    assert row["status"] == "running" and row["start_range_days"] == 28 and row["entry_days"] > 0
    unknown = read(journal[journal["event"] != "molt"], animals)
    assert len(unknown.stadia(as_of="2026-03-25")) == 0
    told = moltspan.forecast_document(moltspan.fit(unknown, as_of="2026-03-25"))["animals"][0]
    assert told["next_molt"] is not None and told["last_molt"] is None


def test_sex_found_out_later():
    (journal,) = CASES["Sex found out later"]
    assert set(read(journal).stadia()["sex"]) == {"female"}


def test_died():
    (journal,) = CASES["It died, or it went to somebody else"]
    (row,) = read(journal).stadia().to_dict("records")
    assert (row["status"], row["min_days"]) == ("died", 46)  # 26 days of January, 20 of February
    assert bounds(read(journal.replace({"event": {"died": "left"}})))[0][0] == "left"


def test_the_cautions_stand_on_the_page():
    text = PAGE.read_text(encoding="utf-8")
    for words in ("On its back: leave it", "Never turn it", "curled under", "Look for the animal before", "Never dig", "eye protection",
                  "common practice of keepers, without a published source"):
        assert words in text
