"""Signs of a coming molt: what they do to a forecast, and a short version of benchmarks/signs.py."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from benchmark_scripts import load

import moltspan
from moltspan.collection.fit import forecast_document

AS_OF = date(2026, 6, 1)
KIND = "Brachypelma hamorii"


def ago(days):
    return (AS_OF - timedelta(days=days)).isoformat()


def chain(name, *days_ago):
    return [row for days in days_ago for row in ((name, days, "molt", None, None), (name, days, "leg_span", 60, "mm"))]


MOLTS = (640, 560, 430, 345, 210, 120, 30)  # stadia of 80 to 135 days
KIN = [row for k in range(4) for row in chain(f"K{k}", *(days - 7 * k for days in MOLTS))]


def answer(signs, kin_signs=(), **columns):
    """A1, 50 days into stadia of about 100, with rows (days ago, event)."""
    rows = KIN + [(*row, None, None) for row in kin_signs] + chain("A1", 450, 365, 240, 160, 50) + [("A1", days, event, None, None) for days, event in signs]
    journal = pd.DataFrame([(name, ago(days), *rest) for name, days, *rest in rows], columns=["animal", "date", "event", "value", "unit"])
    animals = pd.DataFrame([{"animal": name, "taxon": KIND, "sex": "female"} | (columns if name == "A1" else {})
                            for name in ("A1", "K0", "K1", "K2", "K3")])
    fit = moltspan.fit(moltspan.Collection(animals, journal), as_of=AS_OF)
    return forecast_document(fit)["animals"][0]


def median(animal):
    return animal["next_molt"]["quantile_days"]["0.5"]


def test_a_sign_brings_the_molt_nearer_and_is_told():
    plain, dark = answer([]), answer([(4, "darkened")])
    assert median(dark) < median(plain) - 2
    assert dark["phase"] == "premolt" and dark["feed_from"] is None
    assert any("darkened 4 days ago" in note for note in dark["notes"])
    assert plain["phase"] == "intermolt" and not any("signs" in note for note in plain["notes"])


def test_fasting_alone_moves_less_than_darkening_and_sealing_in():
    plain = median(answer([]))
    fasting = plain - median(answer([(4, "refused")]))
    both = plain - median(answer([(4, "darkened"), (4, "sealed_in")]))
    assert 0 < fasting < both


def test_repeated_refusals_are_one_sign():
    # Not to the last digit: had a molt gone unseen between them, the later ones would be signs of the next one.
    assert median(answer([(9, "refused"), (6, "refused"), (3, "refused")])) == pytest.approx(median(answer([(9, "refused")])), rel=1e-4)


def test_a_meal_ends_a_refusal_and_weakens_a_dark_abdomen():
    plain = median(answer([(2, "ate")]))
    assert median(answer([(9, "refused"), (2, "ate")])) == pytest.approx(plain, rel=0.02)  # but for what it tells of false alarms
    dark, eaten = median(answer([(9, "darkened")])), median(answer([(9, "darkened"), (2, "ate")]))
    assert dark < eaten < plain


def test_after_mating_fasting_counts_half():
    plain = median(answer([]))
    assert median(answer([(6, "refused")])) < median(answer([(20, "mated"), (6, "refused")])) < plain


def test_a_bald_patch_makes_darkening_more_telling():
    old_world, setae = answer([(6, "darkened")], hazard="fast"), answer([(6, "darkened")], hazard="urticating_setae")
    assert median(setae) < median(old_world)


def test_signs_before_the_last_molt_are_of_the_last_molt():
    assert median(answer([(55, "darkened"), (52, "refused")])) == pytest.approx(median(answer([])), rel=0.05)


def test_a_sign_that_is_never_written_down_says_nothing_by_its_absence():
    none, offered = answer([]), answer([(2, "fed")])
    assert none | {"last_entry": offered["last_entry"]} == offered


def test_absence_counts_where_closed_stadia_show_the_sign():
    """Dark 20 days before every molt of kin: not dark yet means more than some days to go."""
    kin = [(f"K{k}", days + 20, "darkened") for k in range(4) for days in (m - 7 * k for m in MOLTS[1:])]
    noted, plain = answer([], kin)["next_molt"]["quantile_days"], answer([])["next_molt"]["quantile_days"]
    assert noted["0.025"] > plain["0.025"] + 1 and noted["0.5"] >= plain["0.5"]


def test_signs_move_an_animal_without_a_known_molt():
    journal = pd.DataFrame([("A1", ago(40), "ate"), ("A1", ago(3), "darkened"), ("A2", ago(40), "ate")], columns=["animal", "date", "event"])
    fit = moltspan.fit(moltspan.Collection(pd.DataFrame({"animal": ["A1", "A2"], "taxon": KIND}), journal), as_of=AS_OF)
    dark, plain = forecast_document(fit)["animals"]
    assert median(dark) < median(plain)


def test_simulated_signs_make_forecasts_better_and_bands_stay_right():
    """20 collections of benchmarks/signs.py: the full study saves half the CRPS; limits leave 4 clustered standard errors."""
    study = load("signs")
    frame = study.frame_of([row for replicate in range(20) for row in study.one_collection(("signs", replicate))])
    shown = frame[frame.shown]
    assert len(shown) > 40
    assert shown.crps.mean() < 0.7 * shown.without.mean()
    assert frame.crps.mean() < frame.without.mean()
    for column, promised in (("50", 0.5), ("80", 0.8), ("95", 0.95), ("below", 0.5)):
        sums = (frame[column] - frame[column].mean()).groupby(frame.collection).sum()
        assert abs(frame[column].mean() - promised) < 4 * np.sqrt((sums**2).sum()) / len(frame)
