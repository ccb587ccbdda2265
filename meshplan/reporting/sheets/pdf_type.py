"""Letters on the PDF: fonts with wide coverage, chosen letter by letter, and a note of those that no font has."""

from __future__ import annotations

import importlib.util
import itertools
import unicodedata
from collections.abc import Container
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from meshplan.reporting.words import count

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

BOX: Final = "□"
"""Stands for a letter that no font has."""

_PLAIN_TWINS: Final = {"\N{NARROW NO-BREAK SPACE}": " ", "\N{NO-BREAK SPACE}": " "}
_RIGHT_TO_LEFT: Final = frozenset({"R", "AL"})
_MOST_NAMED: Final = 12

_WIDE: Final = (("matplotlib", "mpl-data/fonts/ttf", ("DejaVuSans", "DejaVuSans-Bold", "STIXGeneral")),)
_OWN: Final = ("reportlab", "fonts", ("Vera", "VeraBd"))
"""Package, folder, files. The first carries Latin, Greek, Cyrillic, Armenian, Georgian, Hebrew, Arabic and many signs; the second
comes with the PDF library and has western European letters only."""

_ORDER: Final = {
    False: ("DejaVuSans", "STIXGeneral", "Vera"),
    True: ("DejaVuSans-Bold", "DejaVuSans", "STIXGeneral", "VeraBd", "Vera"),
}


@dataclass
class Type:
    """The fonts of one packet, and what they could not show."""

    letters: dict[bool, tuple[tuple[str, Container[int]], ...]]
    """By weight (bold or not): name of a font and its table of letters, first choice first."""
    missing: dict[str, None] = field(default_factory=dict)
    backwards: dict[str, None] = field(default_factory=dict)
    """Words of scripts that run from right to left, which the PDF library can only set from left to right."""

    def clean(self, words: str) -> str:
        """Return words on one line with every letter that no font has shown as a box, so that nothing is dropped unseen."""
        flat = " ".join("".join(_PLAIN_TWINS.get(letter, letter) for letter in words).split())
        shown = "".join(letter if self._font(letter, bold=True) else self._boxed(letter) for letter in flat)
        for word in shown.split():
            if any(unicodedata.bidirectional(letter) in _RIGHT_TO_LEFT for letter in word):
                self.backwards[word] = None
        return shown

    def runs(self, words: str, *, bold: bool) -> list[tuple[str, str]]:
        """Return clean words as stretches of one font each: its name and its letters."""
        first = self.letters[bold][0][0]
        pairs = ((self._font(letter, bold=bold) or first, letter) for letter in words)
        return [(font, "".join(letter for _, letter in run)) for font, run in itertools.groupby(pairs, key=lambda pair: pair[0])]

    def width(self, words: str, *, bold: bool, size: float) -> float:
        """Return how wide clean words are set."""
        from reportlab.pdfbase.pdfmetrics import stringWidth  # noqa: PLC0415

        return float(sum(stringWidth(run, font, size) for font, run in self.runs(words, bold=bold)))

    def lines(self, words: str, *, bold: bool, size: float, width: float) -> list[str]:
        """Return clean words broken into lines; a word wider than a line is broken where it has to be."""
        lines = [""]
        for word in self.clean(words).split():
            longer = f"{lines[-1]} {word}".strip()
            if self.width(longer, bold=bold, size=size) <= width:
                lines[-1] = longer
                continue
            if lines[-1]:
                lines.append("")
            for letter in word:
                if lines[-1] and self.width(lines[-1] + letter, bold=bold, size=size) > width:
                    lines.append("")
                lines[-1] += letter
        return [line for line in lines if line]

    def draw(self, canvas: Canvas, x: float, y: float, words: str, *, bold: bool, size: float) -> None:
        """Write clean words at a place."""
        line = canvas.beginText(x, y)
        for font, run in self.runs(words, bold=bold):
            line.setFont(font, size)
            line.textOut(run)
        canvas.drawText(line)

    def warnings(self) -> tuple[str, ...]:
        """Return what a reader of the PDF must know, in sentences."""
        found = []
        if self.missing:
            signs = " ".join(itertools.islice(self.missing, _MOST_NAMED))
            more = f" and {len(self.missing) - _MOST_NAMED} more" if len(self.missing) > _MOST_NAMED else ""
            boxes = count(len(self.missing), "letter that no font at hand has stands", "letters that no font at hand has stand")
            found.append(f"sheets.pdf: {boxes} as a box ({BOX}): {signs}{more}. sheets.html shows all: print that instead.")
        if self.backwards:
            words = ", ".join(itertools.islice(self.backwards, 3))
            found.append(f"sheets.pdf: words that run from right to left ({words}) are set wrongly. Print sheets.html instead.")
        return tuple(found)

    def _font(self, letter: str, *, bold: bool) -> str | None:
        return next((name for name, known in self.letters[bold] if ord(letter) in known), None)

    def _boxed(self, letter: str) -> str:
        if unicodedata.category(letter) not in {"Cc", "Cf"}:
            self.missing[letter] = None
        return BOX if self._font(BOX, bold=True) else "?"


def load_type() -> Type:
    """Return the fonts that the installed packages carry, made known to the PDF library."""
    from reportlab.pdfbase.pdfmetrics import getFont, getRegisteredFontNames, registerFont  # noqa: PLC0415
    from reportlab.pdfbase.ttfonts import TTFont  # noqa: PLC0415

    there = set()
    for package, folder, names in (*_WIDE, _OWN):
        spec = importlib.util.find_spec(package)
        if spec is None or spec.origin is None:
            continue
        for name in names:
            file = Path(spec.origin).parent / folder / f"{name}.ttf"
            if file.is_file():
                if name not in getRegisteredFontNames():
                    registerFont(TTFont(name, str(file)))
                there.add(name)
    return Type({bold: tuple((n, getFont(n).face.charToGlyph) for n in order if n in there) for bold, order in _ORDER.items()})
