"""Colours of pages and figures. Grey is normal; a hue says that something asks for action, and never says it alone."""

from dataclasses import asdict, dataclass
from typing import Literal

Scheme = Literal["light", "dark"]


@dataclass(frozen=True, slots=True)
class Palette:
    """One set of colours, as CSS writes them."""

    paper: str
    sheet: str  # fields and figures, a shade off the paper
    ink: str
    soft: str  # secondary text, contrast at least 4.5 to paper and sheet
    faint: str  # lines of data that ask for nothing
    hair: str  # rules and grids
    act: str
    watch: str
    silent: str


PALETTES: dict[Scheme, Palette] = {
    "light": Palette(
        paper="#f3f3ef",
        sheet="#fbfbf9",
        ink="#1b1f22",
        soft="#565d62",
        faint="#8b9297",
        hair="#d0d2cc",
        act="#a62b12",
        watch="#805300",
        silent="#45569a",
    ),
    "dark": Palette(
        paper="#15181a",
        sheet="#1c2022",
        ink="#e3e5e1",
        soft="#a0a8ad",
        faint="#7b8388",
        hair="#33393c",
        act="#ff8a6b",
        watch="#e0ad48",
        silent="#a3b4f0",
    ),
}


def palette_css() -> str:
    """Write both palettes as CSS custom properties, chosen by what the reader's system prefers."""
    light, dark = (_properties(PALETTES[scheme]) for scheme in ("light", "dark"))
    return f":root {{{light}}}\n@media (prefers-color-scheme: dark) {{ :root {{{dark}}} }}\n"


def _properties(palette: Palette) -> str:
    return " ".join(f"--{name}: {colour};" for name, colour in asdict(palette).items())
