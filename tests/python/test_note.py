"""`moltspan note`: words become checked rows of journal.csv, or nothing is written. `moltspan undo`: they are taken back."""

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
    command = [sys.executable, "-c", "from moltspan.cli.app import main; main()", "note", str(folder), *words]
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
    assert result.stdout.splitlines()[0] == "A12 molted on Sunday 1 March 2026; leg span 5 cm"
    assert "written to" in result.stdout.splitlines()[1] and "undo" in result.stdout


def test_words_need_no_quotes(folder):
    assert note(folder, "A12", "B3", "ate", "--date", "2026-03-01").returncode == 0
    added = journal_lines(folder)[2:]
    assert all("2026-03-01" in line and "ate" in line for line in added)
    assert "A12" in "".join(added) and "B3" in "".join(added)


def test_today_is_the_default(folder):
    before = date.today()
    assert note(folder, "A12 ate").returncode == 0
    assert journal_lines(folder)[-1].split(",")[1] in {before.isoformat(), date.today().isoformat()}


@pytest.mark.parametrize(("words", "named"), [("Z9 ate", "'Z9'"), ("A12 danced", "danced"), ("A12", "event"), ("A12 leg_span 5 parsecs", "parsecs"),
                                                ("A12 leg_span", "reading"), ("A12 premolt", "A12 darkened"), ("A12 molr", "did you mean: A12 molt")])
def test_what_is_not_understood_is_not_written(folder, words, named):
    result = note(folder, words, "--date", "2026-03-01")
    assert (result.returncode, result.stdout) == (2, "")
    assert named in result.stderr and "Traceback" not in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert (folder / "journal.csv").read_text() == JOURNAL


@pytest.mark.parametrize(("words", "named"), [("A12 leg_span 900cm", "900"), ("A12 mass 1e6 g", "1e6")])
def test_a_faulty_row_is_not_written(folder, words, named):
    result = note(folder, words, "--date", "2026-03-01")
    assert result.returncode == 1 and "written" not in result.stdout
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


@pytest.mark.parametrize(("words", "said"), [
    ("A12 molted between 20 and 25 Feb, 50mm", "A12 molted between 20 and 25 February 2026; leg span 50 mm"),
    ("A12 and B3 ate yesterday", "A12 and B3 ate on Saturday 28 February 2026"),
    ("all refused a cricket", "A12 and B3 refused food (cricket) on Sunday 1 March 2026"),
    ("B3 is probably female", "B3 is probable female on Sunday 1 March 2026"),
    ("found a skin in A12's box, 2\" on the skin", "A12 molted since last seen: a skin was found on Sunday 1 March 2026; leg span 2 in of the skin"),
    ("A12 molted between 28 Jan and 2 Feb", "A12 molted between 28 January and 2 February 2026"),
    ("A12 rehoused to 20x20x30cm", "A12 moved to 20x20x30cm on Sunday 1 March 2026"),
    ("mold in A12's box", "A12 had an enclosure that has mold on Sunday 1 March 2026"),
    ("A12 weighs 12g", "A12: mass 12 g on Sunday 1 March 2026"),
    ("A12 24C", "A12 was kept at 24 C since the last such row on Sunday 1 March 2026"),
])
def test_what_was_understood_is_said_in_a_plain_sentence(folder, words, said):
    result = note(folder, words, "--date", "2026-03-01")
    assert (result.returncode, result.stderr) == (0, "")
    assert result.stdout.splitlines()[0] == said


def test_animals_that_are_left_out_are_named(folder):
    result = note(folder, "fed all but B3", "--date", "2026-03-01")
    assert "nothing is written of B3" in result.stdout
    assert journal_lines(folder)[-1].startswith("A12,2026-03-01,,fed")


def test_a_number_behind_a_molt_is_asked_about_where_lengths_have_a_usual_unit(folder):
    (folder / "folder.toml").write_text('[units]\nlength = "cm"\n')
    asked = note(folder, "A12 molt 5", "--date", "2026-03-01")
    assert asked.returncode == 2 and "instar 5" in asked.stderr and "5cm" in asked.stderr
    assert note(folder, "A12 molt instar 5", "--date", "2026-03-01").returncode == 0
    assert note(folder, "A12 rehoused to 20x20x30", "--date", "2026-03-01").returncode == 0


def test_doubts_that_check_knows_are_asked_about(folder):
    (folder / "animals.csv").write_text("animal,taxon,sex\nA12,Brachypelma hamorii,male\nB3,Damon diadema,\n")
    (folder / "journal.csv").write_text(JOURNAL + "A12,2026-01-01,,matured,,,,,\nB3,2026-01-02,,molt,,,,,\nB3,2026-01-02,,leg_span,92,mm,animal,,\n")
    before = (folder / "journal.csv").read_text()
    for words in ("A12 molt", "B3 molt 5cm", "A12 ate 2099-01-01"):
        result = note(folder, words)
        assert result.returncode == 1 and "--accept-doubts" in result.stderr, words
        assert (folder / "journal.csv").read_text() == before


def test_undo(folder):
    command = [sys.executable, "-c", "from moltspan.cli.app import main; main()", "undo", str(folder)]
    assert note(folder, "A12 molt 5cm", "--date", "2026-03-01").returncode == 0
    assert (folder / "journal.before_note.csv").read_text() == JOURNAL
    undone = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert (undone.returncode, undone.stderr) == (0, "") and "leg_span" in undone.stdout
    assert (folder / "journal.csv").read_text() == JOURNAL
    again = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert again.returncode == 2 and "no note to take back" in again.stderr


def test_two_notes_at_once_are_both_written(folder):
    code = "from moltspan.cli.app import main; main()"
    running = [subprocess.Popen([sys.executable, "-c", code, "note", str(folder), f'A12 ate "{i}"', "--date", "2026-03-01"], stdout=subprocess.DEVNULL)
               for i in range(4)]
    assert [process.wait(timeout=300) for process in running] == [0] * 4
    assert sorted(line.split(",")[7] for line in journal_lines(folder)[2:]) == list("0123")


def test_letters_in_another_encoding_are_refused(folder):
    result = note(folder, b"A12 ate \"M\xfcller\"")
    assert result.returncode == 2 and "UTF-8" in result.stderr and "mistake in moltspan" not in result.stderr
    assert (folder / "journal.csv").read_text() == JOURNAL


def test_a_pipe_in_place_of_a_table_is_refused(folder):
    import os

    (folder / "journal.csv").unlink()
    os.mkfifo(folder / "journal.csv")
    result = note(folder, "A12 ate")
    assert result.returncode == 2 and "a pipe or a device" in result.stderr
    os.mkfifo(folder / "book.xlsx")
    with pytest.raises(RuntimeError, match="a pipe or a device"):
        moltspan.read(folder / "book.xlsx")
