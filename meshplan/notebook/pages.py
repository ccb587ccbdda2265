"""Pictures and pages that a notebook shows by itself."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from pathlib import Path

from meshplan.reporting.files import write_text_atomically


@dataclass(frozen=True, repr=False)
class Picture:
    """A drawing as SVG.

    >>> Picture("Section", "<svg/>")
    Picture('Section', 0 kB)
    """

    title: str
    svg: str

    def __repr__(self) -> str:
        return f"Picture({self.title!r}, {len(self.svg) // 1000} kB)"

    def _repr_svg_(self) -> str:
        return self.svg

    def save(self, path: Path | str) -> Path:
        """Write the drawing to a file and return its path."""
        return write_text_atomically(Path(path), self.svg + "\n")


@dataclass(frozen=True, repr=False)
class Page:
    """A whole page, such as the interactive map. A notebook shows it in a frame of its own, which may run its own scripts only.

    >>> Page("Map", "<p>A & B</p>", height_px=100)._repr_html_()
    '<iframe title="Map" srcdoc="&lt;p&gt;A &amp; B&lt;/p&gt;" sandbox="allow-scripts allow-downloads" \
style="width:100%;height:100px;border:0"></iframe>'
    """

    title: str
    html: str
    height_px: int = 640

    def __repr__(self) -> str:
        return f"Page({self.title!r}, {len(self.html) // 1000} kB)"

    def _repr_html_(self) -> str:
        return (
            f'<iframe title="{escape(self.title)}" srcdoc="{escape(self.html)}" sandbox="allow-scripts allow-downloads" '
            f'style="width:100%;height:{self.height_px}px;border:0"></iframe>'
        )

    def save(self, path: Path | str) -> Path:
        """Write the page to a file, to be opened in any browser, and return its path."""
        return write_text_atomically(Path(path), self.html)
