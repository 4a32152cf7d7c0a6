"""`moltspan import FILE FOLDER`: the spreadsheet that somebody has, as a folder of records."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from moltspan.cli.shared import as_wrong_usage, wrong_usage

ORDERS = ("day_first", "month_first")


def import_(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A workbook (.xlsx, .xls, .ods) or a CSV file, as it is.")],
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where to write animals.csv and journal.csv; one without records.")],
    map_: Annotated[list[str] | None, typer.Option("--map", metavar='"HEADING=MEANING"', help='What a heading means, such as "Shed=molt", "Size=leg_span cm", "Price=keep"; again for others.')] = None,
    date_order: Annotated[str | None, typer.Option("--date-order", metavar="<day_first|month_first>", help="How 3/4/2024 is meant, where the dates do not tell.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Write without asking.")] = False,
):
    """Take in a spreadsheet as it is: show what was understood, write animals.csv and journal.csv, lose no cell."""
    import moltspan
    from moltspan.text.imported import import_lines, written_lines

    if date_order not in (None, *ORDERS):
        wrong_usage("import", f"--date-order {date_order}: day_first or month_first")
    asked = _asked(map_ or [])
    with as_wrong_usage("import", OSError, RuntimeError, ValueError):
        result = moltspan.import_table(file, map=asked, date_order=date_order)
        if result.unsettled and not yes and _on_terminal():
            result = moltspan.import_table(file, map=asked, date_order=_ask_order(result.unsettled))
    print("\n".join([*import_lines(result), ""]))
    if not yes and _on_terminal() and not typer.confirm(f"Write this to {folder}?", default=True):
        print("nothing was written; --map \"Heading=meaning\" changes what a column is taken as", file=sys.stderr)
        raise typer.Exit(1)
    with as_wrong_usage("import", OSError):
        paths = result.write(folder)
    print("\n".join(written_lines(folder, result, paths)))
    if len(result.not_placed):
        raise typer.Exit(1)


def add_to(app):
    """Registers the command."""
    app.command("import")(import_)


def _on_terminal():
    return sys.stdin.isatty() and sys.stdout.isatty()


def _ask_order(unsettled):
    order = unsettled[0][1] == "day_first"
    return ORDERS[0] if typer.confirm("Is 3/4/2024 the 3rd of April (day first)?", default=order) else ORDERS[1]


def _asked(texts):
    pairs = [text.rpartition("=") for text in texts]
    for text, (heading, sign, meaning) in zip(texts, pairs, strict=True):
        if not sign or not heading.strip() or not meaning.strip():
            wrong_usage("import", f'--map {text!r}: write a heading, = and its meaning, as in --map "Shed=molt"')
    return {heading.strip(): meaning.strip() for heading, _, meaning in pairs}
