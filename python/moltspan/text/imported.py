"""Wording of what was understood of a table that was taken in."""

from moltspan._frames.visible import visible

MOST_CELLS = 12
WIDE_TEXT = 36


def import_lines(result, every_cell=False):
    """What each column was taken as, what was assumed, and what found no place."""
    rows = [[row["sheet"], row["heading"], row["taken as"], str(row["cells"]), row["for example"]] for row in result._understood]
    sheets = any(row[0] for row in rows)
    head = ["sheet", "heading", "taken as", "cells", "for example"]
    lines = ["What was understood:", *_columns([head, *rows] if sheets else [row[1:] for row in [head, *rows]])]
    lines += [f"Title: {visible(title)}" for title in result.titles]
    if result.assumptions or result.unsettled:
        lines += ["", "Assumed, as the table does not say it:"]
        lines += [f"- {order_line(*one)}" for one in result.unsettled] + [f"- {visible(what)}" for what in result.assumptions]
    return lines + _not_placed(result._not_placed, every_cell)


def order_line(sheet, order, contradicts):
    """How dates of three numbers were read where they do not settle it."""
    where = f"in {visible(sheet)} " if sheet else ""
    read = "the day first, as 3.4.2024 = 3 April" if order == "day_first" else "the month first, as 3/4/2024 = March 4"
    why = "some dates fit one order only, others the other" if contradicts else "every such date fits both orders"
    return f"dates of three numbers {where}are read with {read}: {why} (--date-order settles it)"


def _not_placed(cells, every_cell):
    if not cells:
        return ["", "Every cell found its place."]
    shown = cells if every_cell else cells[:MOST_CELLS]
    kept = f"{len(cells)} cells found no place; they are" if len(cells) > 1 else "One cell found no place; it is"
    lines = ["", f"{kept} kept in not_placed.csv:"]
    lines += [f"- {visible(cell['sheet'] + ', ' if cell['sheet'] else '')}{cell['cell']} {visible(_short(cell['text']))}: {cell['why']}" for cell in shown]
    return lines + ([f"  and {len(cells) - len(shown)} more"] if len(cells) > len(shown) else [])


def written_lines(folder, result, paths):
    """What was written, and what to do next."""
    molts = sum(row["event"] == "molt" for row in result._journal)
    counts = f"{len(result._animals)} animals, {len(result._journal)} rows in the journal, {molts} of them molts"
    return [f"Written to {visible(folder)}: {', '.join(path.name for path in paths)} ({counts}).", f"Now: moltspan check {visible(folder)}"]


def _columns(rows):
    texts = [[visible(_short(text)) for text in row] for row in rows]
    widths = [max(len(row[column]) for row in texts) for column in range(len(texts[0]))]
    return ["  " + "  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip() for row in texts]


def _short(text):
    plain = " ".join(text.split())
    return plain if len(plain) <= WIDE_TEXT else plain[:WIDE_TEXT - 3] + "..."
