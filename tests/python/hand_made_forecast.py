"""A forecast document made by hand, in the shape of `moltspan forecast --json`: what tables and plots must bear."""

from datetime import date, timedelta

AS_OF = date(2026, 9, 20)
KEYS = ["0.025", "0.05", "0.1", "0.25", "0.5", "0.75", "0.9", "0.95", "0.975"]
EDGES = {0.5: ("0.25", "0.75"), 0.8: ("0.1", "0.9"), 0.95: ("0.025", "0.975")}


def day_after(days):
    return (AS_OF + timedelta(days=int(days))).isoformat()


def next_molt(days):
    """`days`: the nine quantiles, in days from the beginning of the as_of day."""
    quantiles = dict(zip(KEYS, days, strict=True))
    return {"median": day_after(quantiles["0.5"]),
            "bands": [{"level": level, "from": day_after(quantiles[low]), "to": day_after(quantiles[high])}
                      for level, (low, high) in EDGES.items()],
            "quantiles": {key: day_after(value) for key, value in quantiles.items()}, "quantile_days": quantiles}


VERDICTS = {"intermolt": ("between", "between", "between molts", "offer", "since 2026-07-16"),
            "premolt": ("premolt", "sign", "premolt: darkened on 2026-09-13", "hold", "premolt: nothing, and take uneaten prey out"),
            "unknown": ("between", "between", "no molt on record; neither soft nor in premolt by the time watched", "offer", "since 2026-07-16"),
            "dead": ("dead", "died", "died on 2026-09-10", "none", ""), "final": ("final", "matured", "mature: it molts no more", "offer", "since 2026-02-26")}


def verdict(phase):
    code, reason, why, feeding, feeding_why = VERDICTS[phase]
    chances = {"soft": 0.0, "premolt": 0.1, "between": 0.88, "molts_no_more": 0.02, "molted_unseen": 0.01}
    return {"on": AS_OF.isoformat(), "code": code, "reason": reason, "why": why, "chances": chances, "feeding": feeding, "feeding_why": feeding_why}


def animal(name, taxon, phase, molt=None, **changes):
    row = {"animal": name, "taxon": taxon, "verdict": verdict(phase), "phase": phase, "last_entry": "2026-09-18", "last_molt": {"earliest": "2026-07-01", "latest": "2026-07-04"},
           "days_since_molt": {"min": 78, "max": 81}, "next_molt": molt, "why_no_forecast": None,
           "chance_within_days": {"7": 0.08, "14": 0.2, "30": 0.62, "90": 0.998}, "chance_final": 0.0,
           "chance_missed": 0.01, "feed_from": None,
           "next_leg_span_mm": {"median": 61.4, "bands": [{"level": 0.8, "from": 55.0, "to": 68.2}]},
           "next_size": {"measure": "leg_span", "unit": "mm", "median": 61.4, "bands": [{"level": 0.8, "from": 55.0, "to": 68.2}]},
           "basis": {"own_stadia": 4, "taxon_stadia": 11, "own_weight": 0.7}, "notes": []}
    return row | changes


def document():
    return {
        "as_of": AS_OF.isoformat(), "on": AS_OF.isoformat(), "last_entry": AS_OF.isoformat(), "watched": "all", "levels": [0.5, 0.8, 0.95],
        "animals": [
            animal("Z9", "Lasiodora parahybana", "intermolt", next_molt([30, 36, 44, 58, 77, 101, 130, 152, 175])),
            animal("A1", "Brachypelma hamorii", "premolt", next_molt([1.2, 2.0, 3.3, 6.1, 10.5, 16, 23, 28, 34]),
                   chance_missed=0.24, notes=["darkened on 2026-09-13"]),
            animal("K[3]", "Damon diadema", "unknown", next_molt([2.2, 6, 13, 35, 80, 150, 260, 350, 470]),
                   last_molt=None, days_since_molt=None, next_leg_span_mm=None, next_size=None, chance_final=None,
                   basis={"own_stadia": 0, "taxon_stadia": 9, "own_weight": 0.0},
                   notes=["no molt on record: the day it came is taken as a random day of its stadium, hence the wide band"]),
            animal("M2", "Sphodromantis viridis", "dead", chance_within_days={}, why_no_forecast="died on 2026-09-10",
                   next_leg_span_mm=None, next_size=None),
            animal("C3", "Chromatopelma cyaneopubescens", "final", chance_within_days={}, chance_final=1.0,
                   why_no_forecast="matured male on 2026-02-12: molts no more", next_leg_span_mm=None, next_size=None),
        ],
        "problems": [
            {"severity": "fault", "file": "journal.csv", "row": 812, "animal": "S3", "column": "date", "value": "2026-06-31",
             "rule": "no such day", "next_step": "write the day as YYYY-MM-DD"},
            {"severity": "doubt", "file": "journal.csv", "row": 930, "animal": "B3", "column": "date", "value": "2026-08-02",
             "rule": "the same row stands twice", "next_step": "remove one of them"},
        ],
    }
