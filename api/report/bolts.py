"""The tightening sequence drawn for a bolt count: nuts on their circle, numbered by turn."""

from __future__ import annotations

import math
from html import escape

from api.words import _
from ingest.service.sequence import criss_cross

SIZE = 200


def bolt_circle(count: int, ident: str, title: str) -> str:
    """Return an SVG of the flange: beside each nut the turn at which it is tightened.

    Parameters
    ----------
    count : int
        Nuts on the circle.
    ident : str
        Prefix of the ids inside, one for each drawing of a page.
    title : str
        Said by a reader of the page who cannot see it.
    """
    order = criss_cross(count)
    turn = {nut: n for n, nut in enumerate(order, 1)}
    middle, radius = SIZE / 2, SIZE / 2 - 26
    size = min(15.0, 0.8 * math.pi * radius / count)
    places = {
        nut: (
            round(middle + radius * math.sin(2 * math.pi * (nut - 1) / count), 1),
            round(middle - radius * math.cos(2 * math.pi * (nut - 1) / count), 1),
        )
        for nut in range(1, count + 1)
    }
    first = order[: min(4, count)]
    path = " ".join(f"{x},{y}" for x, y in (places[n] for n in first))
    nuts = "".join(
        f'<circle cx="{x}" cy="{y}" r="{size:.1f}" fill="#ffffff" stroke="#14302a" '
        f'stroke-width="1.5"/><text x="{x}" y="{y + size * 0.36:.1f}" text-anchor="middle" '
        f'font-size="{size:.1f}" font-weight="700" fill="#14302a">{turn[nut]}</text>'
        for nut, (x, y) in places.items()
    )
    said = ", ".join(str(n) for n in order)
    told = _("Nuts clockwise from the top; order: {order}.", order=said)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SIZE} {SIZE}" role="img" '
        f'aria-labelledby="{ident}-t {ident}-d" font-family="B612, Verdana, sans-serif">'
        f'<title id="{ident}-t">{escape(title)}</title>'
        f'<desc id="{ident}-d">{escape(told)}</desc>'
        f'<circle cx="{middle}" cy="{middle}" r="{radius}" fill="none" stroke="#b9cbc2" '
        f'stroke-width="1.5"/><polyline points="{path}" fill="none" stroke="#b08a3c" '
        f'stroke-width="1.5" stroke-dasharray="5 4"/>{nuts}</svg>'
    )
