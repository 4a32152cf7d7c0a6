"""Wording of facts that nobody has stated yet."""

from moltspan.text.methods import count
from moltspan._frames.visible import visible

MOST_TOLD = 2
LEAST_GAIN = 0.05  # of the width of all bands concerned together, an animal: less is not worth a line
CALLS = {"group": "write the group of {of} into taxa.csv, column group (moltspan.kinds() lists them)",
         "adult_size": "write the adult size of {of} into taxa.csv, column adult_leg_span_mm (or adult_size_mm where another measure is read)",
         "temperature": "write down temperatures: column temperature_c of taxa.csv or animals.csv, or rows in the journal",
         "size": "measure {of}, on a skin or through the wall: no size of it is on record"}
BANDS = {"adult_size": "sizes to come"}


def sharpen_lines(missing):
    """The facts that would make forecasts narrower, at most two, as lines."""
    told = [fact for fact in missing if fact["animals"] * fact["narrower_by"] >= LEAST_GAIN][:MOST_TOLD]
    lines = [visible(f"  {CALLS[fact['fact']].format(of=fact['of'])}: bands of {BANDS.get(fact['fact'], 'days to the next molt')} of "
                     f"{count(fact['animals'], 'animal')} narrower by about {100 * fact['narrower_by']:.0f} % (estimate)") for fact in told]
    return ["What would sharpen the forecasts most:", *lines] if lines else []
