"""The scenarios of the second simulator: `draw(name, seed)` gives a `Study`. Even seeds are there to develop on, odd ones are held out."""

import numpy as np
import pandas as pd
from others_lives import (
    CRAB_PERIOD_FACTORS,
    Animal,
    Keeper,
    Study,
    briere,
    clock,
    collection_of,
    gompertz_sizes,
    mantid_days,
    molts_of,
    per_instar_days,
    work_of_stadia,
)

TARANTULAS = ("Brachypelma hamorii", "Lasiodora parahybana", "Tliltocatl albopilosus", "Nhandu chromatus", "Acanthoscurria geniculata",
              "Chromatopelma cyaneopubescens", "Caribena versicolor", "Monocentropus balfouri", "Pterinochilus murinus", "Ceratogyrus darlingi",
              "Harpactira pulchripes", "Davus pentaloris", "Vitalius chromatus", "Phormictopus cancerides", "Xenesthis immanis",
              "Pamphobeteus nigricolor")
KEPT_FROM = 1500  # rooms: lives begin years before the first record, so that animals are met at every age
HORIZON = 2500  # days that lives go on after the study, so that every next molt is known


def origins_between(first, last, n, every=1):
    return sorted({int(day) // every * every for day in np.linspace(first, last, n)})


# --- Crabs, butterflies, mantids, crickets: animals that hatch within the study ---


def crabs(rng, n_tubs, in_a_tub, first_days, n_days, n_origins):
    """From the megalopa (instar 1) on in tubs, instars stated: after the long megalopa each instar lasts about as much longer as published, but
    unevenly, and spreads more than the one before. The water cools while they are there, and is measured weekly. Few sizes."""
    means = first_days * np.mean(CRAB_PERIOD_FACTORS) ** np.arange(14) * rng.uniform(0.75, 1.35, 14)
    means[0] *= rng.uniform(1.5, 2.2)
    spread = np.linspace(rng.uniform(0.10, 0.16), rng.uniform(0.35, 0.5), 14)
    water_c = rng.uniform(16, 19) - rng.uniform(2, 6) * np.clip(np.arange(n_days + HORIZON) / n_days, 0, 1)
    keeper, animals = Keeper(rng, measured=0.05, measure="carapace_width", rounding_mm=0.5), []
    for tub in range(n_tubs):
        done = clock(briere(water_c, 4, 32) / briere(17.0, 4, 32) * rng.uniform(0.85, 1.15))
        for k in range(in_a_tub):
            work = work_of_stadia(rng, means, 1 / spread**2, rng.uniform(0.85, 1.2), stragglers=0.03)
            molts = molts_of(done, rng.uniform(0, 10), work, gompertz_sizes(rng, 1.5, rng.uniform(35, 55), 0.09, 15))
            gone = int(rng.uniform(20, n_days)) if rng.random() < 0.25 else n_days
            animals.append(Animal(f"T{tub + 1}-{k + 1}", "Carcinus maenas", molts, cohort=f"tub{tub + 1}", hatched=True, until_day=gone))
        for day in range(14, n_days + 1, 7):
            keeper.write(f"tub{tub + 1}", day, "temperature", f"{water_c[day - 7:day].mean() + rng.uniform(-0.2, 0.2):.1f}", unit="C")
    return kept(keeper, animals, origins_between(0.2 * n_days, 0.85 * n_days, n_origins))


def kept(keeper, animals, origins, **more):
    end = max(animal.until_day for animal in animals)
    for animal in animals:
        keeper.keep(animal, end)
    return Study(collection_of(animals, keeper, more.pop("taxa", None)), animals, origins, **more)


def crab_juveniles(rng):
    return crabs(rng, 6, 16, rng.uniform(9, 14), int(rng.uniform(150, 220)), 9)


def crab_juveniles_small(rng):
    return crabs(rng, 3, 13, rng.uniform(8, 11), int(rng.uniform(110, 140)), 6)


def butterflies(rng):
    """Five larval instars and the molt into the pupa, to the day; durations of Helicoverpa at one of the published temperatures."""
    means = per_instar_days("Helicoverpa_armigera", rng.choice([15.0, 17.5, 20.0, 25.0]))
    means[4] *= rng.uniform(1.0, 1.4)
    days_warm = 1 + rng.uniform(0.0, 0.15) * np.sin(np.arange(400) / rng.uniform(4, 12))
    done, keeper, animals = clock(days_warm), Keeper(rng, measured=0), []
    for k in range(int(rng.uniform(120, 200))):
        work = work_of_stadia(rng, means, [14, 18, 22, 18, 30], rng.gamma(60) / 60, stragglers=0.02)
        molts = molts_of(done, rng.uniform(0, 12), work, np.ones(6))
        gone = int(rng.uniform(0.3, 0.9) * molts[-1].day) + 1 if rng.random() < 0.15 else int(molts[-1].day)  # pupae are put away
        animals.append(Animal(f"L{k + 1}", "Vanessa cardui", molts, hatched=True, until_day=gone, final=molts[-1].day))
    end = max(animal.molts[-1].day for animal in animals)
    return kept(keeper, animals, origins_between(0.2 * end, 0.8 * end, 5))


def mantids(rng):
    """Durations of the mantids of 1912: males have nine molts, most females ten; the stadium before the adult is the longest."""
    keeper = Keeper(rng, every=int(rng.choice([1, 2])), measured=0.5, measure="body_length", rounding_mm=1)
    days = {n: mantid_days(n) for n in (9, 10)}
    n_phases, done, animals = {9: [30] * 4 + [15, 50, 25, 20], 10: [30] * 4 + [15, 50, 25, 40, 60]}, clock(np.ones(600)), []
    for k in range(int(rng.uniform(28, 40))):
        male = rng.random() < 0.5
        n = 9 if rng.random() < (0.85 if male else 0.35) else 10
        work = work_of_stadia(rng, days[n], n_phases[n], rng.uniform(0.85, 1.18), stragglers=0.02)
        molts = molts_of(done, rng.uniform(0, 40), work, gompertz_sizes(rng, 7, 65 if male else 75, 0.15, n))
        gone = int(rng.uniform(30, molts[-1].day)) if rng.random() < 0.2 else int(molts[-1].day) + 60
        sex = ("male" if male else "female") if rng.random() < 0.8 else "unknown"
        animals.append(Animal(f"M{k + 1}", "Sphodromantis viridis", molts, sex, hatched=True, until_day=gone, final=molts[-1].day))
    return kept(keeper, animals, origins_between(40, 200, 7, every=2))


def crickets(rng):
    """Weekly looks at ten temperatures; durations of a bug at 25 C times three, run by a rate that falls at the warmest."""
    means, lower, upper = 3 * per_instar_days("Nezara_viridula"), rng.uniform(8, 12), rng.uniform(40, 42)
    keeper, animals = Keeper(rng, every=7, measured=0.7, measure="mass", unit="mg", rounding_mm=2), []
    for t in np.linspace(18, 37, 10):
        done = clock(np.full(900, briere(t, lower, upper) / briere(25.0, lower, upper)))
        for k in range(7):
            male = rng.random() < 0.5
            work = work_of_stadia(rng, means * (0.95 if male else 1.05), [40, 30, 30, 25, 20], rng.uniform(0.85, 1.2), stragglers=0.04)
            molts = molts_of(done, rng.uniform(0, 14), work, 5 * np.array([1, 4, 13, 40, 100, 200]) * rng.uniform(0.8, 1.2))
            gone = int(rng.uniform(20, 200)) if rng.random() < 0.15 else 200
            animals.append(Animal(f"{t:.0f}-{k + 1}", "Gryllodes sigillatus", molts, "male" if male else "female", hatched=True,
                                  until_day=gone // 7 * 7, final=molts[-1].day, columns={"temperature_c": f"{t:.1f}"}))
    for animal in animals:
        keeper.looks(animal)
    return kept(keeper, animals, origins_between(28, 110, 5, every=7), watched="rows")


# --- Rooms of tarantula-like animals: met at every age, years of records ---


def growing_days(scale):
    """Days in instars: 1 to 11 of the wolf spider times the pace of the kind; then slowly longer, as between its instars 5 and 9."""
    days = per_instar_days("Aglaoctenus_lagotis")[:11]
    return scale * np.concatenate([days, days[-1] * (days[8] / days[4]) ** (np.arange(1, 14) / 4)])


def days_to_adult(scale):
    """The same with the long twelfth instar of the wolf spider; adult females molt on, at the length of its adult stage (instar 13 here)."""
    return scale * np.concatenate([per_instar_days("Aglaoctenus_lagotis"), np.full(12, 120.2)])


def kinds_of(rng, n, days_at, scales=(2.0, 4.0), adults_mm=(110, 200)):
    """Taxon -> (days by instar, phases, adult size): spread is each kind's own."""
    names = rng.permutation(TARANTULAS)[:n]
    return {name: (days_at(rng.uniform(*scales)), rng.uniform(18, 60), rng.uniform(*adults_mm)) for name in names}


def adult_ages(kind, least, most):
    """Days since hatching of adult females, as shares of the days to adulthood."""
    return tuple(kind[0][:12].sum() * np.array([least, most]))


def room_animal(rng, name, taxon, kind, done, come, end, **more):
    """One animal, hatched years before day `come`, when it is bought."""
    days, n_phases, adult_mm = kind
    approach = more.pop("approach", (0.12, 0.18))
    work = work_of_stadia(rng, days, n_phases, rng.uniform(0.8, 1.25), stragglers=0.02)
    sizes = gompertz_sizes(rng, rng.uniform(8, 12), adult_mm * rng.uniform(0.88, 1.12), rng.uniform(*approach), len(days) + 1)
    born = come - rng.uniform(*more.pop("age", (60, 900)))
    return Animal(name, taxon, molts_of(done, born, work, sizes), from_day=int(come), until_day=end, **more)


def room(rng, rate, n_animals=28, n_kinds=4, n_days=1100, **more):
    """Animals of a few kinds under one roof, bought over the first half; `rate`: of each day from the first life on."""
    done, kinds, end = clock(rate), more.pop("kinds", None) or kinds_of(rng, n_kinds, growing_days), KEPT_FROM + n_days
    taxa = list(kinds)
    bought = KEPT_FROM + rng.uniform(0, 0.4 * n_days, n_animals)
    return [room_animal(rng, f"A{k + 1}", taxa[k % n_kinds], kinds[taxa[k % n_kinds]], done, day, end, **more) for k, day in enumerate(bought)]


def wave(rng, n_days, amplitude):
    """A yearly course with its height in June to August, so that months mean the same in every collection."""
    return amplitude * np.cos(2 * np.pi * (np.arange(n_days) - rng.uniform(165, 230)) / 365.25)


def write_temperatures(rng, keeper, animals, temperature_c, every=30):
    """The mean since the previous row, for all animals there, as a thermometer in the room tells it."""
    for day in range(KEPT_FROM, max(a.until_day for a in animals) + 1, every):
        mean = temperature_c[day - every:day + 1].mean() + rng.uniform(-0.3, 0.3)
        there = [a.name for a in animals if a.from_day <= day - every // 2]
        for name in there:
            keeper.write(name, day, "temperature", f"{mean:.1f}", unit="C")


def room_keeper(rng, **more):
    return Keeper(rng, **({"instars": bool(rng.random() < 0.5), "measured": 0.8, "eager": 0.5} | more))


def warm_room(rng, temperature_c):
    rate = briere(temperature_c, 9, 37) / briere(25.0, 9, 37)
    keeper, animals = room_keeper(rng), room(rng, rate)
    write_temperatures(rng, keeper, animals, temperature_c)
    return kept(keeper, animals, origins_between(KEPT_FROM + 500, KEPT_FROM + 1040, 10))


def yearly_temperature(rng):
    """A room with its temperature written every month; a yearly course of 3 C up and down."""
    n = KEPT_FROM + 1100 + HORIZON
    return warm_room(rng, rng.uniform(22, 25) + wave(rng, n, 3.0) + rng.uniform(-1, 1, n))


def moved_house(rng):
    """The same without the course, moved half-way to a house 5 C warmer; rows written on."""
    n = KEPT_FROM + 1100 + HORIZON
    moved = KEPT_FROM + rng.uniform(480, 620)
    return warm_room(rng, rng.uniform(20, 22) + 5.0 * (np.arange(n) > moved) + rng.uniform(-1, 1, n))


def unmeasured_season(rng):
    """A season of a quarter up and down in the rate, and no thermometer."""
    rate = 1 + wave(rng, KEPT_FROM + 1100 + HORIZON, 0.25)
    return kept(room_keeper(rng), room(rng, rate), origins_between(KEPT_FROM + 500, KEPT_FROM + 1040, 10))


def adult_sizes(rng, stated=False):
    """Growth that ends, the adult size stated nowhere or wrong by 12 %; sizes after the next molts are scored too."""
    kinds = kinds_of(rng, 4, growing_days)
    animals = room(rng, np.ones(KEPT_FROM + 1100 + HORIZON), age=(100, 700), approach=(0.09, 0.14), kinds=kinds,
                   **({"sex": "female"} if stated else {}))  # as a male of a stated adult size is told to molt no more once grown
    taxa = [(taxon, f"{kind[2] * np.exp(0.12 * rng.standard_normal()):.0f}") for taxon, kind in kinds.items()] if stated else None
    return kept(room_keeper(rng, measured=0.95), animals, origins_between(KEPT_FROM + 550, KEPT_FROM + 950, 3), sizes=True,
                taxa=taxa and pd.DataFrame(taxa, columns=["taxon", "adult_leg_span_mm"]))


def adult_sizes_stated(rng):
    return adult_sizes(rng, stated=True)


def one_a_kind(rng):
    """One animal of each of 14 kinds, most of them slow adult females; 6 % of the molts missed, instars not counted."""
    kinds, end = kinds_of(rng, 14, days_to_adult, scales=(1.2, 3.0)), KEPT_FROM + 1500
    done, animals = clock(np.ones(end + HORIZON)), []
    for k, (taxon, kind) in enumerate(kinds.items()):
        adult = rng.random() < 0.6
        animals.append(room_animal(rng, f"A{k + 1}", taxon, kind, done, KEPT_FROM + rng.uniform(0, 300), end, sex="female" if adult else "unknown",
                                   age=adult_ages(kind, 1.1, 1.6) if adult else (60, 500)))
    keeper = room_keeper(rng, missed=0.06, instars=False)
    return kept(keeper, animals, origins_between(KEPT_FROM + 700, end - 100, 6))


def adults_watched_briefly(rng):
    """Adult females, bought as such and watched for eight months: no molt or one on record. Adult sizes stated."""
    kinds, end = kinds_of(rng, 3, days_to_adult, scales=(3.0, 5.0)), KEPT_FROM + 240
    done, taxa, animals = clock(np.ones(end + HORIZON)), list(kinds), []
    for k in range(24):
        kind = kinds[taxa[k % 3]]
        animals.append(room_animal(rng, f"A{k + 1}", taxa[k % 3], kind, done, KEPT_FROM + rng.uniform(0, 20), end, sex="female",
                                   age=adult_ages(kind, 1.25, 1.9)))
    stated = pd.DataFrame({"taxon": taxa, "adult_leg_span_mm": [f"{kinds[taxon][2]:.0f}" for taxon in taxa]})
    return kept(room_keeper(rng), animals, [end], taxa=stated)


SCENARIOS = {
    "crab juveniles": crab_juveniles,
    "crab juveniles, small": crab_juveniles_small,
    "butterflies": butterflies,
    "mantids": mantids,
    "crickets, ten temperatures": crickets,
    "temperature over the year": yearly_temperature,
    "moved to a warmer house": moved_house,
    "season nobody measured": unmeasured_season,
    "adult sizes not stated": adult_sizes,
    "one animal a kind": one_a_kind,
    "adults watched for 8 months": adults_watched_briefly,
    "adult sizes stated": adult_sizes_stated,
}


def draw(name, seed):
    """The study of this scenario and seed; the same for the same seed."""
    return SCENARIOS[name](np.random.default_rng([list(SCENARIOS).index(name), seed]))
