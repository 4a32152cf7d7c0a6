"""Which rows of a table are stadia, and in what unit their lengths are: what `fit_stadia`, medians, comparisons and tables share.

`Collection.stadia()` marks two kinds of rows that hold no length of one stadium: `molts_spanned` is not 1 (stated instar numbers say that a
molt between is not on record, or may be), `no_length_yet` (begun on the last day watched). They are left out and counted, never in silence.
"""

import re

from moltspan._frames import frames

SPANNED, NO_LENGTH = "molts_spanned", "no_length_yet"
UNITS = (("degree", "degree-days"), ("gdd", "degree-days"), ("dd", "degree-days"), ("day", "days"), ("week", "weeks"), ("month", "months"),
         ("hour", "hours"))


def several_molts(columns, n_rows):
    """True for each row whose column `molts_spanned` is there and not 1."""
    values = columns.get(SPANNED)
    return [False] * n_rows if values is None else [frames.text_of(value).strip() not in ("1", "1.0") for value in values]


def no_length(columns, n_rows):
    """True for each row whose column `no_length_yet` is there and true."""
    values = columns.get(NO_LENGTH)
    return [False] * n_rows if values is None else [frames.text_of(value).lower() in ("true", "1") for value in values]


def rows_note(n_several, n_without=0):
    """Notes of health, (state, topic, text), on rows that were left out."""
    notes = []
    if n_several:
        notes.append(("warning", "several_molts", f"{_rows(n_several)} left out: by the stated instar numbers more than one molt lies between "
                                                  "start and end, or may; write down the molt that is missing"))
    if n_without:
        notes.append(("good", "no_length_yet", f"{_rows(n_without)} left out: begun on the last day watched, so that nothing is known of the length"))
    return tuple(notes)


def _rows(n):
    return "1 row was" if n == 1 else f"{n} rows were"


def unit_of(unit, *given):
    """`unit` where it is stated; else what the names of the columns given say; else "days"."""
    if unit is not None:
        return str(unit)
    for one in given:
        name = one if isinstance(one, str) else getattr(one, "name", None)
        words = re.split(r"[^a-z]+", name.lower()) if isinstance(name, str) else []
        for start, found in UNITS:
            if any(word == start or len(start) > 2 and word.startswith(start) for word in words):
                return found
    return "days"


def in_unit(name, unit):
    """The name of a column of days for lengths in another unit: `median_days` as `median_degree_days`."""
    return name if unit == "days" else re.sub(r"(?<![a-z])days(?![a-z])", re.sub(r"\W+", "_", unit), name)
