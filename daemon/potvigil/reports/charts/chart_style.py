"""The style of all charts."""

import re
from typing import Any

WIDE_IN, NARROW_IN = 7.1, 3.6
LEFT_IN = 0.46  # holds the figures of an axis: −0.02
# Okabe & Ito, Color Universal Design (2008): blue, orange and vermilion, of different lightness too.
READ, CORRECTED, ALARM, QUIET, INK = "#0072B2", "#E69F00", "#B34A00", "#666666", "#222222"
CORRECTED_WORD = "#8A5F00"  # the orange is too light for text
DASHED, DOTTED = (0, (5, 2)), (0, (1, 2))
FONT_PT, LINE_IN = 7.5, 0.155
LETTER = 0.6  # mean width of a letter over its height, DejaVu Sans
LEVEL: dict[str, Any] = {"color": QUIET, "lw": 0.8, "ls": DOTTED}  # a level for comparison
LEADER = {"arrowstyle": "-", "lw": 0.5, "shrinkA": 0, "shrinkB": 0}  # from a name to its line
PAPER = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}  # behind a name that lines run through
MEASURED = "DejaVu Sans"  # comes with matplotlib; wider than any of its substitutes
LOOK: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "potvigil",
    "font.family": MEASURED,
    "font.size": FONT_PT,
    "axes.edgecolor": "#888888",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "text.parse_math": False,
}


def width_of(text: str) -> float:
    """Return the approximate width of a text, inches."""
    return len(text) * LETTER * FONT_PT / 72.0


# What each colour of a chart becomes on a dark page; others stay as they are.
_DARK = {
    INK: "#E9E6DF",
    QUIET: "#AEACA5",
    READ: "#7FB8EE",
    CORRECTED_WORD: "#F0A25E",
    ALARM: "#FF9A6B",
    "#FFFFFF": "#0D0F11",
    "#888888": "#868C92",
    "#BBBBBB": "#5A6067",
    "#EEEEEE": "#1D2125",
    "#EBEBEB": "#23282D",
    "#E4E4E4": "#30363C",
    "#F4F4F4": "#23282D",
    "#BCD6E6": "#1F3A52",
}


def dark_rules() -> str:
    """Return CSS rules that recolour a chart for a dark page, because its colours are inline."""
    return " ".join(
        f'[style*="{what}: {light.lower()}"] {{ {what}: {dark.lower()} !important; }}'
        for light, dark in _DARK.items()
        for what in ("fill", "stroke")
    )


def for_inlining(svg: str, prefix: str) -> str:
    """Strip what only a file needs, and make ids unique in a page that holds several charts."""
    svg = svg[svg.index("<svg") :].strip()
    used = set(re.findall(r'href="#([^"]+)"', svg)) | set(re.findall(r"url\(#([^)]+)\)", svg))
    svg = re.sub(r' id="([^"]+)"', lambda m: f' id="{prefix}{m[1]}"' if m[1] in used else "", svg)
    svg = re.sub(r'href="#|url\(#', lambda m: m[0] + prefix, svg)
    svg = svg.replace(f"'{MEASURED}'", f"'{MEASURED}', Verdana, Helvetica, Arial, sans-serif")
    svg = re.sub(r"<g>\s*</g>\s*|<!--.*?-->\s*", "", svg, flags=re.S)
    svg = re.sub(r"(\d\.\d\d)\d+", r"\1", svg)  # a hundredth of a point is finer than any screen
    return re.sub(r"\n\s*", "\n", svg)
