"""What happened, as people write it in a log, in the words of our journal."""

import re

from moltspan.records.import_values import box, sex, size

EVENTS = (
    ("molt", r"(?:has |was |just )?(?:moult|molt|shed)(?:ed|ded|s|ing)?(?: found)?|ecdysis|new molt|fresh molt"),
    ("skin_found", r"(?:found |shed |old )?(?:skin|exuvia|exuvium)(?: found)?|skin_found"),
    ("on_back", r"on (?:its|her|his) back|flipped|on_back"),
    ("refused", r"refus(?:ed|es|al|ing)(?: food| prey| feeding)?|rejected|not eating|no food|(?:did not|didn t) eat|no interest"),
    ("ate", r"ate|eaten|eats|fed and ate|took (?:food|prey|cricket|roach)"),
    ("fed", r"fed|feed|feeding|offered(?: food)?|food"),
    ("darkened", r"dark(?:ened|ening)?(?: abdomen)?|abdomen dark"),
    ("sealed_in", r"sealed(?: in| off| up)?|webbed in|plugged|sealed_in"),
    ("sluggish", r"sluggish|lethargic|slow"),
    ("molt_mat", r"molt(?:ing)? mat|molt_mat"),
    ("fangs_black", r"fangs? (?:are |is )?black|hard(?:ened)?(?: again)?|fangs_black"),
    ("checked", r"checked|check|seen|ok|okay|alive|fine|all good|looked"),
    ("enclosure", r"re ?hous(?:ed|e|ing)|moved|new (?:enclosure|box|tub)|enclosure|transferred|upgraded?"),
    ("temperature", r"temp(?:erature)?"),
    ("sex", r"sexed|sex|gender"),
    ("limb_lost", r"limb_lost|lost (?:a )?(?:leg|limb)|leg lost|dropped a leg"),
    ("egg_sac", r"egg ?sac|egg_sac|(?:laid|made|dropped) (?:an? )?(?:egg ?)?sac|sac"),
    ("mated", r"mated|paired|pairing|bred"),
    ("matured", r"matured?|mature molt|ultimate molt|became adult"),
    ("died", r"died|dead|death|rip|doa|passed(?: away)?"),
    ("left", r"left|sold|traded|given away|gave away|gone|rehomed"),
    ("escaped", r"escaped?"),
    ("leg_span", r"leg_span|(?:size|measured|measurement|measure|dls|leg ?span|span)"),
    ("body_length", r"body_length|body(?: length)?|bl"),
    ("carapace_length", r"carapace_length|carapace(?: length)?|cl"),
    ("carapace_width", r"carapace_width|carapace width|cw"),
    ("mass", r"mass|weight|weighed"),
)
FITS = tuple((event, re.compile(words)) for event, words in EVENTS)
OF_ANIMAL = (("acquired", re.compile(r"acquired|bought|purchased|arrived|received|got")), ("hatched", re.compile(r"hatched|born")))
MEASURES = ("leg_span", "body_length", "carapace_length", "carapace_width", "mass")
STAGE = re.compile(r"(?:to |into |instar |stage |[il])\s*\.?(\d{1,2})\b", re.IGNORECASE)
TEMPERATURE = re.compile(r"(-?\d+(?:[.,]\d+)?)\s*°?\s*([cf])?", re.IGNORECASE)


def event_of(text):
    """Our event, or `acquired`/`hatched` of the animal; blank where the words are none of these."""
    plain = " ".join(re.sub(r"[^\w]+", " ", text.lower()).split())
    for event, fits in (*FITS, *OF_ANIMAL):
        if fits.fullmatch(plain) or plain == event:
            return event
    return ""


def filled(event, value, unit, default_units):
    """Cells value, unit, on of an event whose value stands as `value`; None where it needs one that is not there."""
    text = "" if value is None else str(value)
    if event in MEASURES:
        found = size(value)
        return found and {"value": number_text(found.value), "unit": found.unit or unit or default_units(event), "on": "animal"}
    if event == "enclosure":
        found = box(text)
        return found and {"value": found[0], "unit": found[1] or unit or "cm"}
    if event == "temperature":
        found = TEMPERATURE.fullmatch(text.strip())
        return found and {"value": found[1].replace(",", "."), "unit": (found[2] or unit or "C").upper()}
    if event == "sex":
        found = sex(text)
        return found and {"value": found[0]}
    if event == "molt":
        return molt_value(text)
    return {} if not text else None


def molt_value(text):
    """The instar reached, as `5`, `L5`, `i5`; None where the words say something else."""
    found = STAGE.search(text) or re.fullmatch(r"(\d{1,2})(?:\.0)?", text.strip())
    return {"value": found[1]} if found else {} if not text.strip() else None


def number_text(value):
    """Without a point where it is whole."""
    return f"{value:.4g}" if value < 1000 else f"{value:.0f}"
