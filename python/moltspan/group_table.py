"""Result tables of the group analyses: immutable, with what was asked, and written as CSV and LaTeX."""

import csv
import io
import math
from pathlib import Path
from types import MappingProxyType

import numpy as np

from moltspan import frames
from moltspan.result import Health, html_table, text_table

LATEX = {"\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{", "}": r"\}",
         "~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "<": r"\textless{}", ">": r"\textgreater{}"}


def shown(value, digits=4):
    """A cell for people: numbers to four digits, blank where unknown."""
    if isinstance(value, (float, np.floating)):
        return "" if math.isnan(value) else f"{float(value):.{digits}g}" if abs(value) < 1e5 else f"{float(value):.0f}"
    return frames.text_of(value)


def json_value(value):
    """A cell as JSON knows it: None where unknown or infinite."""
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    return value.item() if isinstance(value, np.generic) else value


class ResultTable:
    """A table of results. Nothing in it can be changed; `frame()` gives a fresh data frame of the kind that came in."""

    def __init__(self, caption, columns, kind="pandas", asked=None, facts=(), health=None, **more):
        held = {"caption": caption, "_columns": {name: list(values) for name, values in columns.items()}, "_kind": kind,
                "asked": MappingProxyType(dict(asked or {})), "facts": tuple(facts), "health": health or Health("good", ()), **more}
        for name, value in held.items():
            object.__setattr__(self, name, value)

    def __setattr__(self, name, *value):
        raise AttributeError("a result cannot be changed; ask again")

    __delattr__ = __setattr__

    def __len__(self):
        return len(next(iter(self._columns.values()), []))

    def __getitem__(self, name):
        """A column as an array (numbers) or list (texts)."""
        values = self._columns[name]
        return np.array(values) if all(isinstance(value, (int, float, np.number)) for value in values) else list(values)

    @property
    def columns(self):
        return tuple(self._columns)

    def rows(self):
        """A dict a row, None where unknown: ready for JSON."""
        return [{name: json_value(values[i]) for name, values in self._columns.items()} for i in range(len(self))]

    def frame(self):
        """The table as a data frame."""
        return frames.frame_of({name: self[name] for name in self._columns}, self._kind)

    def _cells(self):
        return [[shown(values[i]) for values in self._columns.values()] for i in range(len(self))]

    def _said(self):
        return [*self.facts, ("health", str(self.health))]

    def summary(self):
        """The result as text."""
        said = [f"{name}: {value}" for name, value in self._said()]
        return "\n".join([self.caption, *said, text_table(self.columns, self._cells())])

    __repr__ = summary

    def _repr_html_(self):
        return html_table(self.caption, self._said(), self.columns, self._cells())

    def to_csv(self, file=None):
        """All digits, blank where unknown; written to `file` where given, and returned."""
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(self.columns)
        writer.writerows([frames.text_of(values[i]) for values in self._columns.values()] for i in range(len(self)))
        return _written(out.getvalue(), file)

    def to_latex(self, file=None, label=None):
        """A `table` with `tabular`, special characters escaped, four digits; written to `file` where given, and returned."""
        numeric = [not any(isinstance(value, str) for value in values) for values in self._columns.values()]
        lines = [r"\begin{table}", r"\caption{" + latex_text(self.caption) + "}"]
        lines += [r"\label{" + label + "}"] if label else []
        lines += [r"\begin{tabular}{" + "".join("r" if number else "l" for number in numeric) + "}", r"\hline"]
        lines += [_latex_row(self.columns), r"\hline", *map(_latex_row, self._cells()), r"\hline", r"\end{tabular}"]
        lines += [rf"\par\smallskip\footnotesize {latex_text(name)}: {latex_text(value)}" for name, value in self._said()]
        return _written("\n".join([*lines, r"\end{table}", ""]), file)


def _latex_row(cells):
    return " & ".join(map(latex_text, cells)) + r" \\"


def latex_text(text):
    """Text with the characters escaped that mean something to LaTeX."""
    return "".join(LATEX.get(character, character) for character in str(text))


def _written(text, file):
    if file is not None:
        Path(file).write_text(text, encoding="utf-8")
    return text


