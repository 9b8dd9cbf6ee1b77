import pytest

from dashboards.palette import PALETTES, Scheme, palette_css

LEAST_CONTRAST = 4.5  # WCAG 2.2, success criterion 1.4.3, level AA


def luminance(colour: str) -> float:
    """WCAG 2.2, relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["ink", "soft", "act", "watch", "silent"])
@pytest.mark.parametrize("ground", ["paper", "sheet"])
def test_words_can_be_read(scheme: Scheme, name: str, ground: str) -> None:
    palette = PALETTES[scheme]
    assert contrast(getattr(palette, name), getattr(palette, ground)) >= LEAST_CONTRAST


def test_css_has_both_schemes() -> None:
    css = palette_css()
    assert f"--act: {PALETTES['light'].act};" in css
    assert f"--act: {PALETTES['dark'].act};" in css.partition("prefers-color-scheme: dark")[2]
