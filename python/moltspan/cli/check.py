"""`moltspan check FOLDER`: what is wrong with the records."""

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer

from moltspan import _core
from moltspan.text import tables
from moltspan.cli.shared import day_option, read_collection, rows, say_faults, waiting, write_json, wrong_usage
from moltspan.text.facts import sharpen_lines

STATUSES = ("closed", "running", "died", "left")


def check(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with animals.csv and journal.csv, or a workbook.")],
    as_of: Annotated[str | None, typer.Option(metavar="DATE", help="Last day on which they were watched; later rows are not used. Default: the last entry.")] = None,
    strict: Annotated[bool, typer.Option("--strict", help="Give no summary while any record is faulty.")] = False,
    json_file: Annotated[str | None, typer.Option("--json", metavar="FILE", help="Write JSON; - for standard output, alone.")] = None,
):
    """List every fault and doubt in the records, and what can be used of them."""
    day = day_option("--as-of", as_of)
    collection = read_collection("check", folder)
    problems = rows(collection.problems())
    n_faults = say_faults(collection, strict, dated=False)
    with waiting("checking the records"):
        document = _document(collection, day, problems)
    if json_file:
        _write_json(document, json_file)
    if json_file != "-":
        _print(document)
    raise typer.Exit(1 if n_faults else 0)


def add_to(app):
    """Registers the command."""
    app.command("check")(check)


def _document(collection, day, problems):
    """What `check` tells, as JSON holds it."""
    day = day or collection.as_of
    dated = day is not None and collection.as_of is not None
    table = collection._stadia_table(day) if dated else None
    histories = table.animals if dated else []
    statuses = Counter(_statuses(collection, day) if dated else ())
    return {"as_of": day.isoformat() if day else None, "watched": "all",
            "animals": len(collection._core_collection.animals),
            "set_aside": sorted(animal.id for animal in collection._core_collection.animals if animal.set_aside),
            "molts": sum(len(history.molts) for history in histories),
            "stadia": {status: statuses[status] for status in STATUSES},
            "stadia_without_start": sum(history.stadia_without_start for history in histories), "problems": problems,
            "temperatures": [{"place": place or None, "days": n, "first": first.isoformat(), "last": last.isoformat()}
                             for place, n, first, last in collection._temperature_days()],
            "would_sharpen": _would_sharpen(collection, table) if dated else []}


def _would_sharpen(collection, table):
    """Facts that nobody has stated, the one that would make most forecasts narrower first."""
    return [{"fact": missing.what, "of": missing.of or None, "animals": missing.animals, "narrower_by": round(missing.narrower, 3)}
            for missing in _core.missing_facts(collection._core_collection, table)]


def _statuses(collection, day):
    return [row["status"] for row in rows(collection.stadia(as_of=day))]


def _print(document):
    """The same for people; faults have been said on standard error."""
    doubts = [tables.problem_line(problem) for problem in document["problems"] if not tables.is_fault(problem)]
    tables.say_lines(doubts + [""] * bool(doubts))
    lines = sharpen_lines(document["would_sharpen"])
    tables.say_lines(lines + [""] * bool(lines))
    tables.say_pairs(_counts(document, len(doubts)))


def _counts(document, n_doubts):
    aside = f", {len(document['set_aside'])} of them set aside" if document["set_aside"] else ""
    stadia = ", ".join(f"{n} {status}" for status, n in document["stadia"].items())
    return [["as of", document["as_of"] or "no date in the records yet"], ["animals", f"{document['animals']}{aside}"],
            ["molts", str(document["molts"])],
            ["stadia", f"{stadia}; {document['stadia_without_start']} more whose start is not known"],
            *_temperatures(document["temperatures"]), ["problems", f"{_count(len(document['problems']) - n_doubts, 'fault')}, {_count(n_doubts, 'doubt')}"]]


def _temperatures(places):
    told = [f"{_count(place['days'], 'day')} {'everywhere' if place['place'] is None else 'at ' + place['place']}, {place['first']} .. {place['last']}"
            for place in places]
    return [["temperatures", "; ".join(told)]] if told else []


def _count(n, word):
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def _write_json(document, file):
    try:
        write_json(document, file)
    except OSError as trouble:
        wrong_usage("check", trouble)
