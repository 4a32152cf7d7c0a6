"""What a heading of somebody's table means in ours."""

import re
from typing import NamedTuple

from moltspan.records.import_values import UNITS

MOLT = r"(?:moult|molt|shed|ecdysis|slough|häutung)(?:ed|s|ing|en)?"
WHO = r"(?:animal|spider|spood|tarantula|specimen|individual|mantis|scorpion|insect|pet)"
# Meaning -> what headings say, after their unit, number and signs are taken off. The first that fits counts.
WORDS = (
    ("animal", rf"(?:{WHO}s?)(?: (?:name|id|no|nr|number|code|label))?|(?:pet |given )?name|id|code|nr|no|number|label|tag|nickname|tier|who"),
    ("scientific", r"scientific name|latin name|latin|binomial|scientific"),
    ("taxon", r"species(?: name)?|kind|taxon|taxa|common name|breed|art|sp"),
    ("genus", r"genus"),
    ("sex", r"sex(?:ed)?|gender|m f|geschlecht|sex if known"),
    ("hatched", r"hatched(?: on)?|hatch(?: date)?|born|birth(?: ?day| date)?|date of birth|dob"),
    ("acquired", r"(?:date )?(?:acquired|bought|purchased?|obtained|arrived|received|got|added)(?: on| date| in)?|acquisition(?: date)?|arrival(?: date)?|date in|since|had since|kept since|gekauft"),
    ("matured", r"matured?(?: on| date)?|maturity|mature since|adult since|ultimate molt|date matured"),
    ("died", r"died(?: on)?|dead|death(?: date)?|deceased|date of death|passed|rip"),
    ("cohort", r"cohort|clutch|batch|brood|litter|egg sac|sac|group|siblings"),
    ("temperature_c", r"temp(?:erature)?(?: c| kept)?"),
    ("measured", r"(?:size |last )?(?:measured|measurement)(?: on| date)?|date measured|size date|as of|(?:last )?updated(?: on)?|checked on"),
    ("skin", r"(?:molt |shed |exuvia |exuvium )?skin(?: size| length| leg span)?|exuvia(?: size)?|molt (?:size|length|measurement)"),
    ("molt", rf"(?:date(?:s)? of )?(?:the )?(?:last |latest |most recent |previous |first |letzte )?{MOLT}(?: date| dates| on| day)?"),
    ("instar", r"(?:current |present )?(?:instar|stage|l stage|i|l)(?: now)?"),
    ("body_length", r"body(?: ?length)?|bl|length"),
    ("carapace_width", r"carapace width|cw|width of carapace"),
    ("carapace_length", r"carapace(?: length)?|cl|cephalothorax|prosoma"),
    ("mass", r"weight|mass"),
    ("leg_span", r"(?:current |present |last |approx |est )?(?:size|dls|ls|leg ?span|diagonal leg ?span|span|grösse|größe)(?: now| today| approx)?"),
    ("ate", r"(?:last )?(?:fed|ate|meal|feeding|food|feed)(?: on| date)?|date fed"),
    ("refused", r"refus(?:ed|ing|al)(?: since| on)?|fasting(?: since)?|not eating since|last refus(?:ed|al)"),
    ("enclosure", r"enclosure(?: size| dimensions)?|(?:box|tub|cage|tank|container|terrarium|vivarium)(?: size)?|housing|dimensions"),
    ("rehoused", r"(?:last )?re ?hous(?:ed|e|ing)(?: on| date)?|moved(?: on)?|last move"),
    ("until", r"until|till|to|end(?: date)?|latest"),
    ("date", r"date|day|when|on|datum|date seen|seen on|(?:start|from)(?: date)?|timestamp"),
    ("event", r"event|what(?: happened)?|action|activity|type|entry|happened|log|status|observation"),
    ("value", r"value|amount|result|reading|measurement value|detail|details"),
    ("unit", r"units?"),
    ("note", r"notes?|remarks?|comments?|info|misc|observations?|anything else|bemerkung(?:en)?"),
)
FITS = tuple((meaning, re.compile(words)) for meaning, words in WORDS)
SIZES = ("leg_span", "body_length", "carapace_length", "carapace_width", "mass", "skin")
OF_ANIMALS = ("animal", "scientific", "taxon", "genus", "sex", "hatched", "acquired", "matured", "died", "cohort", "temperature_c", "note")
DATES = ("molt", "hatched", "acquired", "matured", "died", "measured", "ate", "refused", "rehoused", "date", "until")
MEANINGS = tuple(sorted({meaning for meaning, _ in WORDS} | {"keep"}))
STAGE = re.compile(r"(?:to |into )?(?:instar|stage|l|i)\s*(\d{1,2})|(\d{1,2})(?:st|nd|rd|th)? (?:instar|stage)")
UNIT_OF_HEADING = re.compile(r"[\s(\[,/]+(" + "|".join(sorted(map(re.escape, UNITS), key=len, reverse=True)) + r")\.?[)\]]?\s*$", re.IGNORECASE)
ORDINALS = {"first": "1", "second": "2", "third": "3", "fourth": "4", "fifth": "5"}


class Heading(NamedTuple):
    """A heading: its meaning (blank: none of ours), the number in it, and the unit."""

    meaning: str
    number: str = ""
    unit: str = ""


def read_heading(text):
    """`Molt 3`, `3rd moult (date)`, `Size (cm)`, `L4`: what they mean."""
    if not text:
        return Heading("")
    unit = UNIT_OF_HEADING.search(text)
    plain = _plain(text[:unit.start()] if unit else text)
    stage = STAGE.fullmatch(plain)
    if stage:
        return Heading("molt", stage[1] or stage[2])
    number = re.search(r"(?<![a-z])(\d{1,2})(?:st|nd|rd|th)?(?![a-z\d])", plain)
    bare = " ".join(re.sub(r"(?<![a-z])\d{1,2}(?:st|nd|rd|th)?(?![a-z\d])", " ", plain).split()) if number else plain
    for candidate in dict.fromkeys((plain, bare)):
        meaning = next((meaning for meaning, fits in FITS if fits.fullmatch(candidate)), "")
        if meaning == "skin" and number and candidate == bare and not re.search("skin|exuvi", bare):
            meaning = "leg_span"  # `Molt 2 size`: that of the animal after its second molt
        if meaning:
            return Heading(meaning, number[1] if number and candidate == bare else "", UNITS.get(unit[1].lower(), "") if unit else "")
    return Heading("")


def asked_heading(text):
    """The right side of `--map "Heading=meaning"`: `molt 3`, `leg_span cm`, `keep`. ValueError names what can be asked for."""
    words = text.lower().replace("-", "_").split()
    meaning = "_".join(word for word in words if not word.isdigit() and word not in UNITS)
    if meaning not in MEANINGS:
        raise ValueError(f"{text!r}: no such meaning; there are {', '.join(MEANINGS)}, each with a number or a unit behind it, as in 'molt 3', 'leg_span cm'")
    number = next((word for word in words if word.isdigit()), "")
    return Heading("" if meaning == "keep" else meaning, number, next((UNITS[word] for word in words if word in UNITS), ""))


def _plain(text):
    words = re.sub(r"[^\w#♀♂]+", " ", text.lower().replace("_", " ")).replace("#", " ").split()
    plain = " ".join(ORDINALS.get(word, word) if len(words) > 1 and word != "first" else word for word in words)
    return "no" if not plain and "#" in text else plain
