"""What the subcommands share: reading a folder, days in options, writing JSON, and how wrong usage is said."""

import json
import sys
from contextlib import contextmanager
from pathlib import Path

import typer

from moltspan.visible import visible

WRONG_USAGE = 2
PATIENCE_SECONDS = 0.7  # work shorter than this shows no sign of waiting


def wrong_usage(command, trouble):
    """Ends the command with status 2; `trouble` says what to do instead."""
    text = str(trouble).removeprefix(f"{command}: ")  # functions name themselves as the command does
    print(visible(f"moltspan {command}: {text}", keep="\n"), file=sys.stderr)
    raise typer.Exit(WRONG_USAGE) from None


def day_option(option, text):
    """The date of an option, None where it was not given."""
    from moltspan import frames

    try:
        return frames.day_of(frames.day_number(text or None))
    except ValueError as trouble:
        raise typer.BadParameter(f"{option} {text}: {trouble}") from None


def read_collection(command, folder, **options):
    """The records of a folder; one that is not there or cannot be read is wrong usage, not a faulty record."""
    import moltspan

    try:
        return moltspan.read(folder, **options)
    except (OSError, RuntimeError, ImportError) as trouble:
        wrong_usage(command, trouble)


def say_faults(collection, strict, day=None, dated=True):
    """Lists the faults on standard error and returns their number; with `strict` any of them ends the command with status 1.

    So do faults that leave no dated record to answer from, where the answer is `dated` and no `day` was given.
    """
    from moltspan import tables

    faults = tables.print_faults(rows(collection.problems()))
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
    text = json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    if file == "-":
        sys.stdout.write(text)
    else:
        Path(file).write_text(text, encoding="utf-8")


@contextmanager
def as_wrong_usage(command, *troubles):
    """Troubles that the user's arguments or files are the cause of end the command as wrong usage."""
    try:
        yield
    except troubles as trouble:
        wrong_usage(command, trouble)


@contextmanager
def waiting(text):
    """A sign of life on standard error, on a terminal only and only if the work is long."""
    if not sys.stderr.isatty():
        yield
        return
    from threading import Timer

    from rich.console import Console

    status = Console(stderr=True).status(text)
    timer = Timer(PATIENCE_SECONDS, status.start)
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
        status.stop()
