"""Repeats and collisions of whole plans: settled hop by hop, and told in words where a channel is too full or can collapse."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from bare_radio import bare_mode
from landscapes import make_landscape
from link_stations import make_site, make_stations

from meshplan.assembly.on_air import RouteTraffic, channel_records
from meshplan.inputs.radios import read_radio_classes
from meshplan.operation.channel import MAX_TRIES
from meshplan.operation.duty_cycle import HOUR_MS, AirtimeShare, DeviceAirtime, TrafficSource
from meshplan.operation.tries import HopTraffic, SettledTraffic, expected_frames, frame_success, settle, slow_states
from meshplan.records import ChannelRecord, Role

RADIO = bare_mode(read_radio_classes(), "fsk-868-4k8")
LAND = make_landscape(np.full((60, 60), 100.0))


def traffic(count: int, interval_s: float, margin_db: float, *, fast_interval_s: float | None = None) -> RouteTraffic:
    """Return the traffic of sensors that send 20 bytes over one relay; all links alike."""
    sites = [make_site(f"S{n}", 20.0 + 5 * n, 40.0, 1.0) for n in range(count)]
    sites += [make_site("R", 100.0, 100.0, 3.0, Role.RELAY), make_site("G", 200.0, 200.0, 5.0, Role.GATEWAY)]
    made = {station.key: station for station in make_stations(sites, LAND, RADIO)[0]}
    sources = [
        TrafficSource(f"S{n}", 20, interval_s, (f"S{n}",), fast_interval_s=fast_interval_s, hops=((f"S{n}", "R"), ("R", "G")))
        for n in range(count)
    ]
    return RouteTraffic(sources, dict.fromkeys(made, RADIO), made, lambda *_: (margin_db, margin_db, 6.0))


def test_a_quiet_network_repeats_for_fading_only() -> None:
    # one packet a day each: nobody meets, so the frames are those of the link alone
    quiet = traffic(2, 86_400.0, 12.0)
    there, back = (frame_success(RADIO, slow_states(12.0, 6.0), size) for size in (20, 0))
    alone = float(expected_frames(there, back, MAX_TRIES, True).mean())
    assert alone > 1.01
    for hop in (*quiet.hop_records(0), *quiet.hop_records(1)):
        assert hop.mean_tries == pytest.approx(alone, rel=1e-4)
        assert hop.clear_chance == pytest.approx(1.0, abs=1e-4)
    assert quiet.latency_s(0) > 0.0


def test_more_traffic_means_more_tries_less_delivered_and_the_busiest_hour_is_worse() -> None:
    last = None
    for interval_s in (3600.0, 60.0, 20.0):
        busy = traffic(10, interval_s, 25.0)
        hop, delivered = busy.hop_records(0)[0], busy.delivered(0)
        if last is not None:
            assert hop.mean_tries > last[0]
            assert delivered < last[1]
        last = (hop.mean_tries, delivered)
    hurried = traffic(10, 3600.0, 25.0, fast_interval_s=20.0)
    first = hurried.hop_records(0)[0]
    assert first.fast_mean_tries == pytest.approx(last[0])  # type: ignore[index]
    assert first.mean_tries < first.fast_mean_tries
    assert hurried.delivered(0) == pytest.approx(last[1])  # type: ignore[index]


def records(hops: Sequence[HopTraffic]) -> tuple[tuple[ChannelRecord, ...], SettledTraffic]:
    fast = settle(hops)
    groups = {hop.sender: hop.channel for hop in hops}
    airtimes = {}
    for number, hop in enumerate(hops):
        per_hour = hop.per_second * 3600.0 * float(fast.frames[number])
        share = AirtimeShare(per_hour * hop.frame_ms, 0.0, 0.0, per_hour)
        assert share.duty == pytest.approx(per_hour * hop.frame_ms / HOUR_MS)
        airtimes[hop.sender] = DeviceAirtime(hop.sender, hop.frame_ms, hop.frame_ms, 1.0, share, share)
    return channel_records(fast.loads, fast.loads, groups, fast, airtimes), fast


def senders(load: float, tries: int, count: int = 400, success: float = 0.9) -> list[HopTraffic]:
    one = np.ones(1)
    return [HopTraffic(f"s{n}", "g", "c", 1000.0, 0.0, load / count, success * one, one, tries=tries) for n in range(count)]


def test_a_network_with_two_loads_is_told_that_it_can_collapse() -> None:
    # source: radio facts 2, section 2: 0.12, 0.9, 30 tries: 0.1982 from below, 3.562 from above
    (channel,), fast = records(senders(0.12, 30))
    assert fast.can_collapse("c")
    assert not channel.stable
    assert channel.fast_load == pytest.approx(0.198, rel=0.02)
    assert channel.overloaded_load == pytest.approx(3.56, rel=0.02)
    assert "can collapse: after a burst it may stay at 35" in channel.sentence
    assert "does not come back by itself. Report less often" in channel.sentence


def test_a_network_above_the_top_is_told_that_it_is_too_much() -> None:
    # source: radio facts 2, section 2: 0.20, 0.9, 8 tries settle at 1.229 from both sides
    (channel,), fast = records(senders(0.20, 8))
    assert not fast.can_collapse("c")
    assert not channel.stable
    assert "This is too much: above half of the time more packets bring fewer through." in channel.sentence


def test_a_light_network_is_told_its_load_only() -> None:
    (channel,), _ = records(senders(0.05, 3))
    assert channel.stable
    assert channel.sentence == (
        "c: 400 senders are on the air 6.2 % of the time, 6.2 % in the busiest hour, repeats and acknowledgements included."
    )
    assert channel.overloaded_load == channel.fast_load


def test_a_search_that_does_not_rest_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("meshplan.operation.tries._MOST_ROUNDS", 1)
    (channel,), fast = records(senders(0.05, 3))
    assert not fast.settled
    assert not channel.stable
    assert "did not settle at any load" in channel.sentence
