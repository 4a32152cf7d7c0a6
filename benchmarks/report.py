"""Time, size and paper of the report: python benchmarks/report.py [chromium]

A process each, so that starting up counts; wall clock and processor time, least of 3. Simulated collections of two years, of four years with meals and molts that
nobody saw, and the demo collection several times over (temperatures by day, refusals, cohorts), whose fits cost most. With the name of a browser the
pages of A4 that it prints are counted. Invented records.
"""

import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

import moltspan

DEMO = Path(__file__).resolve().parents[1] / "demo" / "collection"
LONG = {"study_days": 1460, "meal_every_days": 10, "missed_molt_chance": 0.03}


def simulated(n, **options):
    return moltspan.simulate_collection(7, n_animals=n, n_taxa=max(4, n // 8), n_genera=max(2, n // 20), **options)[0]


def demo_copies(n):
    """The demo n times, names and cohorts with the number of the copy."""
    demo = moltspan.read(DEMO)
    names = re.compile("|".join(sorted({*demo.animals["animal"], *demo.animals["cohort"]} - {""}, key=len, reverse=True)))
    copies = [(demo.animals.assign(animal=demo.animals["animal"] + f"_{k}", cohort=demo.animals["cohort"].map(lambda text, k=k: text and f"{text}_{k}")),
               demo.journal.assign(animal=demo.journal["animal"].map(lambda text, k=k: names.sub(rf"\g<0>_{k}", text)))) for k in range(n)]
    return [pd.concat(tables) for tables in zip(*copies, strict=True)]


def write(folder, collection):
    animals, journal = collection if isinstance(collection, list) else (collection.animals, collection.journal)
    folder.mkdir()
    animals.to_csv(folder / "animals.csv", index=False)
    journal.to_csv(folder / "journal.csv", index=False)
    if isinstance(collection, list):
        for name in ("folder.toml", "taxa.csv", "enclosures.csv"):
            (folder / name).write_bytes((DEMO / name).read_bytes())
    return len(animals)


def seconds(folder, out):
    """(wall clock, processor) of one run."""
    before, began = os.times(), time.perf_counter()
    subprocess.run([sys.executable, "-m", "moltspan", "report", str(folder), "--out", str(out), "--as-of", "2026-09-20", "--remark", "invented records"],
                   capture_output=True, check=False)
    after = os.times()
    return time.perf_counter() - began, after.children_user + after.children_system - before.children_user - before.children_system


def pages(browser, out, folder):
    pdf = folder / "page.pdf"
    subprocess.run([browser, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={pdf}", f"file://{out}"],
                   capture_output=True, check=True)
    return len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes()))


def main():
    browser = sys.argv[1] if len(sys.argv) > 1 else None
    collections = {"simulated, two years": (simulated(60), simulated(300)), "simulated, four years": (simulated(60, **LONG), simulated(300, **LONG)),
                   "the demo over and over": (demo_copies(1), demo_copies(3), demo_copies(13))}
    print("| records | animals | wall, s | processor, s | KiB | pages of A4 |\n|---|---|---|---|---|---|")
    for name, made in collections.items():
        for collection in made:
            with tempfile.TemporaryDirectory() as place:
                folder = Path(place)
                n, out = write(folder / "records", collection), folder / "page.html"
                runs = [seconds(folder / "records", out) for _ in range(3)]
                paper = pages(browser, out, folder) if browser else "-"
                print(f"| {name} | {n} | {min(wall for wall, _ in runs):.1f} | {min(busy for _, busy in runs):.1f} | {out.stat().st_size / 1024:.0f} | {paper} |", flush=True)


if __name__ == "__main__":
    main()
