"""How each run looks: a letter, a dash pattern, a width, a glyph and, last, a colour.

Any one of letter, dash and glyph tells the runs apart, so the report also works in grey and for colour-blind readers.
"""

from dataclasses import dataclass
from typing import Any, Final

# Inks with a contrast of at least 4.5 to 1 on the page's paper.
_INKS: Final = ("#17497f", "#9c3d0c", "#2f6422", "#74306a", "#4b4b4b", "#006464")
# In CSS pixels: solid, long dash, dots, dash and dot, short dash. Five against six inks and glyphs: pairs repeat late.
_DASHES: Final[tuple[tuple[int, ...], ...]] = ((), (11, 5), (2, 4), (11, 4, 2, 4), (5, 4))
_WIDTHS: Final = (2.2, 1.8, 2.0, 1.6, 1.4)
# SVG path data around the origin, about 8 px across: the browser's canvas takes the same text.
_GLYPHS: Final = (
    "M4 0A4 4 0 1 1 -4 0A4 4 0 1 1 4 0Z",
    "M-3.6 -3.6H3.6V3.6H-3.6Z",
    "M0 -4.6L4.4 3.6H-4.4Z",
    "M0 -5L5 0L0 5L-5 0Z",
    "M0 4.6L4.4 -3.6H-4.4Z",
    "M-1.6 -4.6H1.6V-1.6H4.6V1.6H1.6V4.6H-1.6V1.6H-4.6V-1.6H-1.6Z",
)


@dataclass(frozen=True)
class RunStyle:
    """The look of one run; `dash` and `width_px` in CSS pixels, `glyph` as SVG path data."""

    letter: str
    ink: str
    dash: tuple[int, ...]
    width_px: float
    glyph: str

    def as_data(self) -> dict[str, Any]:
        """The style for the page's script."""
        return {
            "letter": self.letter,
            "ink": self.ink,
            "dash": list(self.dash),
            "width_px": self.width_px,
            "glyph": self.glyph,
        }


def run_style(index: int) -> RunStyle:
    """The style of the run at `index` (from 0)."""
    letter = chr(ord("A") + index % 26) + (str(index // 26 + 1) if index >= 26 else "")
    return RunStyle(
        letter=letter,
        ink=_INKS[index % len(_INKS)],
        dash=_DASHES[index % len(_DASHES)],
        width_px=_WIDTHS[index % len(_WIDTHS)],
        glyph=_GLYPHS[index % len(_GLYPHS)],
    )


def sample_svg(style: RunStyle) -> str:
    """A short piece of the run's line for the legend."""
    dash = f' stroke-dasharray="{" ".join(str(part) for part in style.dash)}"' if style.dash else ""
    return (
        '<svg class="sample" width="46" height="12" viewBox="0 0 46 12" aria-hidden="true">'
        f'<path d="M0 6H46" stroke="{style.ink}" stroke-width="{style.width_px}"{dash} fill="none"/>'
        f'<path transform="translate(23 6)" d="{style.glyph}" fill="{style.ink}"/></svg>'
    )
