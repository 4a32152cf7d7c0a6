"""Published tables, analysed: growth ratios, mantids of one ootheca by sex, development against temperature.

Run from the repository: python3 demo/published_growth.py (sources: SOURCE.md in published_growth and published_mantids of tests/reference).
"""
from pathlib import Path

import pandas

import moltspan

REFERENCE = Path(__file__).parents[1] / "tests" / "reference"
spider, scorpion, worm, instars = (pandas.read_csv(REFERENCE / "published_growth" / f"{name}.csv")
                                   for name in ("wolf_spider", "scorpion", "armyworm", "armyworm_instars"))
series = {"Aglaoctenus lagotis": (spider, "cephalothorax_mm"), "Centruroides gracilis, female": (scorpion, "female_mm"),
          "Centruroides gracilis, male": (scorpion, "male_mm")}
ratios = {}
for name, (table, size) in series.items():
    sized = table.dropna(subset=[size])
    ratios[name] = moltspan.dyar_fit(sized["instar"], sized[size]).growth_ratio()
    print(name, "growth ratio a molt", ratios[name])

mantids = pandas.read_csv(REFERENCE / "published_mantids" / "table_c.csv").dropna(subset=["sex"])
days = pandas.read_csv(REFERENCE / "published_mantids" / "table_f.csv").melt(["id", "sex"], var_name="step", value_name="min_days")
days["molt"] = days["step"].map({"VI-V": 5, "VII-VI": 6, "VIII-VII": 7, "IX-VIII": 8, "X-IX": 9})
stadia = days.dropna().assign(max_days=days["min_days"])
sizes = moltspan.instar_table(mantids, by="sex", instar="molt", size="animal_mm", animal="id", stadia=stadia)
growth = moltspan.growth_effects(mantids, "sex", size="animal_mm", instar="molt", animal="id", random="1")
print(sizes, growth, sep="\n")

warmth = moltspan.thermal_sum_fit(worm["temperature_c"], worm["total_days"], use_to_c=30)
optimum = moltspan.briere_fit(instars["temperature_c"], instars["instar_2_days"])
print(warmth, optimum, "Q10 from 18 to 30 C", moltspan.q10(1 / 71.78, 1 / 22.4, 18, 30), sep="\n")
