"""The shades of bands: computed by us, held to the contrast that the Web Content Accessibility Guidelines 2.1 define (from memory)."""

import pytest

from moltspan.plot.calendar import MEDIAN_COLOR
from moltspan.plot.colors import ramp, shade
from moltspan.plot.shared import BAND_COLORS


def luminance(color):
    channels = [int(color[i:i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_black_and_white_are_the_ends_of_lightness():
    assert (shade(0, 0, 0), shade(1, 0, 0)) == ("#000000", "#ffffff")
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # as the guidelines state it


def test_a_grey_has_no_hue():
    assert len({shade(0.6, 0, hue) for hue in (0, 90, 225)}) == 1


def test_neighboring_bands_are_told_apart_and_the_median_shows_on_the_darkest():
    palest, middle, darkest = BAND_COLORS
    assert contrast(palest, middle) > 1.8 and contrast(middle, darkest) > 1.8
    assert contrast(MEDIAN_COLOR, darkest) > 4.5  # text on it
    assert contrast(palest, "#ffffff") > 1.25  # seen on paper, the paler the less it counts


def test_the_ramp_is_even_in_lightness():
    assert len(ramp(40, steps=5)) == 5 == len(set(ramp(40, steps=5)))
    steps = [luminance(color) for color in ramp(40, steps=5)]
    assert steps == sorted(steps, reverse=True)
