"""How often health calls the bands of a fit bad: where the model is right, and where the spread of stadia hangs on the instar.

    python benchmarks/calibration_notes.py 100 40        # collections, animals each
"""

import sys
from pathlib import Path

import moltspan

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "python"))
from test_calibration import crabs  # noqa: E402 - the same records as in the test


def called_bad(collection):
    return any(state == "bad" and topic.startswith("calibration") for state, topic, _ in moltspan.fit(collection, growth_model=False).health.notes)


def main():
    n, animals = int(sys.argv[1]), int(sys.argv[2])
    right = sum(called_bad(moltspan.simulate_collection(seed=7000 + seed, n_animals=animals)[0]) for seed in range(n))
    wrong = sum(called_bad(crabs(seed)) for seed in range(n))
    print(f"called bad: {right} of {n} where the model is right ({animals} animals); {wrong} of {n} where spreads and medians hang on the instar")


if __name__ == "__main__":
    main()
