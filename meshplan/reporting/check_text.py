"""What `meshplan check` says about a property folder or about a plan made before."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class CheckReport:
    """The outcome of a check: facts in order, what is assumed, what looks odd, what is wrong."""

    title: str
    good: bool
    facts: tuple[tuple[str, str], ...]
    assumptions: tuple[str, ...]
    warnings: tuple[str, ...]
    faults: tuple[str, ...] = ()
    not_mapped: str = ""
    """What land that no file shows is taken for, and what that costs."""
    wires_note: str = ""
    """Which places stand too near to a mapped power line."""

    def text(self) -> str:
        """Return the report for the terminal."""
        width = max((len(name) for name, _ in self.facts), default=0)
        blocks = [self.title, "\n".join(f"  {name:<{width}}  {value}" for name, value in self.facts)]
        blocks[1:1] = [self.wires_note, self.not_mapped]
        for heading, lines in (("Wrong:", self.faults), ("Assumed:", self.assumptions), ("Look at:", self.warnings)):
            if lines:
                blocks.append(heading + "\n" + "\n".join(f"  {line}" for line in lines))
        return "\n\n".join(block for block in blocks if block)

    def as_dict(self) -> dict[str, object]:
        """Return the report for scripts."""
        return {
            "title": self.title,
            "good": self.good,
            "facts": dict(self.facts),
            "faults": list(self.faults),
            "wires_note": self.wires_note,
            "not_mapped": self.not_mapped,
            "assumptions": list(self.assumptions),
            "warnings": list(self.warnings),
        }
