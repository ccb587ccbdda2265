"""Plugs, sockets and adapters between a radio's socket, its cable, a surge arrester and its antenna: by series, gender, impedance.

Series are those of IEC 61169: SMA (part 15) and N (part 16), both 50 ohm. Cables carry plugs that fit their thickness.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

IMPEDANCE_OHM: Final = 50
RADIO_SOCKET: Final = "SMA female"
"""What modules with an antenna socket have (common practice, no source; look-alikes with the pin swapped do not fit)."""
ARRESTER_SOCKET: Final = "N female"
"""Both ends of a usual surge arrester (common practice, no source)."""


@dataclass(frozen=True)
class _End:
    series: str
    gender: str

    @property
    def mate(self) -> _End:
        return _End(self.series, "male" if self.gender == "female" else "female")


def fittings(antenna_connector: str, cable_series: tuple[str, ...], *, has_cable: bool, has_arrester: bool) -> tuple[str, ...]:
    """Return every connector and adapter that one device needs, repeated where it needs several.

    Parameters
    ----------
    antenna_connector : str
        Such as "N female"; empty for an antenna on the board, or a wire that is soldered to the end of the cable.
    cable_series : tuple of str
        Series whose plugs fit the cable, the usual one first.
    has_cable, has_arrester : bool
        An arrester sits in the run of a cable.
    """
    if not antenna_connector and not has_cable:
        return ()
    radio, antenna = _end(RADIO_SOCKET), _end(antenna_connector) if antenna_connector else None
    if not has_cable and antenna is not None:
        return () if radio == antenna.mate else (_adapter(radio.mate, antenna.mate),)
    inner = (_end(ARRESTER_SOCKET), _end(ARRESTER_SOCKET)) if has_arrester else ()
    found: list[str] = []
    for socket in (radio, *inner, *([antenna] if antenna is not None else [])):
        series = socket.series if socket.series in cable_series else cable_series[0]
        if series == socket.series:
            found.append(_connector(socket.mate))
        else:
            plug = _End(series, "male")
            found += [_connector(plug), _adapter(plug.mate, socket.mate)]
    return tuple(found)


def _end(words: str) -> _End:
    series, gender = words.split()
    return _End(series, gender)


def _connector(end: _End) -> str:
    return f"connector for the cable: {end.series} {end.gender}, {IMPEDANCE_OHM} Ω"


def _adapter(one: _End, other: _End) -> str:
    first, second = sorted((f"{one.series} {one.gender}", f"{other.series} {other.gender}"))
    return f"adapter: {first} to {second}, {IMPEDANCE_OHM} Ω"
