"""A wiring drawing with rings around points, each with a word of its own: which was read in what order, or how often.

In: a machine file and labels by point. Out: SVG text.
"""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from casekit.files.schema import MachineFile
from casekit.machine.drawn import drawn
from casekit.teaching.drawing import FACES, drawing, full_sheet
from casekit.teaching.places import plan_points

BLUE = "#0072B2"  # Okabe-Ito
RING, BADGE, UP = 6.0, 5.0, 11.0  # points: the ring, the badge with the word, and how far above the point it stands


def marked(machine: MachineFile, labels: Mapping[str, object]) -> str:
    """The drawing of a machine with these points ringed; a point that is not on it is left out."""
    places = plan_points(full_sheet(machine), drawn(machine))
    rings: list[str] = []
    above: list[tuple[float, float]] = []
    for point, label in labels.items():
        x, y = places.get(point, places.get(f"{point}f", (None, None)))
        if x is None:
            continue
        word, half = escape(str(label)), max(BADGE, 2.3 * len(str(label)) + 2)
        near = any(abs(x - a) < half + 2 * BADGE and abs(y - b) < UP for a, b in above)
        middle = y + UP if near else y - UP  # a badge does not stand on another
        if not near:
            above.append((x, y))
        rings.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{RING}" fill="none" stroke="{BLUE}" stroke-width="1.6"/>'
            f'<rect x="{x - half:.1f}" y="{middle - BADGE:.1f}" width="{2 * half:.1f}" height="{2 * BADGE}" '
            f'rx="{BADGE}" fill="{BLUE}"/>'
            f'<text x="{x:.1f}" y="{middle + 2.6:.1f}" font-size="7.5" font-family="{FACES}" font-weight="bold" '
            f'text-anchor="middle" fill="white">{word}</text>'
        )
    return drawing(machine).replace("</svg>", f"<g>{''.join(rings)}</g></svg>")
