"""Kept forecasts: what is written, that nothing is lost, what came of it by hand, the words, the command.

Expected outcomes are worked out by hand from the days in the tables below.
"""

import csv
import json
import math
import multiprocessing
import re
from datetime import date
from pathlib import Path

import matplotlib
import pytest
from typer.testing import CliRunner

matplotlib.use("Agg")

import moltspan
from moltspan.cli.app import app
from moltspan.collection.kept import COLUMNS, FILE, keeps_forecasts
from moltspan.report.kept import kept_section
from moltspan.text.kept import sentence, spoken

HEAD = ",".join(COLUMNS)
JOURNAL = """animal,date,until,event
A1,2026-01-05,,molt
A1,2026-05-10,,molt
A2,2026-01-05,,molt
A2,2026-05-28,2026-06-03,molt
A3,2026-01-05,,molt
A4,2026-01-05,,molt
A4,2026-04-20,,died
A5,2026-01-05,,molt
A5,2026-03-20,,molt
A6,2026-01-05,,molt
A6,2026-01-20,,molt
A7,2026-01-05,,molt
A7,2026-06-20,,molt
A8,2026-01-05,,molt
A8,2026-07-05,2026-07-09,molt
A9,2026-01-05,,molt
A9,2026-06-10,,left
B1,2026-01-05,,molt
B1,2026-08-01,,checked
B2,2026-01-05,,molt
"""
# Said on 1 February of all, with the molt of 5 January known: 80 % from 1 May to 1 June.
SAID = "2026-02-01,2026-02-01,{},2026-01-05,2026-05-15,2026-05-10,2026-05-20,2026-05-01,2026-06-01,2026-04-01,2026-07-01"
OUTCOMES = {"A1": ("held", True), "A2": ("range", None), "A3": ("overdue", False), "A4": ("died", None), "A5": ("early", False), "A6": ("changed", None),
            "A7": ("late", False), "A8": ("late", False), "A9": ("left", False), "ZZ": ("not_here", None)}


def folder_of(path, journal=JOURNAL, said=(), names=None):
    names = names or sorted({line.split(",")[0] for line in journal.splitlines()[1:]})
    (path / "animals.csv").write_text("animal,taxon\n" + "".join(f'"{name}",Brachypelma hamorii\n' for name in names))
    (path / "journal.csv").write_text(journal)
    if said:
        (path / FILE).write_text("\n".join([HEAD, *said]) + "\n")
    return path


@pytest.fixture
def folder(tmp_path):
    return folder_of(tmp_path, said=[SAID.format(name) for name in OUTCOMES])


def run(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def rows_of(kept):
    return {row["animal"]: row for row in kept.document()["forecasts"]}


def test_what_came_is_told_as_by_hand(folder):
    rows = rows_of(moltspan.kept_forecasts(folder))
    assert {name: (row["outcome"], row["held_80"]) for name, row in rows.items()} == OUTCOMES
    assert rows["A2"]["molt_earliest"] == "2026-05-28" and rows["A2"]["molt_latest"] == "2026-06-03"


def test_the_share_counts_what_can_be_told_with_exact_limits(folder):
    kept = moltspan.kept_forecasts(folder)
    share = kept.document()["shares"][1]
    assert (share["level"], share["molts"], share["held"]) == (0.8, 6, 1)
    # Clopper-Pearson of 1 in 6: the upper limit solves (1-p)^6 + 6 p (1-p)^5 = .025, the lower one 1 - (1-p)^6 = .025
    upper, lower = share["upper"] / 100, share["lower"] / 100
    assert (1 - upper) ** 6 + 6 * upper * (1 - upper) ** 5 == pytest.approx(0.025, abs=1e-6)
    assert 1 - (1 - lower) ** 6 == pytest.approx(0.025, abs=1e-6)
    assert kept.health.state == "bad"  # 80 % lies beyond the upper limit
    # by hand: mean 1/6 of six animals, standard error sqrt(sum (x - mean)^2 / 6 / 5)
    assert share["standard_error"] == pytest.approx(100 * math.sqrt((5 / 6) / 30), rel=1e-9)


def test_several_forecasts_of_one_molt_count_once_and_as_one_cluster(tmp_path):
    again = SAID.replace("2026-02-01,2026-02-01", "2026-03-01,2026-03-01")
    folder_of(tmp_path, said=[SAID.format("A1"), again.format("A1"), SAID.format("A5")])
    share = moltspan.kept_forecasts(tmp_path).document()["shares"][1]
    assert (share["molts"], share["held"], share["forecasts"]) == (2, 1, 3) and share["held_percent"] == pytest.approx(200 / 3)


def test_a_range_that_still_runs_does_not_count_yet(tmp_path):
    journal = "animal,date,event\nA1,2026-01-05,molt\nA1,2026-05-10,molt\nA2,2026-01-05,molt\n"
    folder_of(tmp_path, journal, [SAID.format("A1"), SAID.format("A2")])
    kept = moltspan.kept_forecasts(tmp_path)
    rows = rows_of(kept)
    assert rows["A1"]["held_80"] is True and not rows["A1"]["counted_80"] and rows["A2"]["outcome"] == "running"
    assert kept.document()["shares"][1]["molts"] == 0 and "nothing can be counted" in str(kept)


def test_sentences_are_those_of_a_keeper(folder):
    rows = rows_of(moltspan.kept_forecasts(folder))
    assert sentence(rows["A1"]) == "on 1 February 2026: most likely around 15 May (8 in 10: 1 May to 1 June); it molted on 10 May"
    assert sentence(rows["A2"]).endswith("it molted between 28 May and 3 June, which does not tell whether the range held")
    assert sentence(rows["A3"]).endswith("no molt written down by 1 August") and sentence(rows["A4"]).endswith("it died without a molt; last seen 20 April")
    assert "in the records no more" in sentence(rows["ZZ"]) and "written down otherwise" in sentence(rows["A6"])
    assert spoken("2027-01-02", "2026-12-30") == "2 January 2027"


def test_the_command_tells_share_sentences_and_files(folder, tmp_path):
    files = {name: tmp_path / f"out.{name}" for name in ("json", "csv", "svg", "png")}
    told = run("kept", folder, "--json", files["json"], "--csv", files["csv"], "--plot", files["svg"], "--plot", files["png"], "--remark", "invented records")
    assert told.exit_code == 0, told.stderr
    assert "1 of 6 molts fell into the 8 in 10 range" in told.stdout and "(invented records)" in told.stdout.splitlines()[0]
    assert "A1: on 1 February 2026: most likely around 15 May" in told.stdout and "anything from 0 to 64 %" in told.stdout
    document = json.loads(files["json"].read_text())
    assert document["remark"] == "invented records" and len(document["forecasts"]) == 10
    assert len(list(csv.DictReader(files["csv"].open()))) == 10
    assert "invented records" in files["svg"].read_text() or files["svg"].stat().st_size > 5_000
    alone = run("kept", folder, "--json", "-")
    assert json.loads(alone.stdout)["as_of"] == "2026-08-01"


FAULTS = [("from_80", "01.05.2026", "a day as YYYY-MM-DD"), ("to_80", "2026-04-30", "a day not before from_80"), ("animal", "", "the name of an animal"),
          ("said_on", "2026-01-31", "a day not before records_up_to"), ("even_odds", "", "a day as YYYY-MM-DD")]


@pytest.mark.parametrize(("column", "value", "rule"), FAULTS)
def test_a_faulty_row_is_named_and_the_others_are_answered(tmp_path, column, value, rule):
    cells = SAID.format("A1").split(",")
    cells[COLUMNS.index(column)] = value
    folder_of(tmp_path, said=[SAID.format("A5"), ",".join(cells)])
    told = run("kept", tmp_path)
    assert told.exit_code == 1 and f"{FILE}, row 3" in told.stderr and column in told.stderr and rule in told.stderr
    assert "A5: on 1 February" in told.stdout and "A1: on" not in told.stdout
    strict = run("kept", tmp_path, "--strict")
    assert (strict.exit_code, strict.stdout) == (1, "")


@pytest.mark.parametrize(("content", "said"), [("a,b\n1,2\n", "has no column said_on"), (b"\xff\xfe\x00", "is not UTF-8"), ("", "has no column")])
def test_a_file_that_is_not_ours_is_wrong_usage_and_is_not_written_to(tmp_path, content, said):
    folder_of(tmp_path)
    (tmp_path / FILE).write_bytes(content if isinstance(content, bytes) else content.encode())
    before = (tmp_path / FILE).read_bytes()
    told = run("kept", tmp_path)
    assert told.exit_code == 2 and said in told.stderr and FILE in told.stderr
    if content:
        with pytest.raises(RuntimeError, match="column|UTF-8"):
            moltspan.keep_forecast(small_fit(tmp_path), tmp_path)
        assert (tmp_path / FILE).read_bytes() == before


def test_nothing_kept_yet_says_how_to_begin(tmp_path):
    folder_of(tmp_path)
    told = run("kept", tmp_path)
    assert told.exit_code == 2 and "--keep" in told.stderr and "keep_forecasts = true" in told.stderr
    assert kept_section(tmp_path, moltspan.read(tmp_path)) is None


def small_fit(folder):
    return moltspan.fit(moltspan.read(folder), threads=1, growth_model=False, recalibrate=False)


def test_a_forecast_is_kept_as_it_was_said_and_nothing_is_lost(tmp_path):
    folder_of(tmp_path)
    fit = small_fit(tmp_path)
    there = moltspan.forecast_document(fit, on="2026-08-03")
    n = moltspan.keep_forecast(fit, tmp_path, on="2026-08-03")
    rows = list(csv.DictReader((tmp_path / FILE).open()))
    assert n == len(rows) == sum(bool(animal["next_molt"]) for animal in there["animals"]) > 4
    by_name = {animal["animal"]: animal for animal in there["animals"]}
    for row in rows:
        animal = by_name[row["animal"]]
        bands = {band["level"]: band for band in animal["next_molt"]["bands"]}
        assert (row["said_on"], row["records_up_to"], row["even_odds"]) == ("2026-08-03", "2026-08-01", animal["next_molt"]["median"])
        assert (row["from_80"], row["to_80"], row["last_molt"]) == (bands[0.8]["from"], bands[0.8]["to"], animal["last_molt"]["latest"])
    before = (tmp_path / FILE).read_text()
    assert moltspan.keep_forecast(fit, tmp_path, on="2026-08-03") == 0 and (tmp_path / FILE).read_text() == before
    assert moltspan.keep_forecast(fit, tmp_path, on="2026-08-04") == n and (tmp_path / FILE).read_text().startswith(before)


def test_something_else_said_on_the_same_day_counts_and_the_first_stays_in_the_file(tmp_path):
    folder_of(tmp_path, said=[SAID.format("A1"), SAID.format("A1").replace("2026-05-15", "2026-05-16")])
    assert rows_of(moltspan.kept_forecasts(tmp_path))["A1"]["even_odds"] == "2026-05-16"


def test_rows_of_a_user_and_a_semicolon_file_stay_to_the_letter(tmp_path):
    folder_of(tmp_path)
    old = "\ufeff" + ";".join([*COLUMNS, "mine"]) + "\r\n" + SAID.format("A1").replace(",", ";") + ";a; b\r\nbroken;row"
    (tmp_path / FILE).write_bytes(old.encode())
    n = moltspan.keep_forecast(small_fit(tmp_path), tmp_path)
    text = (tmp_path / FILE).read_bytes().decode()
    assert text.startswith(old + "\n") and n > 4
    kept = moltspan.kept_forecasts(tmp_path)
    assert {problem["row"] for problem in kept.faults} == {3}
    assert [row["outcome"] for row in kept.document()["forecasts"] if row["said_on"] == "2026-02-01"] == ["held"]


def test_names_like_formulas_come_back_as_they_are(tmp_path):
    journal = "animal,date,event\n=A1,2026-01-05,molt\n=A1,2026-03-05,molt\n=A1,2026-05-01,molt\nB,2026-01-05,molt\nB,2026-03-05,molt\n"
    folder_of(tmp_path, journal)
    moltspan.keep_forecast(small_fit(tmp_path), tmp_path)
    assert "'=A1" in (tmp_path / FILE).read_text() and rows_of(moltspan.kept_forecasts(tmp_path))["=A1"]["outcome"] == "running"
    assert moltspan.keep_forecast(small_fit(tmp_path), tmp_path) == 0


def test_with_hindsight_nothing_is_kept(tmp_path):
    folder_of(tmp_path)
    early = moltspan.fit(moltspan.read(tmp_path), as_of="2026-05-15", threads=1, growth_model=False, recalibrate=False)
    with pytest.raises(ValueError, match="hindsight"):
        moltspan.keep_forecast(early, tmp_path)
    told = run("forecast", tmp_path, "--keep", "--as-of", "2026-05-15")
    assert told.exit_code == 2 and "leave --on and --as-of out" in told.stderr and not (tmp_path / FILE).exists()
    ahead = run("forecast", tmp_path, "--keep", "--on", "2199-01-01")
    assert ahead.exit_code == 2 and not (tmp_path / FILE).exists()


def test_the_forecast_command_keeps_what_it_says(tmp_path):
    folder_of(tmp_path)
    plain = run("forecast", tmp_path, "--on", "2026-08-03")
    assert plain.exit_code == 0 and not (tmp_path / FILE).exists()
    told = run("forecast", tmp_path, "--on", "2026-08-03", "--keep")
    assert told.exit_code == 0 and re.search(rf"kept in .*{FILE}: \d+ forecasts of 2026-08-03", told.stdout)
    again = run("forecast", tmp_path, "--on", "2026-08-03", "--keep")
    assert "holds all that was said on 2026-08-03 already" in again.stdout
    assert json.loads(run("forecast", tmp_path, "--on", "2026-08-03", "--keep", "--json", "-").stdout)["on"] == "2026-08-03"


def test_folder_toml_says_whether_forecasts_are_kept(tmp_path):
    assert not keeps_forecasts(tmp_path)
    for text, kept in (('date_order = "day_first"\n', False), ("keep_forecasts = true\n", True), ("keep_forecasts = false\n", False)):
        (tmp_path / "folder.toml").write_text(text)
        assert keeps_forecasts(tmp_path) == kept
    (tmp_path / "folder.toml").write_text('keep_forecasts = "yes"\n')
    with pytest.raises(ValueError, match="keep_forecasts = 'yes': write true or false"):
        keeps_forecasts(tmp_path)


def test_a_line_in_folder_toml_keeps_each(tmp_path):
    folder_of(tmp_path)
    (tmp_path / "folder.toml").write_text('date_order = "day_first"\nkeep_forecasts = true\n')
    told = run("forecast", tmp_path, "--on", "2026-08-03")
    assert told.exit_code == 0 and "kept in" in told.stdout, told.stderr
    hindsight = run("forecast", tmp_path, "--as-of", "2026-05-15")  # nobody asked for that to be kept
    assert hindsight.exit_code == 0 and "kept in" not in hindsight.stdout
    (tmp_path / "folder.toml").write_text('keep_forecasts = "yes"\n')
    assert run("forecast", tmp_path).exit_code == 2


def _keep(folder, day):
    moltspan.keep_forecast(small_fit(folder), folder, on=day)


def test_two_that_keep_at_once_lose_nothing(tmp_path):
    folder_of(tmp_path)
    days = [f"2026-08-{day:02}" for day in range(3, 9)]
    writers = [multiprocessing.get_context("spawn").Process(target=_keep, args=(tmp_path, day)) for day in days]
    [one.start() for one in writers], [one.join(120) for one in writers]
    said = [row["said_on"] for row in csv.DictReader((tmp_path / FILE).open())]
    assert {said.count(day) for day in days} == {len(said) // len(days)} and len(said) > 20


def test_the_picture_marks_hits_and_misses(folder):
    ax = moltspan.plot_kept(moltspan.kept_forecasts(folder), title="Kept - invented records")
    marks = [line.get_marker() for line in ax.lines]
    assert marks.count("X") == 3 and ax.get_title(loc="left") == "Kept - invented records"  # A5, A7, A8
    assert [label.get_text() for label in ax.get_yticklabels()][-1] == "A1, said 2026-02-01"
    drawn = [line for line in ax.lines if line.get_marker() == "o" and line.get_markerfacecolor() == "white"]
    assert len(drawn) == 4  # A3, A4, A6, A9: watched until then


def test_the_section_of_the_report_has_lines_and_sentences(folder):
    section = kept_section(folder, moltspan.read(folder))
    assert section["lines"][0].startswith("1 of 6 molts") and len(section["rows"]) == len(section["sentences"]) == 10
    assert ("A1", "on 1 February 2026: most likely around 15 May (8 in 10: 1 May to 1 June); it molted on 10 May") in section["sentences"]


def test_a_molt_on_the_last_day_of_the_range_is_inside(tmp_path):
    journal = "animal,date,event\nA1,2026-01-05,molt\nA1,2026-06-01,molt\nA2,2026-01-05,molt\nA2,2026-06-02,molt\n"
    folder_of(tmp_path, journal, [SAID.format("A1"), SAID.format("A2")])
    rows = rows_of(moltspan.kept_forecasts(tmp_path))
    assert rows["A1"]["outcome"] == "held" and rows["A2"]["outcome"] == "late"
    assert Path(tmp_path / FILE).exists() and date.fromisoformat(rows["A1"]["to_80"]) == date(2026, 6, 1)


def test_the_report_tells_what_became_of_kept_forecasts(folder, tmp_path):
    collection = moltspan.read(folder)
    page = moltspan.report(collection, look_back="none", folder=folder)
    assert "Forecasts that were kept" in page and "it molted on 10" in page and "<svg" in page[page.index("Forecasts that were kept"):]
    assert "Forecasts that were kept" not in moltspan.report(collection, look_back="none")


def test_names_in_the_kept_picture_are_escaped(tmp_path):
    name = "<script>alert(1)</script>&"
    folder = folder_of(tmp_path, 'animal,date,until,event\n"' + name + '",2026-01-05,,molt\n"' + name + '",2026-05-10,,molt\n', names=[name],
                       said=[SAID.format(f'"{name}"')])
    page = moltspan.report(moltspan.read(folder), look_back="none", folder=folder)
    assert "<script>alert" not in page and "Forecasts that were kept" in page
