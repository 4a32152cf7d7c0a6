"""The open data sets, turned into records and read: counts that their sources state."""

import subprocess
import sys
from pathlib import Path

import pytest

import moltspan

REFERENCE = Path(__file__).parent.parent / "reference"
pytestmark = pytest.mark.open_data


def run(script, folder):
    subprocess.run([sys.executable, REFERENCE / script, folder], check=True, capture_output=True)
    return folder


@pytest.fixture(scope="module")
def crickets(tmp_path_factory):
    return moltspan.read(run("convert_crickets.py", tmp_path_factory.mktemp("crickets")))


@pytest.fixture(scope="module")
def lobsters(tmp_path_factory):
    return moltspan.read(run("convert_lobsters.py", tmp_path_factory.mktemp("lobsters")))


def test_all_crickets_are_read_and_the_one_that_grows_younger_is_set_aside(crickets):
    assert len(crickets.animals) == 247  # gryllodes-tpc/SOURCE.md
    problems = crickets.problems()
    faults = problems[problems.severity == "fault"]
    assert list(faults.animal) == ["28-146"]  # instar 5, then 4: the only fall in the source
    assert "instar" in faults.iloc[0].rule


def test_crickets_molt_as_often_as_their_instars_rise(crickets):
    molts = crickets.journal[crickets.journal.event == "molt"]
    # SOURCE.md: 662 rises by one, 215 by two, 25 by three and one fall, which is written as a molt; one first molt a cricket;
    # and three by the stray row of cricket 19, which SOURCE.md counts as another animal's (see crickets.py).
    assert len(molts) == 662 + 2 * 215 + 3 * 25 + 1 + 247 + 3


def test_crickets_that_died_or_left_have_stadia_that_end_so(crickets):
    status = crickets.stadia().status.value_counts()
    assert "running" not in status  # every record of the source has an end
    assert status["closed"] > 1000


def test_crickets_live_at_the_temperature_of_their_incubator(crickets):
    stadia = crickets.stadia()
    # Cricket 19's last stadia lie after its death, by the stray row (see crickets.py): no temperature is used from there.
    # Where a stadium ended before the next check, nobody measured in it: the row of the check that found its molt tells of the week before.
    unknown = stadia[stadia.temperature_c.isna() & (stadia.animal != "24-19")]
    assert set(unknown.status) == {"died", "left"} and unknown.min_days.max() <= 7
    known = stadia[stadia.temperature_c.notna()]
    incubator_c = known.animal.str.partition("-")[0].astype(float)
    # A time-weighted mean of equal readings: rounding alone may part it from them, by some 1e-15 of the value.
    assert known.temperature_c.tolist() == pytest.approx(incubator_c.tolist(), rel=1e-12)


def test_lobsters_keep_their_ids_as_text_and_their_gaps(lobsters):
    assert len(lobsters.animals) == 26
    assert "092" in set(lobsters.animals.animal)
    assert not len(lobsters.problems())
    stadia = lobsters.stadia()
    closed = stadia[stadia.status == "closed"]
    # lobster-event-log/SOURCE.md; the 13 days may be a mixed-up id, which no record can show.
    assert sorted(closed.min_days) == [13, 29, 32, 33, 34, 37, 41, 58]
    assert list(closed.min_days) == list(closed.max_days)
    assert (stadia.status == "died").sum() <= 2


def test_interval_tables_of_the_crickets_have_the_counts_of_their_source(tmp_path):
    run("cricket_tables.py", tmp_path)  # checks n and censoring against SOURCE.md itself
    assert sorted(path.name for path in tmp_path.iterdir()) == ["instar_4.csv", "instar_7.csv", "last_stage.csv"]
