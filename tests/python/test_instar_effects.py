"""Effects of the instar in the fit of a collection: found where they are, absent where size tells all. Truths are those of the drawing."""

import numpy as np
import pandas as pd
import pytest

import moltspan

DAYS = {1: 8.0, 2: 14.0, 3: 11.0, 4: 30.0, 5: 24.0}


def drawn(days_of, sd_of, n=60, seed=1, kind="Uca pugnax", last=5):
    """Animals hatched one a day, molts to the day, numbers of instars stated, no sizes."""
    rng = np.random.default_rng(seed)
    animals, journal = [], []
    for i in range(n):
        hatched = pd.Timestamp("2025-01-01") + pd.Timedelta(days=i % 20)
        name, day, pace = f"{kind[:1]}{seed}-{i}", hatched, rng.normal(0, 0.06)
        animals.append({"animal": name, "taxon": kind, "hatched": hatched.date(), "acquired": hatched.date()})
        for instar in range(1, last + 1):
            if instar > 1:
                journal.append({"date": day.date(), "animal": name, "event": "molt", "value": instar})
            day += pd.Timedelta(days=max(1, round(days_of[instar] * np.exp(pace + rng.normal(0, sd_of(instar))))))
        journal.append({"date": (pd.Timestamp(journal[-1]["date"]) + pd.Timedelta(days=5)).date(), "animal": name, "event": "left"})
    return pd.DataFrame(animals), pd.DataFrame(journal)


@pytest.fixture(scope="module")
def uneven():
    return moltspan.fit(moltspan.Collection(*drawn(DAYS, lambda instar: 0.3 if instar == 4 else 0.1)), threads=1)


def test_the_effect_is_found(uneven):
    """Ratios of the drawn medians to that of the instar with most stadia, within three of their errors (log scale)."""
    frame = uneven.instars.set_index("instar")
    assert uneven._core.instars.used and set(frame.index) >= {2, 3, 4}
    anchor = uneven._core.instars.anchor
    for instar in (2, 3, 4):
        row = frame.loc[instar]
        error = max((np.log(row.upper) - np.log(row.lower)) / 3.92, 0.02)
        size = uneven.stadia.coefficients["log_size"] * np.log(1.3) * (instar - anchor)  # sizes are carried on at the usual ratio
        assert abs(np.log(row.factor) + size - np.log(DAYS[instar] / DAYS[anchor])) < 3 * error + 0.03


def test_the_spread_is_found(uneven):
    frame = uneven.instars.set_index("instar")
    ratio = frame.spread_factor[4] / frame.spread_factor[3]
    assert 1.8 < ratio < 4.5  # 3 was drawn; shrunk towards 1


def test_an_instar_that_nobody_has_seen_ends_is_one_step_less_known():
    """By the walk a step without closed stadia has its learned sd, less what running stadia tell."""
    fit = moltspan.fit(moltspan.Collection(*drawn(DAYS, lambda instar: 0.1)), as_of="2025-02-10", threads=1)
    frame = fit.instars.assign(sd=lambda f: (np.log(f.upper) - np.log(f.lower)) / 3.92)
    unseen, seen = frame[frame.closed_stadia == 0], frame[frame.closed_stadia >= 5]
    step = dict(zip(fit.stadia._core.learned_names, fit.stadia._core.learned_sds, strict=True))["instar_sd"]
    assert len(unseen) == 1 and len(seen) >= 2
    assert unseen.sd.iloc[0] > 0.5 * step and unseen.sd.iloc[0] > 2 * seen.sd.max()  # running stadia tell a little


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_nothing_is_added_where_size_tells_all(seed):
    collection, _ = moltspan.simulate_collection(seed=seed, n_animals=60)
    fit = moltspan.fit(collection, threads=1)
    assert not fit._core.instars.used or fit._core.instars.log_evidence_gain < 4
    without = moltspan.fit(collection, instar_effect=False, spread_effect=False, threads=1)
    assert fit.stadia.coefficients["log_size"] == pytest.approx(without.stadia.coefficients["log_size"], abs=0.12)


def test_rows_in_another_order_change_nothing(uneven):
    animals, journal = drawn(DAYS, lambda instar: 0.3 if instar == 4 else 0.1)
    other = moltspan.fit(moltspan.Collection(animals, journal.sample(frac=1, random_state=3)), threads=1)
    pd.testing.assert_frame_equal(other.instars, uneven.instars)


def test_the_summary_tells_of_it(uneven):
    text = str(uneven)
    assert "instars" in text and "instar_3" not in text and "instar_sd" in text


def test_it_can_be_left_out(uneven):
    plain = moltspan.fit(uneven.collection, instar_effect=False, spread_effect=False, threads=1)
    assert len(plain.instars) == 0 and not any(name.startswith("instar_") for name in plain.stadia.coefficients)
