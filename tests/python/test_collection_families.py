"""Families mixed in the distribution of current stadia: weights beside the evidence of three whole fits, and what they do to bands."""

import numpy as np
import pytest

import moltspan
from moltspan import _core

FAMILIES = ("lognormal", "weibull", "loglogistic")


def collection(family, replicate, n_animals=20):
    return moltspan.simulate_collection(77, replicate, n_animals=n_animals, family=family)[0]


def by_evidence(records):
    """Weights from the log evidence of each family's own fit, with the prior shares .6, .2, .2."""
    evidence = np.array([moltspan.fit(records, family=family, mix_families=False, hidden_molts=False, threads=1).stadia._core.log_likelihood
                         for family in FAMILIES])
    share = np.exp(evidence - evidence.max()) * [0.6, 0.2, 0.2]
    return share / share.sum()


@pytest.mark.parametrize("family", FAMILIES)
def test_weights_are_near_those_of_the_evidence_of_whole_fits(family):
    """Tolerance: a refit of each family integrates all parameters anew, the weights take them from the first fit. Of 12 such collections (replicates
    0 to 3) the largest difference was .07 on average and .29 at most (the third log-logistic one)."""
    for replicate in (0, 1):
        records = collection(family, replicate)
        weights = moltspan.fit(records, threads=1).family_weights
        ours = np.array([weights.get(name, 0) for name in FAMILIES])
        assert ours.sum() == pytest.approx(1)
        assert np.abs(ours - by_evidence(records)).max() < 0.2


def test_many_records_find_the_family():
    found = [moltspan.fit(collection(family, 3, 150), threads=1).family_weights for family in FAMILIES]
    assert [max(weights, key=weights.get) for weights in found] == list(FAMILIES)
    assert list(found[1])[0] == "lognormal"  # that of the fit stands first


def test_one_family_where_it_is_asked_for_and_under_maximum_likelihood():
    records = collection("weibull", 0)
    assert moltspan.fit(records, mix_families=False).family_weights == {"lognormal": 1}
    assert moltspan.fit(records, method="ml", family="weibull").family_weights == {"weibull": 1}


def test_mixed_quantiles_lie_between_those_of_the_families():
    """Law: a quantile of a mixture lies between the least and the greatest of its parts; the parts' moments are those of one fit, hence 3 %."""
    records = collection("loglogistic", 0)
    mixed, alone = (_core.forecast(moltspan.fit(records, threads=1, mix_families=mix)._core, [0.8]) for mix in (True, False))
    others = [_core.forecast(moltspan.fit(records, threads=1, family=family, mix_families=False)._core, [0.8]) for family in FAMILIES[1:]]
    for one, *rest in zip(mixed, alone, *others, strict=True):
        if one.last_molt is None or not one.quantile_days:
            continue
        middle = len(one.quantile_days) // 2
        medians = [each.quantile_days[middle] for each in rest]
        assert 0.97 * min(medians) <= one.quantile_days[middle] <= 1.03 * max(medians)


def test_shares_are_said():
    fit = moltspan.fit(collection("loglogistic", 1))
    assert "distribution of current stadia: log-normal" in str(fit)
    assert "pseudo Bayes factors (log-normal" in fit.methods_text()
