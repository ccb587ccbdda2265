"""The recommendation: order by what matters, two sentences word for word."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from meshplan.operation.comparison import ClassResult, ranked, recommend

GOOD = ClassResult(
    name="css-868-sf9",
    title="868 MHz chirp spread spectrum, 125 kHz, SF9",
    lawful=True,
    legal_reason="EN 300 220-2",
    sensors_served=14,
    sensors_total=14,
    weakest_chance=0.93,
    relays=1,
    cost=430.0,
    airtime_headroom=0.6,
    shortest_battery_years=3.2,
    worst_latency_s=12.0,
)
DEARER = replace(GOOD, name="fsk-868-4k8", title="868 MHz FSK transceiver, 4k8", relays=3, cost=520.0)
UNLAWFUL = replace(GOOD, name="css-915-sf9", lawful=False, cost=10.0, relays=0)
SHORT = replace(GOOD, name="ble-1m", sensors_served=3, cost=300.0)
BUSY = replace(GOOD, name="css-868-sf12", airtime_headroom=-0.2, cost=380.0)
HUNGRY = replace(GOOD, name="wlan-2g4-1m", shortest_battery_years=0.4, cost=350.0)
DEAF = replace(GOOD, name="ook-433-12v-wire", unfit=("switching a pump",), cost=250.0)


def test_what_matters_comes_before_money() -> None:
    order = [result.name for result in ranked([UNLAWFUL, DEAF, SHORT, HUNGRY, BUSY, DEARER, GOOD])]
    assert order == [
        "css-868-sf9",
        "fsk-868-4k8",
        "wlan-2g4-1m",
        "css-868-sf12",
        "ble-1m",
        "ook-433-12v-wire",
        "css-915-sf9",
    ]


def test_the_recommendation_word_for_word() -> None:
    found = recommend([UNLAWFUL, DEAF, SHORT, HUNGRY, BUSY, DEARER, GOOD], currency="EUR")
    assert (found.best, found.runner_up) == ("css-868-sf9", "fsk-868-4k8")
    assert found.sentences == (
        "Take 868 MHz chirp spread spectrum, 125 kHz, SF9: it serves all 14 sensors lawfully with 1 relay for 430 EUR, "
        "its weakest route works with a chance of 93 % and the first cell is empty after 3.2 years.",
        "The runner-up is 868 MHz FSK transceiver, 4k8, which costs 520 EUR; of the other 5, 1 would not do what the property "
        "asks, 1 would empty their cells within a year, 1 would leave sensors unserved, 1 is not lawful here, "
        "1 would overload the channel or the duty limit.",
    )


def test_equally_cheap_plans_are_told_apart_by_their_weakest_route() -> None:
    surer = replace(GOOD, name="surer", weakest_chance=0.97, cost=450.0)
    assert recommend([GOOD, surer]).best == "surer"
    dear = replace(surer, cost=480.0)
    assert recommend([GOOD, dear]).best == GOOD.name


def test_half_a_network_is_better_than_none_and_says_so() -> None:
    found = recommend([SHORT, UNLAWFUL])
    assert found.best == "ble-1m"
    assert "serves 3 of 14 sensors" in found.sentences[0]
    assert "(but beware: such plans leave sensors unserved)" in found.sentences[0]
    assert found.sentences[1] == "There is no runner-up; of the other 1, 1 is not lawful here."


def test_nothing_usable_is_an_answer_too() -> None:
    found = recommend([UNLAWFUL, replace(UNLAWFUL, name="x")])
    assert found.best == ""
    assert found.sentences == ("No class of the catalogue can be recommended here.", "Of 2 tried, 2 are not lawful here.")
    assert recommend([]).sentences[1] == "None was tried."


results = st.lists(
    st.builds(
        replace,
        st.just(GOOD),
        name=st.text("abcdef", min_size=1, max_size=6),
        lawful=st.booleans(),
        sensors_served=st.integers(0, 14),
        cost=st.floats(10, 1000),
        weakest_chance=st.one_of(st.floats(0, 1), st.just(float("nan"))),
        shortest_battery_years=st.floats(0.1, 30),
        airtime_headroom=st.floats(-1, 1),
    ),
    max_size=8,
    unique_by=lambda result: result.name,
)


@given(results, st.randoms(use_true_random=False))
def test_order_of_entry_changes_nothing(entries: list[ClassResult], random: object) -> None:
    shuffled = list(entries)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert recommend(entries).ranking == recommend(shuffled).ranking


@given(results)
def test_an_unlawful_class_is_never_recommended(entries: list[ClassResult]) -> None:
    found = recommend(entries)
    lawful = {result.name for result in entries if result.lawful and result.sensors_served}
    assert found.best in lawful or (found.best == "" and not lawful)
