"""The hand-written side of the invented collection: remarks, single events, animals, kinds and boxes."""

PENS = ["mé", "jo", "jo", "T."]
DOTTED_PEN = "T."  # writes 14.03.2026 where the others write 2026-03-14
OWN_WORDS = {("mé", "molt"): "mue"}  # folder.toml says what it means
OFFERS = ["ate", "ate", "ate", "ate", "fed", "refused", "checked"]

REMARKS = {
    "ate": ["took it from the tongs", "two small ones", "très gourmand, as always", "left a leg of it", "at once",
            "roach, then washed its face", "only after lights out"],
    "refused": ["cricket taken out again", "turned away, front legs up", "hides behind the cork", "third week now",
                "prey still walking about in the morning, removed"],
    "fed": ["did not wait to see", "cricket put in, class was over", "Käfig opened only briefly"],
    "skin_found": ["under the cork", "whole skin, fangs and all", "in the water dish, soft", "behind the slate"],
    "molt": ["on its back at 19:30, out by 21:00", "done before class", "one leg a little bent", "sehr schön gefärbt"],
    "darkened": ["bald patch nearly black", "shiny, dark as the oven door"],
    "checked": ["sits at the front", "web renewed", "only a leg to be seen", "fresh soil pushed out"],
    "enclosure": ["walked over by itself", "needed the brush", "with its old cork", "cup and card, no trouble"],
    "leg_span": ["through the lid", "knees not quite straight", "photo against the ruler"],
    "body_length": ["hung straight for once", "against the graph paper"],
}

# Rows that no dice would write. `as_written` replaces the date by what stands on the page.
HAND_ROWS = [
    {"animal": "L4", "date": "2025-11-09", "event": "escaped",
     "note": "lid not clicked shut; searched behind the flour chest,\nunder the trough and on top of the beams, nothing"},
    {"animal": "C4", "date": "2026-03-15", "event": "left", "note": "sold to a member of the partner class, with papers"},
    {"animal": "D3", "date": "2025-12-21", "event": "died",
     "note": "hung half out of its old skin, too dry in here over the break", "by": "jo"},
    {"animal": "M2", "date": "2026-09-10", "event": "died", "note": "of age, weak for a week, lay on the moss"},
    {"animal": "D1", "date": "2026-08-02", "event": "egg_sac", "note": "carries it below; left in peace, no cleaning"},
    {"animal": "C2", "date": "2026-06-07", "event": "limb_lost",
     "note": "left hind leg, caught under the lid (mea culpa)", "by": "T."},
    {"animal": "C3", "date": "2026-07-26", "event": "checked", "note": "drums at night, wanders, « il cherche sa belle »"},
    {"animal": "B2", "date": "2025-06-15", "event": "unfit", "value": "mold", "note": "white fluff under the bark"},
    {"animal": "B5", "date": "2025-02-09", "event": "checked", "note": "burrow closed with soil since Friday, all well"},
    {"animal": "B4", "date": "2026-02-22", "event": "sex", "value": "probable female", "note": "looked at the skin, lens x10"},
    {"animal": "L5", "date": "2026-05-31", "event": "sex", "value": "male", "note": "skin read twice, no spermathecae"},
    {"animal": "L5", "date": "2026-06-14", "event": "leg_span", "value": "16.5", "unit": "cm",
     "note": "much larger than in the spring of 25, nobody saw a skin"},
    {"animal": "B5", "date": "2026-03-29", "event": "mass", "value": "41", "unit": "g", "note": "letter scale, in its tub"},
    {"animal": "B5", "date": "2026-01-09", "event": "fangs_black"},
    {"animal": "D1", "date": "2026-04-24", "event": "carapace_width", "value": "13.5", "unit": "mm", "on": "skin"},
    {"animal": "S2", "date": "2026-09-13", "event": "sealed_in", "note": "retreat of silk in the bromeliad"},
    {"animal": "sac-2024", "date": "2024-10-06", "event": "setup", "value": "spice jars",
     "note": "four jars in a row, damp corner each"},
    {"animal": "M1 M3", "date": "2026-06-14", "event": "setup", "value": "hanging cages", "note": "gauze, twigs, sprayed at night"},
    {"animal": "B6", "date": "2026-09-20", "event": "checked", "note": "first night with us: sits in the corner, drank", "by": "jo"},
    {"animal": "B1 B2 B3 B4", "date": "2026-09-20", "event": "checked", "note": "", "by": "jo"},
    {"animal": "L2", "date": "2026-09-20", "event": "ate", "note": "two, from the tongs", "by": "mé"},
    {"animal": "C1", "date": "2026-09-20", "event": "refused", "note": "", "by": "T."},
    # Doubts: a smaller reading within an instar; the same row twice.
    {"animal": "C1", "date": "2026-08-03", "event": "leg_span", "value": "8", "unit": "cm", "by": "jo"},
    {"animal": "C1", "date": "2026-08-23", "event": "leg_span", "value": "6", "unit": "cm", "note": "sulking, legs pulled in",
     "by": "jo"},
    {"animal": "B3", "date": "2026-08-02", "event": "ate", "note": "", "by": "jo"},
    {"animal": "B3", "date": "2026-08-02", "event": "ate", "note": "", "by": "jo"},
    # The fault: no such day. It sets S3 aside.
    {"animal": "S3", "date": "2026-07-01", "event": "molt", "as_written": "2026-06-31",
     "note": "skin on the leaf, date from memory", "by": "mé"},
]

ANIMAL_COLUMNS = ["animal", "taxon", "sex", "cohort", "hatched", "acquired", "matured", "kept_as", "shelf", "note"]
SEXES = {"B5": "female", "C1": "female", "C2": "probable female", "C3": "male", "D1": "female", "M1": "female",
         "M2": "male", "M3": "female", "S1": "female", "L1": "probable male"}
COHORTS = {"B1": "sac-2024", "B2": "sac-2024", "B3": "sac-2024", "B4": "sac-2024", "L1": "sac-L", "L2": "sac-L",
           "L3": "sac-L", "L4": "sac-L", "M1": "ooth-26", "M2": "ooth-26", "M3": "ooth-26"}
HATCHED = {"sac-2024": "2024-06-20", "sac-L": "", "ooth-26": "2026-03-20", "": ""}
BALD_PATCH = {"Brachypelma hamorii", "Chromatopelma cyaneopubescens"}  # kinds on which a patch is seen to darken
TAXON_AS_WRITTEN = {"B3": "Brachypelma hamori"}  # a slip of the pen: one letter short, a doubt
ANIMAL_NOTES = {
    "B5": "the old lady, older than the class",
    "B6": "bought yesterday, nothing known; seller said \"about 5 cm, eats well\"",
    "C3": "mature since spring",
    "D1": "kind guessed, never keyed out",
    "L5": "raised by another class, then ours",
    "M2": "small, quick",
    "S1": "from the same parents as S2, S3? not sure",
}


def animal_rows(lives, matured):
    return [{"animal": life.id, "taxon": TAXON_AS_WRITTEN.get(life.id, life.taxon), "sex": SEXES.get(life.id, "unknown"),
             "cohort": COHORTS.get(life.id, ""), "hatched": HATCHED[COHORTS.get(life.id, "")],
             "acquired": life.arrives.isoformat(), "matured": matured.get(life.id, ""), "kept_as": "",
             "shelf": life.shelf, "note": ANIMAL_NOTES.get(life.id, "")} for life in lives]


TAXA = [
    {"taxon": "Brachypelma hamorii", "habit": "terrestrial", "world": "new", "hazard": "urticating_setae",
     "adult_leg_span_mm": "140", "pace": "slow"},
    {"taxon": "Chromatopelma cyaneopubescens", "habit": "semi_arboreal", "world": "new", "hazard": "urticating_setae",
     "adult_leg_span_mm": "130", "pace": "medium"},
    {"taxon": "Lasiodora parahybana", "habit": "terrestrial", "world": "new", "hazard": "urticating_setae",
     "adult_leg_span_mm": "210", "pace": "fast"},
    {"taxon": "Damon diadema", "habit": "arboreal", "world": "old", "hazard": "", "adult_leg_span_mm": "", "pace": "slow"},
    {"taxon": "Sphodromantis viridis", "habit": "arboreal", "world": "old", "hazard": "", "adult_leg_span_mm": "",
     "pace": "fast"},
    {"taxon": "Cupiennius salei", "habit": "arboreal", "world": "new", "hazard": "fast", "adult_leg_span_mm": "110",
     "pace": "fast"},
]

ENCLOSURES = [
    {"name": "spice jar", "diameter": "5", "w": "", "d": "", "h": "8", "unit": "cm", "count": "6"},
    {"name": "deli tub", "diameter": "11", "w": "", "d": "", "h": "9", "unit": "cm", "count": "5"},
    {"name": "preserving box", "diameter": "", "w": "20", "d": "20", "h": "20", "unit": "cm", "count": "4"},
    {"name": "cheese bell box", "diameter": "", "w": "30", "d": "30", "h": "30", "unit": "cm", "count": "2"},
    {"name": "oven tray box", "diameter": "", "w": "60", "d": "40", "h": "35", "unit": "cm", "count": "2"},
]

FOLDER_TOML = """\
# Invented records. The evening class keeps its animals along the old oven wall of a former bakery.
date_order = "day_first"

[units]
length = "cm"
temperature = "C"

[events]
mue = "molt"
"""
