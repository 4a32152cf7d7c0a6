"""Scripts of benchmarks/ as modules, for tests that run a short version of them."""

import importlib.util
from pathlib import Path

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


def load(name):
    spec = importlib.util.spec_from_file_location(name, BENCHMARKS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
