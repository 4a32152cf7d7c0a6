"""What the subcommands share: reading a folder, days in options, writing JSON, and how wrong usage is said."""

import json
import re
import sys
from contextlib import contextmanager
from datetime import date, timedelta

import typer

from moltspan._frames.files import replace_file
from moltspan._frames.visible import visible

WRONG_USAGE = 2


def wrong_usage(command, trouble):
    """Ends the command with status 2; `trouble` says what to do instead."""
    text = str(trouble).removeprefix(f"{command}: ")  # functions name themselves as the command does
    print(visible(f"moltspan {command}: {text}", keep="\n"), file=sys.stderr)
    raise typer.Exit(WRONG_USAGE) from None


WORDS_OF_DAYS = {"today": 0, "tomorrow": 1, "yesterday": -1}
DAYS_FROM_TODAY = re.compile(r"([+-]\d{1,5})\s*d?", re.ASCII)


def day_option(option, text, today=None):
    """The date of an option, None where it was not given: YYYY-MM-DD, today, tomorrow, yesterday, or days from today as +14d."""
    if not text:
        return None
    from moltspan._frames import frames

    word, today = text.strip().lower(), today or date.today()
    counted = DAYS_FROM_TODAY.fullmatch(word)
    try:
        if word in WORDS_OF_DAYS or counted:
            word = (today + timedelta(days=int(counted[1]) if counted else WORDS_OF_DAYS[word])).isoformat()
        return frames.day_of(frames.day_number(word))
    except (ValueError, OverflowError) as trouble:
        raise typer.BadParameter(f"{option} {text}: {trouble}; today, tomorrow and +14d are read too") from None


def answer_day(on, as_of, collection):
    """The day of an answer: `on` where it was given, else the `as_of` that was stated, else today."""
    if on is not None or as_of is not None:
        return on or as_of
    return max(date.today(), collection.as_of or date.min)


def read_collection(command, folder):
    """The records of a folder; one that is not there or cannot be read is wrong usage, not a faulty record."""
    import moltspan

    try:
        return moltspan.read(folder, today=date.today())
    except (OSError, RuntimeError, ImportError) as trouble:
        wrong_usage(command, trouble)


def say_faults(collection, strict, day=None, dated=True):
    """Lists the faults, and the doubtful days beyond the end of the records, on standard error and returns the number of faults; with `strict`
    any of them ends the command with status 1.

    So do faults that leave no dated record to answer from, where the answer is `dated` and no `day` was given.
    """
    from moltspan.text import tables

    problems = rows(collection.problems())
    faults = tables.print_faults(problems)
    tables.print_days_beyond(problems, collection.as_of)
    if strict and faults:
        print(f"--strict: nothing is answered while {faults} fault(s) stand", file=sys.stderr)
        raise typer.Exit(1)
    if dated and faults and day is None and collection.as_of is None:
        print("no dated record is left without a fault: nothing can be answered until they are mended", file=sys.stderr)
        raise typer.Exit(1)
    return faults


def rows(frame):
    """A frame as plain dicts, whatever its kind."""
    import narwhals

    return list(narwhals.from_native(frame).iter_rows(named=True))


def write_json(document, file):
    """To a file, or to standard output where `file` is `-`. Raises OSError."""
    in_unicode = file != "-" or (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"
    text = json.dumps(document, ensure_ascii=not in_unicode, indent=1, allow_nan=False) + "\n"
    if file == "-":
        sys.stdout.write(text)
    else:
        replace_file(file, text)


@contextmanager
def as_wrong_usage(command, *troubles):
    """Troubles that the user's arguments or files are the cause of end the command as wrong usage."""
    try:
        yield
    except troubles as trouble:
        wrong_usage(command, trouble)


@contextmanager
def waiting(text, total=None):
    """A bar on standard error, on a terminal only and only if the work is long; `total`: parts of it, as the calls within count them."""
    from moltspan._frames.progress import working

    with working(text, total=total):
        yield
