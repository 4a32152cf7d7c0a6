"""Posterior and next-interval quantiles of `stan_small_collection` by a general ensemble sampler, for any family.

Model (that of `stan_small_collection/answers.json`, with the family of W free):

    log T_ij = mu + b_i + gamma x1 + delta x2 + sigma W,   x1 = log(leg span / 20 mm),   x2 = temp_c - 26
    W standard normal (lognormal), log Exp(1) (weibull) or standard logistic (loglogistic);   b_i ~ N(0, tau^2)
    mu ~ N(log 90, 1)   gamma ~ N(0, 1)   delta ~ N(0, 0.2)   sigma ~ half-N(0, 1)   tau ~ half-N(0, 0.5)

Records: interval F(hi) - F(lo), right 1 - F(lo). The walk is over (mu, gamma, delta, log sigma, log tau, b / tau).
Monte Carlo errors come from batches: each of the independent ensembles is cut into batches many autocorrelation times long.
Beside the walk stands importance sampling from a multivariate t fitted to a short walk, which shares the log-posterior but no random
walk; its Monte Carlo errors come from batches too, and where the two differ it is the more exact one (`importance_sampling_check`).
The sampler knows nothing of moltspan; it is emcee (Foreman-Mackey et al. 2013, PASP 125:306).

    python3 sample_small_collection.py weibull --out sampler_weibull/answers.json
    python3 sample_small_collection.py lognormal --out lognormal.json --check  # against the Markov chains of the case
"""

import argparse
import csv
import json
import math
import platform
from pathlib import Path

import emcee
import numpy as np
import scipy
from scipy.special import log_ndtr
from scipy.stats import multivariate_t

HERE = Path(__file__).parent
PROBABILITIES = (0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975)
N_WALKERS = 128
N_ENSEMBLES = 8
N_BATCHES = 8  # a batch of an ensemble; 64 batches in all, so a Monte Carlo error is itself known to 9 %
PREDICTIVE_DRAWS = 4000  # a batch
IMPORTANCE_BATCHES, IMPORTANCE_DRAWS = 40, 100000

# log S(z) and log F(z) of the standard families.
FAMILIES = {
    "lognormal": (lambda z: log_ndtr(-z), log_ndtr),
    "weibull": (lambda z: -np.exp(z), lambda z: np.log(-np.expm1(-np.exp(z)))),
    "loglogistic": (lambda z: -np.logaddexp(0.0, z), lambda z: -np.logaddexp(0.0, -z)),
}


def log1mexp(x):
    """log(1 - exp(x)) for x < 0."""
    return np.where(x > -math.log(2), np.log(-np.expm1(x)), np.log1p(-np.exp(x)))


class Records:
    def __init__(self, path):
        with open(path, newline="") as file:
            rows = list(csv.DictReader(file))
        self.animal = np.array([int(r["animal"]) - 1 for r in rows])
        self.log_size = np.array([float(r["log_size"]) for r in rows])
        self.temperature = np.array([float(r["temp_c"]) for r in rows]) - 26
        self.low = np.log([float(r["t_lo"]) for r in rows])
        self.running = np.array([r["t_hi"] == "" for r in rows])
        self.high = np.log([float(r["t_hi"] or 1) for r in rows])
        self.n_animals = self.animal.max() + 1


def unpack(theta):
    sigma, tau = np.exp(theta[..., 3]), np.exp(theta[..., 4])
    return sigma, tau, theta[..., 5:] * tau[..., None]


def linear_predictor(theta, records):
    _, _, effect = unpack(theta)
    return (theta[..., 0:1] + theta[..., 1:2] * records.log_size + theta[..., 2:3] * records.temperature
            + effect[..., records.animal])


def log_prior(theta):
    """With the Jacobians of log sigma and log tau; constants left out."""
    sigma, tau, _ = unpack(theta)
    return (-0.5 * (theta[:, 0] - math.log(90)) ** 2 - 0.5 * theta[:, 1] ** 2 - 0.5 * (theta[:, 2] / 0.2) ** 2
            - 0.5 * sigma**2 + theta[:, 3] - 0.5 * (tau / 0.5) ** 2 + theta[:, 4] - 0.5 * (theta[:, 5:] ** 2).sum(1))


def log_likelihood(theta, records, family):
    log_survival, log_cdf = FAMILIES[family]
    sigma = np.exp(theta[:, 3:4])
    eta = linear_predictor(theta, records)
    a, b = (records.low - eta) / sigma, (records.high - eta) / sigma
    upper = log_survival(a)
    # The difference is taken in the tail that the interval lies in, so that it does not cancel.
    in_upper_tail = upper + log1mexp(np.minimum(log_survival(b) - upper, -1e-300))
    in_lower_tail = log_cdf(b) + log1mexp(np.minimum(log_cdf(a) - log_cdf(b), -1e-300))
    closed = np.where(upper < -math.log(2), in_upper_tail, in_lower_tail)
    return np.where(records.running, upper, closed).sum(1)


def log_posterior(theta, records, family):
    bad = (np.abs(theta[:, 3:5]) > 12).any(1)
    theta = np.where(bad[:, None], 0.0, theta)
    with np.errstate(all="ignore"):
        value = log_prior(theta) + log_likelihood(theta, records, family)
    return np.where(bad | ~np.isfinite(value), -np.inf, value)


def run_ensemble(records, family, steps, seed):
    """Draws after the first fifth, as (steps, walkers, parameters), and the longest autocorrelation time in steps."""
    n = 5 + records.n_animals
    np.random.seed(seed)
    start = np.concatenate([[4.8, 0.5, 0.0, -1.8, -1.8], np.zeros(records.n_animals)])
    walkers = start + 0.1 * np.random.standard_normal((N_WALKERS, n))
    # Not the snooker move: in emcee 3.1.6 it leaves out a square in its acceptance ratio and shrinks sigma by 2 %.
    moves = [(emcee.moves.DEMove(), 0.7), (emcee.moves.StretchMove(), 0.3)]
    sampler = emcee.EnsembleSampler(N_WALKERS, n, log_posterior, args=(records, family), vectorize=True, moves=moves)
    sampler.run_mcmc(walkers, steps)
    chain = sampler.get_chain(discard=steps // 5)
    return chain, emcee.autocorr.integrated_time(chain, tol=0)


def natural(theta, records):
    sigma, tau, effect = unpack(theta)
    return np.concatenate([theta[..., :3], sigma[..., None], tau[..., None], effect], -1)


def quantile_names():
    return [f"{100 * p:g}%" for p in PROBABILITIES]


def summarise(batches, ess):
    """Summary of one scalar given as a list of batches, with Monte Carlo errors from the spread of the batches."""
    pooled = np.concatenate(batches)
    error = lambda values: np.std(values, axis=0, ddof=1) / math.sqrt(len(batches))
    q_error = error([np.quantile(b, PROBABILITIES) for b in batches])
    return {
        "mean": float(pooled.mean()), "sd": float(pooled.std(ddof=1)),
        "mcse_mean": float(error([b.mean() for b in batches])), "mcse_sd": float(error([b.std(ddof=1) for b in batches])),
        "q": dict(zip(quantile_names(), np.quantile(pooled, PROBABILITIES).tolist())),
        "mcse_q": dict(zip(quantile_names(), q_error.tolist())), "ess": float(ess),
    }


def mixture_quantiles(eta, sigma, elapsed, family):
    """Quantiles of T given T > elapsed, averaged over the draws (Rao-Blackwellised), by bisection on log T."""
    log_survival = FAMILIES[family][0]
    base = log_survival((math.log(elapsed) - eta) / sigma)
    result = []
    for p in PROBABILITIES:
        low, high = math.log(elapsed), math.log(elapsed) + 10
        for _ in range(48):
            middle = 0.5 * (low + high)
            beyond = np.exp(log_survival((middle - eta) / sigma) - base).mean()
            low, high = (middle, high) if beyond > 1 - p else (low, middle)
        result.append(math.exp(0.5 * (low + high)))
    return np.array(result)


def next_interval(batches, records, row, family):
    """The pooled answer is the mean over the batches: as a mixture's quantile is smooth, that differs from the quantile
    of the pooled mixture by far less than the Monte Carlo error."""
    elapsed = math.exp(records.low[row])
    quantiles = []
    for theta in batches:
        eta = linear_predictor(theta, records)[:, row]
        quantiles.append(mixture_quantiles(eta, np.exp(theta[:, 3]), elapsed, family))
    error = np.std(quantiles, axis=0, ddof=1) / math.sqrt(len(quantiles))
    return {"elapsed": round(elapsed), "rb": {"q": dict(zip(quantile_names(), np.mean(quantiles, axis=0).tolist())),
                                              "mcse_q": dict(zip(quantile_names(), error.tolist()))}}


def sample(records, family, steps, seed):
    batches, thinned, ess = [], [], 0.0
    for ensemble in range(N_ENSEMBLES):
        chain, autocorrelation_steps = run_ensemble(records, family, steps, seed + ensemble)
        ess = ess + chain.shape[0] * N_WALKERS / autocorrelation_steps
        for part in np.array_split(chain, N_BATCHES):
            flat = part.reshape(-1, part.shape[-1])
            batches.append(natural(flat[::8], records))
            thinned.append(flat[:: max(1, len(flat) // PREDICTIVE_DRAWS)])
        print(f"{family}: ensemble {ensemble + 1}, autocorrelation {autocorrelation_steps.max():.0f} steps", flush=True)
    names = ["mu", "gamma", "delta", "sigma", "tau"] + [f"b[{i + 1}]" for i in range(records.n_animals)]
    posterior = {name: summarise([b[:, k] for b in batches], ess[k]) for k, name in enumerate(names)}
    running = {f"animal_{records.animal[row] + 1}": next_interval(thinned, records, row, family)
               for row in np.flatnonzero(records.running)}
    return {"tool": f"emcee {emcee.__version__}", "n": len(records.low), "animals": int(records.n_animals),
            "ensembles": N_ENSEMBLES, "walkers": N_WALKERS, "steps": steps, "discarded": steps // 5, "seed": seed,
            "min_ess": float(ess.min()), "posterior": posterior, "next_interval_days": running}


def importance_batch(records, family, proposal, seed):
    """Draws, and log weights, of one batch; those of weight 0 are left out."""
    theta = proposal.rvs(size=IMPORTANCE_DRAWS, random_state=seed)
    log_weight = log_posterior(theta, records, family) - proposal.logpdf(theta)
    kept = np.isfinite(log_weight) & (log_weight > np.nanmax(log_weight) - 40)
    return theta[kept], log_weight[kept]


def probabilities_at(quantiles, theta, weight, records, row, family):
    """Weighted predictive probability of T at each quantile, given T > elapsed."""
    log_survival = FAMILIES[family][0]
    eta, sigma = linear_predictor(theta, records)[:, row], np.exp(theta[:, 3])
    base = log_survival((records.low[row] - eta) / sigma)
    return np.array([(weight * -np.expm1(log_survival((math.log(q) - eta) / sigma) - base)).sum() for q in quantiles])


def importance_check(records, family, result, seed):
    walk, _ = run_ensemble(records, family, 1500, seed)
    walk = walk[::20].reshape(-1, walk.shape[-1])
    proposal = multivariate_t(walk.mean(0), 1.1 * np.cov(walk.T), df=6, seed=seed)
    running = np.flatnonzero(records.running)
    quantiles = {row: list(result["next_interval_days"][f"animal_{records.animal[row] + 1}"]["rb"]["q"].values()) for row in running}
    names, offset, totals, squares = list(result["posterior"]), None, [], 0.0
    for batch in range(IMPORTANCE_BATCHES):
        theta, log_weight = importance_batch(records, family, proposal, seed + batch)
        offset = log_weight.max() if offset is None else offset
        weight = np.exp(log_weight - offset)
        squares += (weight**2).sum()
        means = (weight[:, None] * natural(theta, records)).sum(0)
        chances = [probabilities_at(quantiles[row], theta, weight, records, row, family) for row in running]
        totals.append(np.concatenate([[weight.sum()], means, *chances]))
    totals = np.array(totals)
    pooled = totals[:, 1:].sum(0) / totals[:, 0].sum()
    error = np.std(totals[:, 1:] - pooled * totals[:, :1], axis=0, ddof=1) / math.sqrt(len(totals)) / totals[:, 0].mean()
    n, p = len(names), len(PROBABILITIES)
    at = {f"animal_{records.animal[row] + 1}": slice(n + p * k, n + p * (k + 1)) for k, row in enumerate(running)}
    return {"draws": IMPORTANCE_BATCHES * IMPORTANCE_DRAWS, "ess": float(totals[:, 0].sum() ** 2 / squares),
            "mean": dict(zip(names, pooled[:n].tolist())), "mc_se": dict(zip(names, error[:n].tolist())),
            "prob_at_rb_quantiles": {animal: pooled[part].tolist() for animal, part in at.items()},
            "mc_se_prob": {animal: error[part].tolist() for animal, part in at.items()}}


def standard_scores(ours, theirs):
    """Differences from the Markov chains of the case in units of the joint Monte Carlo error."""
    scores = {}
    for name, value in ours["posterior"].items():
        other = theirs["posterior"][name]
        scores[name] = (value["mean"] - other["mean"]) / math.hypot(value["mcse_mean"], other["mcse_mean"])
    for name, value in ours["next_interval_days"].items():
        other = theirs["next_interval_days"][name]["rb"]
        for q in value["rb"]["q"]:
            error = math.hypot(value["rb"]["mcse_q"][q], other["mcse_q"][q])
            scores[f"{name} {q}"] = (value["rb"]["q"][q] - other["q"][q]) / error
    return scores


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("family", choices=FAMILIES)
    parser.add_argument("--steps", type=int, default=12000)
    parser.add_argument("--seed", type=int, default=20120125)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--check", action="store_true", help="compare with the log-normal answers of the case")
    arguments = parser.parse_args()
    case = HERE / "stan_small_collection"
    records = Records(case / "records.csv")
    result = sample(records, arguments.family, arguments.steps, arguments.seed)
    answer = {"case": f"sampler_{arguments.family}", "input": "../stan_small_collection/records.csv",
              "script": Path(__file__).name, "model": __doc__, "family": arguments.family,
              "versions": {"python": platform.python_version(), "numpy": np.__version__, "scipy": scipy.__version__,
                           "emcee": emcee.__version__}, "result": result,
              "importance_sampling_check": importance_check(records, arguments.family, result, arguments.seed)}
    if arguments.check:
        theirs = json.loads((case / "answers.json").read_text())["result"]
        answer["standard_scores"] = standard_scores(result, theirs)
        print("largest score", max(answer["standard_scores"].items(), key=lambda item: abs(item[1])))
    arguments.out.parent.mkdir(parents=True, exist_ok=True)
    arguments.out.write_text(json.dumps(answer, indent=1) + "\n")


if __name__ == "__main__":
    main()
