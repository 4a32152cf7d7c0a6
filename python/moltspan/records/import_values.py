"""Sizes, sexes and boxes as people write them in a cell."""

import re
from typing import NamedTuple

UNITS = {"mm": "mm", "millimeter": "mm", "millimetre": "mm", "cm": "cm", "centimeter": "cm", "centimetre": "cm", "in": "in", "inch": "in",
         "inches": "in", '"': "in", "”": "in", "''": "in", "″": "in", "g": "g", "gr": "g", "gram": "g", "grams": "g", "mg": "mg"}
FRACTIONS = {"¼": 0.25, "½": 0.5, "¾": 0.75, "⅛": 0.125, "⅜": 0.375, "⅝": 0.625, "⅞": 0.875, "⅓": 1 / 3, "⅔": 2 / 3}
NUMBER = r"(?:\d+\s+\d+/\d+|\d+/\d+|\d*[.,]\d+|\d+\s*[¼½¾⅛⅜⅝⅞⅓⅔]|\d+|[¼½¾⅛⅜⅝⅞⅓⅔])"
UNIT = r"(mm|millimet(?:er|re)s?|cm|centimet(?:er|re)s?|inch(?:es)?|in|\"|”|''|″|grams?|gr|g|mg)?\.?"
SIZE = re.compile(rf"(?:~|≈|ca\.?|about|approx\.?|c\.)?\s*({NUMBER})\s*{UNIT}(?:\s*(?:-|–|to)\s*({NUMBER})\s*{UNIT})?\s*(?:\+|\?|ish|dls|ls|bl)?", re.IGNORECASE)
BOX = re.compile(r"(\d+(?:[.,]\d+)?(?:\s*[x×*]\s*\d+(?:[.,]\d+)?){1,2})\s*(mm|cm|in|inch|inches|\")?", re.IGNORECASE)
FEMALE, MALE = ("f", "female", "fem", "♀", "girl", "weiblich", "w"), ("m", "male", "♂", "boy", "männlich")
MATURE = {"mm": "male", "mature male": "male", "mf": "female", "mature female": "female", "adult male": "male", "adult female": "female"}
UNKNOWN = ("u", "unsexed", "unknown", "?", "-", "n/a", "us", "und", "undetermined", "juvenile", "juv")
COUNTS = re.compile(r"(\d+)[.,](\d+)(?:[.,](\d+))?")  # males . females . unsexed


class Size(NamedTuple):
    """A size: its number, the middle of a range, and its unit where the cell names one."""

    value: float
    unit: str
    is_range: bool


def size(value):
    """What a cell says of a size; None where it is none."""
    if isinstance(value, float):
        return Size(value, "", False) if value > 0 else None
    found = SIZE.fullmatch(str(value).strip()) if value is not None else None
    if not found:
        return None
    first, last = _number(found[1]), _number(found[3]) if found[3] else None
    unit = (found[4] or found[2] or "").lower()
    middle = first if last is None else (first + last) / 2
    return Size(middle, UNITS.get(unit.rstrip("s"), UNITS.get(unit, "")), last is not None) if middle > 0 else None


def _number(text):
    text = text.strip()
    for sign, part in FRACTIONS.items():
        if sign in text:
            return (float(text.replace(sign, "").strip() or 0)) + part
    whole, _, fraction = text.rpartition(" ") if "/" in text else ("", "", text)
    if "/" in fraction:
        above, below = fraction.split("/")
        return (float(whole) if whole.strip() else 0) + (float(above) / float(below) if float(below) else 0)
    return float(text.replace(",", "."))


def sex(text):
    """(sex in our words, whether it is said to be mature); None where the cell says no sex."""
    word = " ".join(str(text).lower().split())
    if word in MATURE:
        return MATURE[word], True
    if word in UNKNOWN:
        return "unknown", False
    sure = word.rstrip("?* ").removeprefix("prob. ").removeprefix("probable ").removeprefix("probably ").removeprefix("likely ").removeprefix("maybe ")
    found = "female" if sure in FEMALE else "male" if sure in MALE else _by_counts(sure)
    if not found:
        return None
    return (found if sure == word or found == "unknown" else f"probable {found}"), False


def _by_counts(word):
    found = COUNTS.fullmatch(word)
    if not found:
        return None
    numbers = [int(number or 0) for number in found.groups()]
    return {(1, 0, 0): "male", (0, 1, 0): "female", (0, 0, 1): "unknown"}.get(tuple(numbers))


def box(text):
    """(`20x20x30`, unit) of a box that is told by its measures; None for others."""
    found = BOX.fullmatch(str(text).strip())
    if not found:
        return None
    unit = (found[2] or "").lower()
    return re.sub(r"\s*[x×*]\s*", "x", found[1].replace(",", ".")), UNITS.get(unit, "")
