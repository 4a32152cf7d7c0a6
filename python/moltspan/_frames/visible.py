"""Texts of users where people read them, and where a spreadsheet does.

A name may hold anything. Control characters would move the cursor, set a terminal's title or make a picture no XML, and turned directions would
make one name look like another: they are shown as escapes (`\\x1b`, `\\u202e`) on terminals and in plain text, HTML, SVG and calendar
files. CSV and JSON hold the name as it is, but for formulas (`spreadsheet_cell`).
"""

import re

# Control characters, marks that turn the direction, line separators, halves of characters, and what XML has no place for.
HIDDEN = re.compile("[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ufff9-\ufffb\ufffe\uffff\ud800-\udfff]")
FORMULA = re.compile(r"[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
ONLY_FIGURES = re.compile(r"[-+]?[\d.,()%\s]*")  # a negative number, or one with another behind it: nothing that is worked out


def visible(text, keep=""):
    """The text with control characters as escapes; those of `keep` stay."""
    return HIDDEN.sub(lambda found: found[0] if found[0] in keep else found[0].encode("unicode_escape").decode(), str(text))


def markup(text):
    """The same for `rich`, whose marks are escaped too."""
    from rich.markup import escape

    return escape(visible(text))


def html(text):
    """The same for HTML."""
    from html import escape

    return escape(visible(text))


def spreadsheet_cell(text):
    """A text as a cell of a CSV file: one that a spreadsheet would take for a formula has an apostrophe in front; numbers stay numbers."""
    return f"'{text}" if FORMULA.match(text) and not ONLY_FIGURES.fullmatch(text) else text


def write_csv(out, head, rows):
    """All CSV that is meant for spreadsheets is written here: texts, blanks for None, no formula."""
    import csv

    from moltspan._frames import frames

    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([spreadsheet_cell(str(name)) for name in head])
    writer.writerows([spreadsheet_cell(value) if isinstance(value, str) else frames.text_of(value) for value in row] for row in rows)
