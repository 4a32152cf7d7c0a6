"""`moltspan note`: one line of words becomes checked rows of journal.csv, or nothing is written."""

import subprocess
import sys
from datetime import date

import pytest

import moltspan

ANIMALS = "animal,taxon\nA12,Brachypelma hamorii\nB3,Damon diadema\n"
JOURNAL = "animal,date,until,event,value,unit,on,note,by\nA12,2026-01-01,,molt,,,,,jo\n"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "animals.csv").write_text(ANIMALS)
    (tmp_path / "journal.csv").write_text(JOURNAL)
    return tmp_path


def note(folder, *words):
    command = [sys.executable, "-c", "from moltspan.command_line import main; main()", "note", str(folder), *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, stdin=subprocess.DEVNULL)


def journal_lines(folder):
    return (folder / "journal.csv").read_text().splitlines()


def test_a_molt_with_a_size_is_two_rows(folder):
    result = note(folder, "A12 molt 5cm", "--date", "2026-03-01")
    assert (result.returncode, result.stderr) == (0, "")
    assert journal_lines(folder)[:2] == JOURNAL.splitlines()
    assert len(journal_lines(folder)) == 4
    stadia = moltspan.read(folder).stadia()
    assert stadia["min_days"].iloc[0] == 59  # 30 + 28 + 1
    assert stadia["start_size_mm"].iloc[1] == 50
    assert result.stdout.count("written to") == 2


def test_words_need_no_quotes(folder):
    assert note(folder, "A12", "B3", "ate", "--date", "2026-03-01").returncode == 0
    added = journal_lines(folder)[2:]
    assert all("2026-03-01" in line and "ate" in line for line in added)
    assert "A12" in "".join(added) and "B3" in "".join(added)


def test_today_is_the_default(folder):
    before = date.today()
    assert note(folder, "A12 ate").returncode == 0
    assert journal_lines(folder)[-1].split(",")[1] in {before.isoformat(), date.today().isoformat()}


@pytest.mark.parametrize(("words", "named"), [("Z9 ate", "'Z9'"), ("A12 danced", "danced"), ("A12", "event")])
def test_what_is_not_understood_is_not_written(folder, words, named):
    result = note(folder, words, "--date", "2026-03-01")
    assert (result.returncode, result.stdout) == (2, "")
    assert named in result.stderr and "Traceback" not in result.stderr
    assert (folder / "journal.csv").read_text() == JOURNAL


@pytest.mark.parametrize(("words", "named"), [("A12 leg_span 900cm", "900"), ("A12 leg_span 5 parsecs", "parsecs"), ("A12 leg_span", "value")])
def test_a_faulty_row_is_not_written(folder, words, named):
    result = note(folder, words, "--date", "2026-03-01")
    assert (result.returncode, result.stdout) == (1, "")
    assert "A12" in result.stderr and named in result.stderr and "nothing was written" in result.stderr
    assert (folder / "journal.csv").read_text() == JOURNAL


def test_a_doubtful_row_is_written_only_when_accepted(folder):
    assert note(folder, "A12 ate", "--date", "2026-03-01").returncode == 0
    once = (folder / "journal.csv").read_text()
    again = note(folder, "A12 ate", "--date", "2026-03-01")
    assert again.returncode == 1 and "--accept-doubts" in again.stderr
    assert (folder / "journal.csv").read_text() == once
    assert note(folder, "A12 ate", "--date", "2026-03-01", "--accept-doubts").returncode == 0
    assert len(journal_lines(folder)) == 4


@pytest.mark.parametrize("arguments", [["A12 ate", "--date", "2026-02-30"], ["--bogus"]])
def test_wrong_usage(folder, arguments):
    result = note(folder, *arguments)
    assert (result.returncode, result.stdout) == (2, "")
    assert arguments[-1] in result.stderr


def test_no_folder(tmp_path):
    result = note(tmp_path / "nowhere", "A12 ate")
    assert result.returncode == 2 and "nowhere" in result.stderr and "Traceback" not in result.stderr
