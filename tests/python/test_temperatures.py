"""`temperatures.csv`: a daily series feeds the clock, and what is stated of the days to come moves forecasts from the last day only."""

import datetime
import json
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

import moltspan

START = datetime.date(2023, 1, 1)


def iso(k):
    return (START + datetime.timedelta(days=int(k))).isoformat()


def degrees(k):
    return 24 + 5 * np.cos(2 * np.pi * (k - 200) / 365.25)


def grown(seed=3, n=24, days=900):
    """Animals whose development runs by 6 % a degree of a room with a summer; true lengths 60 to 130 days at 24 C."""
    rng = np.random.default_rng(seed)
    done = np.concatenate([[0], np.cumsum(np.exp(0.06 * (degrees(np.arange(days + 400)) - 24)))])
    journal = []
    for a in range(n):
        day = int(rng.integers(0, 40))
        while day < days:
            journal.append((f"A{a}", iso(day), "molt", "", ""))
            day = int(np.searchsorted(done, done[day] + 90 * np.exp(rng.normal(0, 0.08))))
    journal.append(("A0", iso(days), "checked", "", ""))
    animals = pd.DataFrame({"animal": [f"A{a}" for a in range(n)], "taxon": "Brachypelma hamorii"})
    return animals, pd.DataFrame(journal, columns=["animal", "date", "event", "value", "unit"])


def series(first, last, shift=0.0):
    days = np.arange(first, last + 1)
    return pd.DataFrame({"day": [iso(k) for k in days], "degrees_c": degrees(days) + shift})


@pytest.fixture(scope="module")
def tables():
    return grown()


def test_the_series_feeds_the_clock(tables):
    plain = moltspan.fit(moltspan.Collection(*tables))
    fit = moltspan.fit(moltspan.Collection(*tables, temperatures=series(0, 900)))
    assert "temperatures to come" not in str(plain) and "temperatures to come" in str(fit)
    assert fit._core.clock.warmth == pytest.approx(-0.06, abs=0.02)  # truth of the simulator


def test_stated_days_move_the_forecast_from_the_last_day_only(tables):
    usual = moltspan.Collection(*tables, temperatures=series(0, 900))
    warm = moltspan.Collection(*tables, temperatures=pd.concat([series(0, 900), series(901, 1100, shift=6)]))
    assert usual.as_of == warm.as_of
    medians = [moltspan.fit(c).forecast() for c in (usual, warm)]
    assert (medians[1]["q0.5"] / medians[0]["q0.5"]).mean() == pytest.approx(np.exp(-0.06 * 6), abs=0.08)  # law of the simulator: 6 % a degree
    back = [moltspan.fit(c, as_of=iso(700)).forecast() for c in (usual, warm)]
    pd.testing.assert_frame_equal(*back)


def test_a_folder_with_temperatures(tables, tmp_path):
    animals, journal = tables
    animals.to_csv(tmp_path / "animals.csv", index=False)
    journal.to_csv(tmp_path / "journal.csv", index=False)
    series(0, 30).to_csv(tmp_path / "temperatures.csv", index=False)
    done = subprocess.run([sys.executable, "-m", "moltspan", "check", str(tmp_path), "--json", "-"], capture_output=True, text=True)
    assert json.loads(done.stdout)["temperatures"] == [{"place": None, "days": 31, "first": iso(0), "last": iso(30)}]
    assert moltspan.read(tmp_path).temperatures.shape == (31, 2)
    done = subprocess.run([sys.executable, "-m", "moltspan", "check", str(tmp_path)], capture_output=True, text=True)
    assert f"31 days everywhere, {iso(0)} .. {iso(30)}" in done.stdout
    (tmp_path / "temperatures.csv").write_text("day,degrees_c\n2023-01-01,77\n")
    done = subprocess.run([sys.executable, "-m", "moltspan", "check", str(tmp_path)], capture_output=True, text=True)
    assert done.returncode == 1 and "temperatures.csv" in done.stderr + done.stdout and "75 F" in done.stderr + done.stdout


def test_many_records_learn_the_same_warmth():
    """Only part of many records is fitted while the clock is learned; the log rates at closed ends count for that part alone."""
    records = grown(seed=5, n=150, days=2000)
    fit = moltspan.fit(moltspan.Collection(*records, temperatures=series(0, 2000)), growth_model=False)
    assert len(records[1]) > 3000 and fit._core.clock.warmth == pytest.approx(-0.06, abs=0.01)  # truth of the simulator
