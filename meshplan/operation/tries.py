"""How often packets are really sent: fading, collisions and repeats, carried to the load at which they agree."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

import numpy as np
import scipy  # its parts are loaded when they are first used
from numpy.typing import ArrayLike, NDArray

from meshplan.operation.channel import MAX_TRIES
from meshplan.operation.delivery import frame_bytes, try_success
from meshplan.records.radio import Modulation, RadioMode
from meshplan.units import Array

STATES: Final = 16
"""Equally likely states of what changes slowly on a link and is not known exactly (leaves, ground, antenna)."""

UNSTABLE_LOAD: Final = 0.5
"""Offered load above which more packets bring fewer through: the top of G·e^(−2G)."""

FIRM: Final = 1e-9
"""Change of a load, relative to the largest, below which it counts as settled."""

SAME: Final = 0.01
"""Two settled loads count as two if they differ by more than this share of the larger."""

_MOST_ROUNDS: Final = 5000
_MARGINS_DB: Final = np.arange(-60.0, 80.25, 0.25)


@dataclass(frozen=True, eq=False)
class HopTraffic:
    """One hop of one sensor's readings."""

    sender: str
    receiver: str
    channel: str
    """Packets of different channels do not meet."""
    frame_ms: float
    """One frame on the air."""
    answer_ms: float
    """Its acknowledgement; 0 where none goes over the air."""
    per_second: float
    """Readings that the sensor sends."""
    frame_success: Array
    """Chance that a frame gets through if nobody else sends, in each slow state of the link; shape (n_states,)."""
    answer_success: Array
    """The same for the way back."""
    tries: int = MAX_TRIES
    """Most frames for one reading; with an acknowledgement the sender stops at the first that is answered."""
    acknowledged: bool = True
    """Whether the sender learns of success; without it all frames are sent blindly."""
    after: int | None = None
    """Index of the hop before; None for the sensor itself."""


@dataclass(frozen=True, eq=False)
class SettledTraffic:
    """Where load and repeats agree; arrays have shape (n_hops,)."""

    frames: Array
    """Mean frames sent for each reading that the sender has to send."""
    answers: Array
    """Mean acknowledgements for each of them."""
    arriving: Array
    """Share of the sensor's readings that reach the sender of the hop."""
    delivered: Array
    """Chance that the hop delivers what its sender has."""
    clear: Array
    """Chance that no other sender spoils a frame."""
    frame_chance: Array
    """Chance of a single frame, fading and collisions together, mean over the slow states."""
    loads: dict[str, float]
    """Share of time on the air in each channel."""
    other_loads: dict[str, float]
    """The same when the network starts overloaded: as `loads` where there is one settled load only."""
    settled: bool
    """Whether both searches came to rest."""

    def can_collapse(self, channel: str) -> bool:
        """Return whether a second, heavier load holds itself up: after a burst the network would not come back by itself."""
        low, high = self.loads[channel], self.other_loads[channel]
        return high - low > SAME * high

    def stable(self, channel: str) -> bool:
        """Return whether the channel keeps to one load below the top of its throughput."""
        return self.settled and not self.can_collapse(channel) and self.loads[channel] <= UNSTABLE_LOAD


def slow_states(margin_db: float, spread_db: float, states: int = STATES) -> Array:
    """Return margins in equally likely slow states of a link: the middles of equal shares of a normal distribution.

    Fades of a burst share their slow state, so that chances and tries are taken in each state and averaged afterwards: the mean of
    the tries is not the tries of the mean.
    """
    return np.asarray(margin_db + spread_db * scipy.special.ndtri((np.arange(states) + 0.5) / states))


def frame_success(mode: RadioMode, margin_db: ArrayLike, payload_bytes: int) -> Array:
    """Return `delivery.try_success` of one frame from a table in quarter decibels; a one-way class's repeats are not counted in."""
    return np.asarray(np.interp(np.asarray(margin_db, dtype=float), _MARGINS_DB, _curve(_Waterfall.of(mode, payload_bytes))))


@dataclass(frozen=True)
class _Waterfall:
    """What the chance of a frame hangs on: modes of other powers and frequencies share one curve."""

    frame_bytes: float
    spreading_factor: int | None
    modulation: Modulation
    repeats: float | None
    """Of a class that only sends."""
    mode: RadioMode = field(compare=False)
    payload_bytes: int = field(compare=False)

    @classmethod
    def of(cls, mode: RadioMode, payload_bytes: int) -> _Waterfall:
        repeats = mode.radio.repeats.value if mode.tx_only else None
        return cls(frame_bytes(mode, payload_bytes), mode.spreading_factor, mode.modulation, repeats, mode, payload_bytes)


@lru_cache(maxsize=256)
def _curve(waterfall: _Waterfall) -> Array:
    chances = try_success(waterfall.mode, _MARGINS_DB, waterfall.payload_bytes)
    return np.asarray(1.0 - (1.0 - chances) ** (1.0 / waterfall.repeats) if waterfall.repeats is not None else chances)


def expected_frames(frame: ArrayLike, answer: ArrayLike, tries: ArrayLike, acknowledged: ArrayLike) -> Array:
    """Return the mean frames sent: (1 − (1 − pq)^K)/(pq) until one is answered, K if blind.

    Parameters
    ----------
    frame, answer : array_like
        Chance p of a frame and q of its acknowledgement.
    tries, acknowledged : array_like
        Most frames K, and whether the sender learns of success.

    Notes
    -----
    Source
        Geometric series: a try ends the sending with chance pq. It falls with p and with q.
    """
    both = np.asarray(frame, dtype=float) * np.asarray(answer, dtype=float)
    most = np.asarray(tries, dtype=float)
    safe = np.maximum(both, 1e-12)
    repeated = np.where(both > 1e-9, -np.expm1(most * np.log1p(-np.minimum(safe, 1.0 - 1e-15))) / safe, most)
    return np.asarray(np.where(acknowledged, repeated, most))


def settle(hops: Sequence[HopTraffic]) -> SettledTraffic:
    """Return tries, deliveries and loads of a network where repeats and the collisions that they cause agree.

    Notes
    -----
    Source
        Unslotted ALOHA with retries (throughput G·e^(−2G) and its two loads for one throughput: N. Abramson 1970; instability with
        retries: A. Carleial, M. Hellman 1975; both recalled): every reading makes E(p) frames and p·E(p) acknowledgements a hop,
        p = p_link·c. A frame of length T is met by every frame of another sender that begins within T + T_j, and by every
        acknowledgement within whose length it begins itself: c = exp(−Σ_j λ_j·(T + T_j) − Σ_j a_j·A_j). An acknowledgement of
        length A follows at once on a frame that met nobody, so only frames that begin within it spoil it: exp(−Σ_j λ_j·A). Sums
        are over the channel, as if everybody heard everybody (the safe side), without the sender's own. λ and a in turn follow
        from E: a fixed point x = F(x) of the stream rates. F maps the box 0 ≤ x ≤ K·rate into itself and is continuous, so there
        is at least one.
    Search
        x ← (x + F(x))/2 from the rates without any loss, and from K frames for every reading. Where F only grows with x, the first
        climbs to the least fixed point and the second falls to the greatest. If their loads differ, the network has two: it may
        stay at the lower one, or after a burst at the higher one, where hardly anything arrives.
    Valid for
        Repeats spaced at random over many packets, so that two that met do not meet again; packets stored for later are not
        counted. Relays forward what reached them, once.
    Accuracy
        Against a simulation of every frame with 50 to 1000 packets between repeats: 3 % of the frames up to an offered load of
        0.5; 0.01 of the deliveries up to a load of 0.35, 0.025 up to 0.5, on the hopeful side. The load swings there, and frames
        meet its heavier spells more often than the mean says, which is left out.
    """
    network = _Network(hops)
    low, low_rests = network.rest(network.rates)
    high, high_rests = network.rest(network.most)
    frames, answers, arriving, delivered, clear, frame_chance = network.hop_figures(low)
    return SettledTraffic(
        frames=frames,
        answers=answers,
        arriving=arriving,
        delivered=delivered,
        clear=clear,
        frame_chance=frame_chance,
        loads=network.loads(low),
        other_loads=network.loads(high),
        settled=low_rests and high_rests,
    )


class _Network:
    """The streams of a network as arrays: data of every hop, then acknowledgements; rates have shape (2, n_hops)."""

    def __init__(self, hops: Sequence[HopTraffic]) -> None:
        self.hops = hops
        count = len(hops)
        names = {name: number for number, name in enumerate(dict.fromkeys(n for hop in hops for n in (hop.sender, hop.receiver)))}
        channels = {name: number for number, name in enumerate(dict.fromkeys(hop.channel for hop in hops))}
        self.names, self.channels = names, channels
        self.sender = np.array([names[hop.sender] for hop in hops], dtype=np.intp)
        self.receiver = np.array([names[hop.receiver] for hop in hops], dtype=np.intp)
        self.channel = np.array([channels[hop.channel] for hop in hops], dtype=np.intp)
        self.time_s = np.array([[hop.frame_ms, hop.answer_ms] for hop in hops], dtype=float).reshape(count, 2).T / 1000.0
        self.base = np.array([hop.per_second for hop in hops], dtype=float)
        self.tries = np.array([hop.tries for hop in hops], dtype=float)
        self.acknowledged = np.array([hop.acknowledged for hop in hops], dtype=bool)
        self.answered = self.acknowledged & (self.time_s[1] > 0.0)
        states = max((hop.frame_success.size for hop in hops), default=1)
        self.frame = np.array([np.broadcast_to(hop.frame_success, states) for hop in hops]).reshape(count, states)
        self.answer = np.array([np.broadcast_to(hop.answer_success, states) for hop in hops]).reshape(count, states)
        self.rates = np.array([self.base, np.zeros(count)])
        self.most = np.array([self.base * self.tries, self.base * self.tries * self.answered])

    def loads(self, rates: Array) -> dict[str, float]:
        """Return the share of time on the air in each channel."""
        busy = np.bincount(self.channel, (rates * self.time_s).sum(axis=0), len(self.channels))
        return {name: float(busy[number]) for name, number in self.channels.items()}

    def clear_chances(self, rates: Array) -> Array:
        """Return the chance that a frame, and that an acknowledgement, meets no other stream; shape (2, n_hops)."""
        frames_per_s, frame_load, answer_load = rates[0], rates[0] * self.time_s[0], rates[1] * self.time_s[1]
        rate, rate_of = self._sums(frames_per_s, self.sender)
        load, load_of = self._sums(frame_load, self.sender)
        answered, answered_of = self._sums(answer_load, self.receiver)
        mine, partner = (self.sender, self.channel), (self.receiver, self.channel)
        others_per_s = rate[self.channel] - rate_of[mine]
        met = self.time_s[0] * others_per_s + load[self.channel] - load_of[mine]
        met += answered[self.channel] - answered_of[mine] - answer_load  # the answer to this very frame comes after it
        spoilt = self.time_s[1] * (others_per_s - rate_of[partner])
        return np.asarray(np.exp(-np.maximum(np.array([met, spoilt]), 0.0)))

    def _sums(self, what: Array, device: NDArray[np.intp]) -> tuple[Array, Array]:
        """Return the sum of a quantity in each channel, and of each device in each channel."""
        table = np.zeros((len(self.names), len(self.channels)))
        np.add.at(table, (device, self.channel), what)
        return table.sum(axis=0), table

    def hop_figures(self, rates: Array) -> tuple[Array, Array, Array, Array, Array, Array]:
        """Return frames, answers, arriving share, delivered, clear chance and frame chance of every hop under given rates."""
        clear = self.clear_chances(rates)
        frame, answer = self.frame * clear[0][:, None], self.answer * clear[1][:, None]
        tries = self.tries[:, None]
        sent = expected_frames(frame, answer, tries, self.acknowledged[:, None])
        answers = np.where(self.answered[:, None], frame * sent, 0.0)
        delivered = (1.0 - (1.0 - frame) ** tries).mean(axis=1)
        arriving = np.ones(len(self.hops))
        for number, hop in enumerate(self.hops):
            if hop.after is not None:
                arriving[number] = arriving[hop.after] * delivered[hop.after]
        return sent.mean(axis=1), answers.mean(axis=1), arriving, delivered, clear[0], frame.mean(axis=1)

    def rest(self, start: Array) -> tuple[Array, bool]:
        """Return the rates at which repeats and collisions agree, searched from a start, and whether they were found."""
        rates = start
        for _ in range(_MOST_ROUNDS):
            frames, answers, arriving, *_ = self.hop_figures(rates)
            following = np.array([frames, answers]) * (self.base * arriving)
            change = float(np.abs(following - rates).max(initial=0.0))
            rates = 0.5 * (rates + following)
            if change <= FIRM * float(self.most.max(initial=0.0)):
                return rates, True
        return rates, False
