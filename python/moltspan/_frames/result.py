"""What results share: a state of health in words, and tables as text, HTML, CSV and LaTeX."""

import io
import math
import re
from dataclasses import dataclass

import numpy as np

from moltspan._frames import frames
from moltspan._frames.calls import check_methods
from moltspan._frames.files import replace_file
from moltspan._frames.visible import html as escape
from moltspan._frames.visible import visible, write_csv

ORDER = ("good", "warning", "bad")
ASSOCIATION = "not assigned by design: an association; whatever else differs between the groups is in it too"
ASSIGNED = "assigned by design (as stated): the difference may be read as an effect of the treatment"
LATEX = {"\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{", "}": r"\}",
         "~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "<": r"\textless{}", ">": r"\textgreater{}"}


@dataclass(frozen=True)
class Health:
    """State of a result: "good", "warning" or "bad", and the notes that made it so."""

    state: str
    notes: tuple

    @classmethod
    def of(cls, notes, unit="days"):
        """From the notes of the core: the worst state counts. `unit`: of lengths, which the core takes for days."""
        found = tuple((note.state.name, note.topic, note.text if unit == "days" else re.sub(r"(?<=\d) days", f" {unit}", note.text)) for note in notes)
        return cls(max((state for state, _, _ in found), key=ORDER.index, default="good"), found)

    def with_notes(self, notes):
        """The same with further notes, (state, topic, text) each."""
        return Health(max((self.state, *(state for state, *_ in notes)), key=ORDER.index), self.notes + tuple(notes))

    def __str__(self):
        if not self.notes:
            return self.state
        return self.state + ": " + "; ".join(dict.fromkeys(text for _, _, text in self.notes))


def design_fact(assigned):
    """What a difference of groups may be taken for."""
    return "reading", ASSIGNED if assigned else ASSOCIATION


class Fixed:
    """Holds what it is given; nothing in it can be changed."""

    def __init__(self, **held):
        for name, value in held.items():
            object.__setattr__(self, name, value)

    def __setattr__(self, name, *value):
        raise AttributeError(f"a {type(self).__name__} cannot be changed; compute it again")

    __delattr__ = __setattr__


class Result(Fixed):
    """A result with a title, facts (the last of them its health) and a table: as text, HTML, CSV and LaTeX.

    The arguments of its public methods are checked by their names (`calls`).

    A class says its `_title`, `_facts()` (pairs of name and text) and `_table()` (heading, rows of text); `_numbers()` where CSV can give
    more digits than the table shows.
    """

    _title = ""

    def __init_subclass__(cls, **more):
        super().__init_subclass__(**more)
        check_methods(cls)

    def _numbers(self):
        """Columns for CSV: name -> values with all their digits."""
        head, rows = self._table()
        return {name or "term": [row[i] for row in rows] for i, name in enumerate(head)}

    def summary(self):
        """The result as text: title, facts with its health, table."""
        head, rows = self._table()
        return "\n".join([self._title, *(visible(f"{name}: {value}") for name, value in self._facts()), text_table(head, rows)])

    def __repr__(self):
        return self.summary()

    def _repr_html_(self):
        return html_table(self._title, self._facts(), *self._table())

    def to_csv(self, file=None):
        """The table with all digits, blank where unknown; written to `file` where given, and returned. A text that a spreadsheet would
        take for a formula (`=`, `+`, `-`, `@` in front) has an apostrophe before it."""
        columns = self._numbers()
        out = io.StringIO()
        write_csv(out, columns, zip(*columns.values(), strict=True))
        return _written(out.getvalue(), file)

    def to_latex(self, file=None, label=None):
        """A `table` with `tabular` as the text shows it, special characters escaped, facts below; written to `file` where given, and returned."""
        head, rows = self._table()
        sides = "".join("r" if all(_is_number(row[i]) for row in rows) else "l" for i in range(len(head)))
        lines = [r"\begin{table}", r"\caption{" + latex_text(self._title) + "}"]
        lines += [r"\label{" + label + "}"] if label else []
        lines += [r"\begin{tabular}{" + sides + "}", r"\hline", _latex_row(head), r"\hline", *map(_latex_row, rows), r"\hline", r"\end{tabular}"]
        lines += [rf"\par\smallskip\footnotesize {latex_text(name)}: {latex_text(value)}" for name, value in self._facts()]
        return _written("\n".join([*lines, r"\end{table}", ""]), file)


check_methods(Result)


def shown(value, digits=4):
    """A cell for people: numbers to four digits, blank where unknown."""
    if isinstance(value, (float, np.floating)):
        return "" if math.isnan(value) else f"{float(value):.{digits}g}" if abs(value) < 1e5 else f"{float(value):.0f}"
    return frames.text_of(value)


def text_table(head, rows):
    """Aligned text: the first column to the left, the others to the right."""
    lines = [tuple(map(visible, row)) for row in (head, *rows)]
    widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
    return "\n".join("  ".join(cell.ljust(w) if i == 0 else cell.rjust(w) for i, (cell, w) in enumerate(zip(line, widths, strict=True))).rstrip()
                     for line in lines)


def html_table(caption, facts, head, rows):
    """A small table with a caption and lines of facts above it."""
    lines = "".join(f"<div><b>{escape(name)}</b> {escape(str(value))}</div>" for name, value in facts)
    top = "".join(f"<th>{escape(str(cell))}</th>" for cell in head)
    body = "".join("<tr>" + "".join(f"<td>{escape(str(cell))}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<div><div><b>{escape(caption)}</b></div>{lines}<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>"


def latex_text(text):
    """Text with the characters escaped that mean something to LaTeX."""
    return "".join(LATEX.get(character, character) for character in visible(text))


def _latex_row(cells):
    return " & ".join(map(latex_text, cells)) + r" \\"


def _is_number(cell):
    try:
        float(cell)
    except ValueError:
        return str(cell) in ("", "-")
    return True


def _written(text, file):
    if file is not None:
        replace_file(file, text)
    return text
