"""Shades of one hue, computed: even steps of lightness in OKLab (Ottosson 2020), which looks even to the eye."""

from math import cos, radians, sin

# Linear sRGB of the cubes of OKLab's cone responses, and these responses of (L, a, b).
FROM_CONES = ((4.0767416621, -3.3077115913, 0.2309699292), (-1.2684380046, 2.6097574011, -0.3413193965), (-0.0041960863, -0.7034186147, 1.7076147010))
CONES = ((1, 0.3963377774, 0.2158037573), (1, -0.1055613458, -0.0638541728), (1, -0.0894841775, -1.2914855480))


def _products(matrix, vector):
    return [sum(a * b for a, b in zip(row, vector, strict=True)) for row in matrix]


def shade(lightness, chroma, hue_degrees):
    """The sRGB colour `#rrggbb` of a lightness (0 black to 1 white), a chroma and a hue; channels out of range are cut."""
    angle = radians(hue_degrees)
    linear = _products(FROM_CONES, [cone**3 for cone in _products(CONES, (lightness, chroma * cos(angle), chroma * sin(angle)))])
    clipped = [min(max(value, 0.0), 1.0) for value in linear]
    bent = [12.92 * value if value <= 0.0031308 else 1.055 * value ** (1 / 2.4) - 0.055 for value in clipped]
    return "#" + "".join(f"{round(255 * value):02x}" for value in bent)


def ramp(hue_degrees, lightest=0.88, darkest=0.42, steps=3):
    """Shades from the lightest to the darkest, even in lightness; the palest has half of the chroma of the deepest."""
    levels = [lightest + (darkest - lightest) * k / (steps - 1) for k in range(steps)]
    return tuple(shade(level, 0.055 + 0.055 * k / (steps - 1), hue_degrees) for k, level in enumerate(levels))
