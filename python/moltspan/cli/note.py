"""`moltspan note FOLDER "A12 molt 5cm"`: what happened, as rows of the journal. `moltspan undo FOLDER`: the last ones taken back."""

import sys
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from moltspan.text import tables
from moltspan.cli.shared import as_wrong_usage, day_option, read_collection, wrong_usage


def note(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with animals.csv and journal.csv.")],
    words: Annotated[list[str], typer.Argument(metavar="WORDS...", help='Such as "A12 molt 5cm", "fed all but C3", "B2 molted last Tuesday".')],
    day: Annotated[str | None, typer.Option("--date", metavar="DATE", help="Day the note is of, YYYY-MM-DD; default: today.")] = None,
    accept_doubts: Annotated[bool, typer.Option("--accept-doubts", help="Write it even though it is doubtful.")] = False,
):
    """Add what happened to journal.csv, checked first; a faulty or doubtful row is not written."""
    from moltspan import _core
    from moltspan._frames import frames

    today = date.today()
    on = day_option("--date", day) or today
    journal = _journal("note", folder)
    collection = read_collection("note", folder)
    reading = _core.read_note(collection._core_collection, _text(words), frames.day_number(on))
    if reading.problems:
        _print_problems(reading.problems)
        raise typer.Exit(2)
    _echo(reading)
    with as_wrong_usage("note", OSError, RuntimeError):
        found = _core.add_to_journal(journal, reading.rows, frames.day_number(today), accept_doubts)
    _print_problems(found)
    only_doubts = all(problem.severity == "doubt" for problem in found)
    if found and not (accept_doubts and only_doubts):
        print("nothing was written" + ("; add --accept-doubts to write it all the same" if only_doubts else ""), file=sys.stderr)
        raise typer.Exit(1)
    print(f"written to {journal}; moltspan undo takes it back")


def undo(folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with animals.csv and journal.csv.")]):
    """Take back the rows that the last note wrote, unless the journal was changed since."""
    from moltspan import _core

    journal = _journal("undo", folder)
    with as_wrong_usage("undo", OSError, RuntimeError):
        lines = _core.undo_note(journal)
    print("\n".join([f"taken back from {journal}:", *(f"  {line}" for line in lines)]))


def add_to(app):
    """Registers both commands."""
    app.command("note")(note)
    app.command("undo")(undo)


def _journal(command, folder):
    journal = folder / "journal.csv"
    if not journal.exists() and not journal.is_symlink():
        wrong_usage(command, f"{journal}: no such file; a note belongs into the journal.csv of a folder")
    return journal


def _text(words):
    """The words as one text; bytes that the terminal sent in another encoding than UTF-8 cannot be read."""
    text = " ".join(words)
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as trouble:
        wrong_usage("note", f"the letter at place {trouble.start + 1} of the note is not in UTF-8; nothing was written: "
                            "set the terminal to UTF-8, or write it without that letter")
    return text


def _echo(reading):
    """What was understood, before it is written."""
    from moltspan.text.note import note_sentences

    print("\n".join(note_sentences(reading.said, reading.left_out)), flush=True)


def _print_problems(problems):
    from moltspan.records.records import PROBLEM_COLUMNS

    plain = [{name: getattr(problem, name) for name in PROBLEM_COLUMNS} for problem in problems]
    tables.say_lines([tables.problem_line(problem) for problem in plain], sys.stderr)
