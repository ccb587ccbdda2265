"""Which verdicts a calibration changed, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from meshplan.records import VERDICTS, Link
from meshplan.records.measurement import LinkCorrection, VerdictChange


def compare_predictions(
    before: Sequence[Link], after: Sequence[Link], corrections: Mapping[str, LinkCorrection] | None = None
) -> tuple[VerdictChange, ...]:
    """Return the links whose verdict changed, the largest change of chance first.

    Parameters
    ----------
    before, after : sequences of Link
        The same links by key, before and after calibration; links in only one of them are passed over.
    corrections : mapping of link key to LinkCorrection, optional
        Used to say why.
    """
    old = {link.key: link for link in before}
    changes = [
        _change(old[link.key], link, (corrections or {}).get(link.key))
        for link in after
        if link.key in old and link.verdict != old[link.key].verdict
    ]
    return tuple(sorted(changes, key=lambda change: (-abs(change.chance_after - change.chance_before), change.key)))


def _change(old: Link, new: Link, correction: LinkCorrection | None) -> VerdictChange:
    """Return one change with its sentence."""
    spread_before = old.season(old.worst_season).spread.total_db
    spread_after = new.season(new.worst_season).spread.total_db
    better = _rank(new.verdict) < _rank(old.verdict) or ("not sure" in (old.verdict, new.verdict) and new.chance > old.chance)
    return VerdictChange(
        new.key, new.a, new.b, old.verdict, new.verdict, old.margin_db, new.margin_db, old.chance, new.chance,
        spread_before, spread_after, better, _sentence(old, new, correction, spread_before, spread_after),
    )  # fmt: skip


def _rank(verdict: str) -> int:
    """Return the place of a verdict, best first; "not sure" stands in the middle."""
    return 2 if verdict == "not sure" else VERDICTS.index(verdict)


def _sentence(old: Link, new: Link, correction: LinkCorrection | None, spread_before: float, spread_after: float) -> str:
    """Say what changed and what for."""
    parts = [
        f"{new.a} to {new.b}: '{old.verdict}' is now '{new.verdict}'. Margin {old.margin_db:+.0f} to {new.margin_db:+.0f} dB, "
        f"spread {spread_before:.1f} to {spread_after:.1f} dB, chance {100 * old.chance:.0f} to {100 * new.chance:.0f} %."
    ]
    if correction is None:
        return parts[0]
    if correction.measured:
        parts.append("This link was measured.")
    if correction.causes:
        causes = ", ".join(f"{cause} {value:+.1f} dB" for cause, value in correction.causes[:3])
        parts.append(f"Why: {causes}.")
    elif abs(new.margin_db - old.margin_db) < 0.5 and spread_after != spread_before:
        parts.append("Why: the readings changed how sure this is, not how strong.")
    if correction.noise_rise_db >= 0.5:
        parts.append(f"Noise at {new.b} is {correction.noise_rise_db:.1f} dB higher than assumed.")
    parts += [f"Kept wide: {refusal}" for refusal in correction.refusals[:2]]
    return " ".join(parts)
