"""Dates as people write them: days in either order, months, years, about, early and late; each as a first and a last possible day."""

import re
from calendar import monthrange
from datetime import date, timedelta
from typing import NamedTuple

MONTHS = {name: number for number, names in enumerate(
    ("jan january januar janvier enero", "feb february februar fev fevrier febrero", "mar march mrz märz maerz mars marzo",
     "apr april avr avril abril", "may mai mayo", "jun june juni juin junio", "jul july juli juillet julio", "aug august août aout agosto",
     "sep sept september septembre septiembre", "oct october okt oktober octobre octubre", "nov november novembre noviembre",
     "dec december dez dezember déc decembre dic diciembre"), 1) for name in names.split()}
SAYS_NOTHING = frozenset("? ?? ??? - -- – — . / n/a na none nil unknown unk x no tba tbd pending not yet never".split() + ["not yet", "not known", "no date"])
ABOUT = re.compile(r"^(?:ca|circa|c|approx|approximately|about|around|abt|est|roughly|~|≈)[.\s]*", re.IGNORECASE)
PART = re.compile(r"^(early|beginning of|start of|mid|middle of|late|end of|anfang|mitte|ende)[\s-]+", re.IGNORECASE)
PARTS = {"early": (1, 10), "beginning of": (1, 10), "start of": (1, 10), "mid": (11, 20), "middle of": (11, 20), "late": (21, 31), "end of": (21, 31),
         "anfang": (1, 10), "mitte": (11, 20), "ende": (21, 31)}
THIRDS = {1: (1, 1, 4, 30), 11: (5, 1, 8, 31), 21: (9, 1, 12, 31)}
WEEKDAY = re.compile(r"^(?:mon|tue|tues|wed|thu|thur|thurs|fri|sat|sun)[a-z]*[,.\s]+", re.IGNORECASE)
ORDINAL = re.compile(r"\b(\d{1,2})(?:st|nd|rd|th)\b", re.IGNORECASE)
TRIPLE = re.compile(r"(\d{1,2})\s*[./\- ]\s*(\d{1,2})\s*[./\- ]\s*(\d{4}|\d{2})")
ISO = re.compile(r"(\d{4})[-./](\d{1,2})[-./](\d{1,2})(?:[T ]\d.*)?")
COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})")
DAY_MONTH = re.compile(r"(\d{1,2})[.\s-]*([^\W\d_]{3,10})[.,\s-]*(\d{4}|\d{2})")
MONTH_DAY = re.compile(r"([^\W\d_]{3,10})[.\s-]*(\d{1,2})[,\s]+(\d{4}|\d{2})")
MONTH_YEAR = re.compile(r"([^\W\d_]{3,10})[.,\s-]*'?(\d{4})|(\d{1,2})\s*/\s*(\d{4})|(\d{4})[-/](\d{1,2})")
SHORT_YEAR = re.compile(r"([^\W\d_]{3,10})[.,\s]*['’](\d{2})")  # June '21
DAYS_OF_MONTH = re.compile(r"(\d{1,2})\s*(?:-|–|to|/)\s*(\d{1,2})[.\s]+([^\W\d_]{3,10})[.,\s]*(\d{4})")
BETWEEN = re.compile(r"\s*(?:\.\.|–|—|\bto\b|\buntil\b|\s-\s|\s/\s)\s*")
YEAR = re.compile(r"(?:19|20)\d{2}")
SERIAL = (20_000, 60_000)  # numbers of days that spreadsheets take for dates of 1954 to 2064
ABOUT_DAYS = 3
DAY_FIRST, MONTH_FIRST = "day_first", "month_first"


class When(NamedTuple):
    """First and last possible day; `about`: it was said to be no more than that."""

    first: date
    last: date
    about: bool = False


def says_nothing(text):
    """Whether a cell says that nothing is known, as `?` or `n/a`."""
    return " ".join(text.lower().split()) in SAYS_NOTHING


def told_order(texts):
    """What dates of three numbers tell of their order: DAY_FIRST, MONTH_FIRST, "both" (a contradiction), "" (any reads two ways), None
    (there are none)."""
    triples = [found for text in texts for found in TRIPLE.finditer(text) if not ISO.search(text)]
    told = {DAY_FIRST for found in triples if int(found[1]) > 12} | {MONTH_FIRST for found in triples if int(found[2]) > 12}
    if len(told) == 2:
        return "both"
    return told.pop() if told else "" if triples else None


def when(value, order, today):
    """What a cell says as When; None where it is no date. `order` of dates of three numbers."""
    if isinstance(value, date):
        return When(value, value)
    if isinstance(value, float):
        return _of_number(value)
    text = ORDINAL.sub(r"\1", WEEKDAY.sub("", " ".join(str(value).split()))).strip(" ,;")
    vague = bool(ABOUT.match(text)) or text.endswith("?")
    text = ABOUT.sub("", text).rstrip("? ").strip("()[] ")
    found = _whole(text, order, today) or _between(text, order, today)
    if not found or not vague or found.first != found.last:
        return found and found._replace(about=vague)
    wide = timedelta(days=ABOUT_DAYS)
    return When(found.first - wide, min(found.last + wide, max(today, found.last)), True)


def _of_number(value):
    if value.is_integer() and YEAR.fullmatch(str(int(value))):
        return _span(int(value), 1, 1, 12, 31)
    if SERIAL[0] <= value <= SERIAL[1]:
        day = date(1899, 12, 30) + timedelta(days=int(value))
        return When(day, day)
    return None


def _between(text, order, today):
    """`3-5 March 2024`, or two dates with a word or a dash between them."""
    found = DAYS_OF_MONTH.fullmatch(text)
    if found and (month := MONTHS.get(found[3].lower())):
        return _ordered(_day(int(found[4]), month, int(found[1])), _day(int(found[4]), month, int(found[2])))
    parts = BETWEEN.split(text)
    if len(parts) != 2:
        return None
    first, last = (_whole(part.strip(), order, today) for part in parts)
    return _ordered(first, last) if first and last else None


def _ordered(first, last):
    return When(first.first, last.last) if first and last and first.first <= last.last else None


def _whole(text, order, today):
    part = PART.match(text)
    if part:
        rest, (low, high) = PART.sub("", text), PARTS[part[1].lower()]
        if YEAR.fullmatch(rest):  # a third of the year
            return _span(int(rest), *THIRDS[low])
        month = _month(rest, today)
        if not month:
            return None
        return When(month.first.replace(day=low), month.first.replace(day=min(high, month.last.day)))
    return _one_day(text, order, today) or _month(text, today) or (_span(int(text), 1, 1, 12, 31) if YEAR.fullmatch(text) else None)


def _one_day(text, order, today):
    if found := ISO.fullmatch(text) or COMPACT.fullmatch(text):
        return _day(int(found[1]), int(found[2]), int(found[3]))
    if found := TRIPLE.fullmatch(text):
        day, month = (found[1], found[2]) if order != MONTH_FIRST else (found[2], found[1])
        return _day(_year(found[3], today), int(month), int(day))
    if (found := DAY_MONTH.fullmatch(text)) and (month := MONTHS.get(found[2].lower())):
        return _day(_year(found[3], today), month, int(found[1]))
    if (found := MONTH_DAY.fullmatch(text)) and (month := MONTHS.get(found[1].lower())):
        return _day(_year(found[3], today), month, int(found[2]))
    return None


def _month(text, today):
    if (found := SHORT_YEAR.fullmatch(text)) and (month := MONTHS.get(found[1].lower())):
        return _span(_year(found[2], today), month, 1, month, None)
    found = MONTH_YEAR.fullmatch(text)
    if not found:
        return None
    if found[1]:
        year, month = found[2], MONTHS.get(found[1].lower())
    else:
        year, month = found[4] or found[5], int(found[3] or found[6])
    return _span(int(year), month, 1, month, None) if month and 1 <= month <= 12 else None


def _span(year, month, day, last_month, last_day):
    if not 1700 <= year <= 2299:
        return None
    return When(date(year, month, day), date(year, last_month, last_day or monthrange(year, last_month)[1]))


def _day(year, month, day):
    try:
        found = date(year, month, day)
    except ValueError:
        return None
    return When(found, found) if 1700 <= year <= 2299 else None


def _year(text, today):
    """Of two figures: the latest that is not beyond next year."""
    if len(text) == 4:
        return int(text)
    year = 2000 + int(text)
    return year if year <= today.year + 1 else year - 100
