"""Published instar tables and Daphnia lengths, analysed: growth ratios, stadia against temperature, sizes per instar.

Run from the repository: python3 demo/published_growth.py (data and licences: tests/reference/amp-instar-tables, daphnia-tsr).
"""
from pathlib import Path

import pandas

import moltspan

REFERENCE = Path(__file__).parents[1] / "tests" / "reference"
papers = pandas.read_csv(REFERENCE / "amp-instar-tables" / "per_instar_means.csv")
ratios = {}
for (species, sex), rows in papers[papers["instar"].astype(str).str.isdigit() & papers["size"].notna()].groupby(["species", "sex"]):
    if species in ("Aglaoctenus_lagotis", "Centruroides_gracilis", "Grosphus_hirtus"):
        ratios[species, sex] = moltspan.dyar_fit(rows["instar"].astype(int), rows["size"].astype(float)).growth_ratio()
        print(species, sex, "growth ratio a molt", ratios[species, sex])

moth = papers[(papers["species"] == "Helicoverpa_armigera") & (papers["instar"].astype(str) == "5")]
days = moth["instar_duration_d"].astype(float)
warmth = moltspan.thermal_sum_fit(moth["temp_C"], days, use_to_c=32.5)
optimum = moltspan.briere_fit(moth["temp_C"], days)
print(warmth, optimum, moltspan.q10(1 / 8.60, 1 / 4.00, 20, 30), sep="\n")

fleas = pandas.read_csv(REFERENCE / "daphnia-tsr" / "acclimated-daphnia-body-size.csv").dropna(subset=["stage"])
fleas["instar"] = fleas["stage"].str.strip().replace("neonate", "clutch0").str.removeprefix("clutch").astype(int)
fleas["female"] = fleas["temperature"].astype(str) + "-" + fleas["replicate"].astype(str)
fleas["date"] = pandas.to_datetime(fleas["date_measured"], format="%m-%d-%Y", errors="coerce")
sizes = moltspan.instar_table(fleas[fleas["instar"] <= 6], size="size_(um)", animal="female")
readings = moltspan.instar_table(fleas[fleas["instar"] <= 6], size="size_(um)", animal=None)
clutches = fleas[fleas["instar"] > 0].sort_values(["female", "date"])
clutches["min_days"] = clutches["max_days"] = clutches.groupby("female")["date"].diff().dt.days
gaps = clutches[clutches["min_days"] > 0]
pace = moltspan.temperature_effect(gaps, temperature="temperature", animal="female", assigned=True)
print(sizes, pace, sep="\n")
