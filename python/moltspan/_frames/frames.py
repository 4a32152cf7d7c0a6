"""Data frames in and out: pandas, polars and Arrow come in as they are; what goes out is of the kind that came in."""

import math
from collections import Counter
from datetime import date, datetime, timedelta

import numpy as np

FIRST_YEAR, LAST_YEAR = 1700, 2299  # as in moltspan/calendar.hpp
LAST_DAY = date(LAST_YEAR, 12, 31)
KINDS = ("pandas", "polars", "pyarrow")


def kind_of(frame):
    """`pandas`, `polars` or `pyarrow`; a TypeError that says what is accepted for anything else."""
    module = type(frame).__module__.partition(".")[0]
    if module in KINDS and hasattr(frame, "columns") and hasattr(frame, "shape"):
        return module
    raise TypeError(f"a table must be a pandas, polars or pyarrow data frame, not {type(frame).__name__}")


def columns_of(frame):
    """Column name (as text, where it is a number or a date) -> list of Python values, in the order of the frame."""
    return {name: series.to_list() for name, series in _series_of(frame)}


def arrays_of(frame):
    """Column name -> numpy array where the column holds numbers without blanks, list of Python values otherwise; for large tables."""
    return {name: series.to_numpy() if series.dtype.is_numeric() and series.null_count() == 0 else series.to_list()
            for name, series in _series_of(frame)}


def _series_of(frame):
    """(Heading as text, column) of a frame; a ValueError where a heading is there twice."""
    import narwhals

    if kind_of(frame) == "pandas" and frame.columns.nlevels > 1:
        raise ValueError(f"a table has one line of headings, not {frame.columns.nlevels}; join them first")
    headings = [text_of(name) for name in getattr(frame, "column_names", frame.columns)]
    if len(set(headings)) < len(headings):
        twice, _ = Counter(headings).most_common(1)[0]
        raise ValueError(f"a table has two columns named {twice!r}; rename or remove one of them")
    table = narwhals.from_native(frame, eager_only=True)
    return [(heading, table[:, i]) for i, heading in enumerate(headings)]  # by place, as a name may be no text


def text_of(value):
    """One cell as a person would write it in a CSV file; blank for all kinds of missing."""
    if value is None or value is np.ma.masked:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, (bool, np.bool_)):
        return str(bool(value)).lower()
    if isinstance(value, (float, np.floating)):
        return _number_text(float(value))
    if isinstance(value, (datetime, date)):  # NaT is a datetime that differs from itself
        return "" if value != value else value.isoformat()
    return "" if type(value).__name__ in ("NAType", "NaTType") else str(value)


def _number_text(number):
    if math.isnan(number):
        return ""
    return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)


def text_columns(frame):
    """Column name -> list of texts."""
    return {name: [text_of(value) for value in values] for name, values in columns_of(frame).items()}


def numbers(values):
    """Floats, NaN where blank or nothing but blanks (a no-break space too); ValueError where a text is no number."""
    return np.array([math.nan if text_of(value).strip() == "" else float(value) for value in values])


def checked_numbers(values, name):
    """As `numbers`; what is no number gives a ValueError that names row, `name` and value."""
    try:
        return numbers(values)
    except (TypeError, ValueError):
        row, value = next((row, value) for row, value in enumerate(values) if text_of(value).strip() != "" and not _is_float(value))
        raise ValueError(f"{name}: row {row} = {value!r} is no number; mend it or leave it blank") from None


def _is_float(value):
    try:
        float(value)
    except (TypeError, ValueError):
        return False
    return True


def looks_numeric(texts):
    """True where at least one text is a number and every other is a number or blank."""
    written = [text for text in texts if text.strip()]
    return bool(written) and all(_is_number(text) for text in written)


def _is_number(text):
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def days(day_numbers):
    """Days since 1970-01-01 (the least integer = blank) as datetime64[s]."""
    return np.asarray(day_numbers, dtype="int64").view("datetime64[D]").astype("datetime64[s]")


def day_number(day):
    """A date, datetime or ISO text as days since 1970-01-01; None stays None. ValueError beyond the years that records can name."""
    if day is None:
        return None
    given = day
    if isinstance(day, str):
        try:
            day = date.fromisoformat(day)
        except ValueError:
            raise ValueError(f"{given!r} is no day: write it as YYYY-MM-DD, such as 2026-04-03") from None
    elif isinstance(day, np.datetime64):
        day = day.astype("datetime64[D]").item()
    if not isinstance(day, date) or day != day:
        raise TypeError(f"{given!r} is no day: give a datetime.date or a text such as '2026-04-03'")
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        said = given if isinstance(given, str) else day.isoformat()
        raise ValueError(f"{said} is no day of records: they lie between the years {FIRST_YEAR} and {LAST_YEAR}")
    return (date(day.year, day.month, day.day) - date(1970, 1, 1)).days


def day_of(number):
    """The date of a number of days since 1970-01-01; None stays None."""
    return None if number is None else date.fromordinal(date(1970, 1, 1).toordinal() + number)


def day_after(day, days):
    """The day that begins `days` (with fraction) after `day`; None where unknown or infinite. What lies beyond the calendar of records is its last
    day: who shows it says that it stands for "then or later"."""
    if not math.isfinite(days):
        return LAST_DAY if days > 0 else None
    return day + timedelta(days=math.floor(days)) if days < (LAST_DAY - day).days else LAST_DAY


def frame_of(columns, kind="pandas"):
    """A frame of the kind asked for; `columns`: name -> array or list, all of one length."""
    if kind == "polars":
        import polars

        return polars.DataFrame({name: polars.Series(name, _for_polars(values), nan_to_null=True, strict=False)
                                 for name, values in columns.items()})
    if kind == "pyarrow":
        import pyarrow

        return pyarrow.table({name: pyarrow.array(_plain(values), from_pandas=True) for name, values in columns.items()})
    import pandas

    return pandas.DataFrame(columns)


def _for_polars(values):
    values = _plain(values)
    seconds = isinstance(values, np.ndarray) and values.dtype == "datetime64[s]"
    return values.astype("datetime64[ms]") if seconds else values


def _plain(values):
    """Lists whose blanks are None, for frames that tell a blank from NaN; arrays as they are."""
    if isinstance(values, np.ndarray):
        return values
    return [None if text_of(value) == "" and not isinstance(value, str) else value for value in values]
