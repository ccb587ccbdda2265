"""The frame of every printed page: one file, no script, no network, the look of a survey sheet."""

from __future__ import annotations

from importlib.resources import files

from meshplan.records import Role
from meshplan.reporting.svg import box, circle, path
from meshplan.reporting.words import text

CONTENT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"


def paper_page(title: str, body: str, *styles: str) -> str:
    """Return a whole HTML page around a body; `styles` names further style sheets beside `paper.css`."""
    css = "".join(_style(name) for name in ("paper.css", *styles))
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n'
        f'<meta http-equiv="Content-Security-Policy" content="{CONTENT_POLICY}">\n'
        '<meta charset="utf-8">\n<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{text(title)}</title>\n<style>\n{css}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _style(name: str) -> str:
    return files("meshplan.reporting").joinpath(name).read_text(encoding="utf-8")


def role_mark(role: Role, size: int = 16, *, filled: bool = True) -> str:
    """Return the sign of a role, the same as on the map: square gateway, diamond relay, ring sensor."""
    return (
        f'<svg class="mark" viewBox="-10 -10 20 20" width="{size}" height="{size}" aria-hidden="true" '
        f'fill="{"#23211c" if filled else "#ffffff"}" stroke="#23211c" stroke-width="2">{role_shape(role, 7.0)}</svg>'
    )


def role_shape(role: Role, size: float, x: float = 0.0, y: float = 0.0) -> str:
    """Return the outline of a role's sign as an SVG element without colours of its own."""
    if role is Role.GATEWAY:
        return box(x - size, y - size, 2 * size, 2 * size)
    if role is Role.RELAY:
        reach = 1.25 * size
        steps = f"M{x:.1f} {y - reach:.1f}l{reach:.1f} {reach:.1f}l{-reach:.1f} {reach:.1f}l{-reach:.1f} {-reach:.1f}z"
        return path(steps, fill=None)
    return circle(x, y, size * 0.85, fill="#ffffff")
