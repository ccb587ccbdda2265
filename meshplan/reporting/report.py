"""The plan in words for the person who pays: cost, service, what could fail, what is assumed, what to check."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Final

from meshplan.propagation.seasons import season_words
from meshplan.records import VERDICT_WORDS, Link, Plan, Purpose, Role
from meshplan.reporting.files import write_text_atomically
from meshplan.reporting.paper import paper_page
from meshplan.reporting.sheets.overview import land_signs, overview_svg
from meshplan.reporting.trace import TracedPlan, key_step
from meshplan.reporting.words import (
    care_of,
    count,
    decibels,
    legal_state,
    metres,
    money,
    not_bought,
    not_bought_words,
    number,
    percent,
    plain_name,
    small_percent,
    text,
)
from meshplan.sources import Standing
from meshplan.units import plural

PURPOSE_WORDS: Final = {
    Purpose.TREND: "a gap of a day does no harm",
    Purpose.ALARM: "must arrive in minutes",
    Purpose.CONTROL: "switches something",
}

WORDS: Final = (
    (
        "chance",
        "Chance",
        "How sure the forecast is that a link works in its worst season. Maps and plants are never fully known; a chance of nine "
        "in ten means that one such link in ten will disappoint, so test before you rely on it.",
    ),
    (
        "margin",
        "Margin, dB",
        "How much stronger the signal arrives than the radio needs. dB is a scale of ratios: each three more dB double the power, "
        "each ten make it ten times.",
    ),
    ("link", "Link", "Two radios that hear each other directly."),
    ("gateway", "Gateway", "The device that takes all readings and hands them to your computer or the internet."),
    ("relay", "Relay", "A device that passes readings on from places the gateway cannot hear."),
    (
        "season",
        "Season",
        "A state of leaves and weather. Leaves and wet plants swallow radio waves; a link tried in winter may fail in June.",
    ),
    (
        "airtime",
        "Airtime",
        "The share of each hour in which a device sends. The law limits it, and senders who talk at once drown each other.",
    ),
    (
        "bound",
        "Proven bound",
        "A cost below which no plan can serve these sensors, proven by calculation. If the plan costs as much, there is no cheaper "
        "one among the places and prices you gave.",
    ),
    (
        "standing",
        "“Check” behind a rule",
        "The figure was taken from a named document but not read again for this edition. Look it up before you rely on it.",
    ),
)

LONG_SUBJECT: Final = 80
SHORTEST_LIVES: Final = 5
WEAKEST_LINKS: Final = 5
MOST_NAMES: Final = 6
"""Longer lists of names are cut."""


def write_report(plan: Plan, path: Path, document: dict[str, Any] | None = None) -> Path:
    """Write the report as one HTML page that needs nothing else; `document` is the plan's `plan_to_json`, if it is at hand."""
    return write_text_atomically(path, report_html(plan, document))


def report_html(plan: Plan, document: dict[str, Any] | None = None) -> str:
    """Return the report; every figure carries the path of its field in plan.json as `data-field`."""
    traced = TracedPlan(plan, document)
    sections = (
        _head(plan, traced),
        _section("serves", "What it serves", _serves(plan, traced)),
        _section("costs", "What it costs", _costs(plan, traced)),
        _section("fails", "What could fail", _fails(plan, traced)),
        _section("assumed", "What is assumed, and what nobody knows yet", _assumed(plan, traced)),
        _section("check", "What to check before you buy", _check(plan, traced)),
        _section("words", "Words used here", _words()),
    )
    return paper_page(f"{plan.property_name}: the plan in words", f"<main>{''.join(sections)}</main>", "report.css")


def _section(key: str, title: str, body: str) -> str:
    return f'<section id="{key}"><h2>{title}</h2>{body}</section>'


def _word(key: str, shown: str) -> str:
    """Return a word that links to its explanation."""
    return f'<a class="word" href="#word-{key}">{shown}</a>'


def _list(items: Iterable[str], empty: str = "") -> str:
    inner = "".join(f"<li>{item}</li>" for item in items)
    return f"<ul>{inner}</ul>" if inner else (f"<p>{empty}</p>" if empty else "")


def _table(heads: Iterable[str], rows: Iterable[Iterable[str]], caption: str) -> str:
    head = "".join(f'<th scope="col">{cell}</th>' for cell in heads)
    body = "".join("<tr>" + "".join(f"<td>{cell}</td>" for cell in row) + "</tr>" for row in rows)
    return f'<div class="wide"><table><caption>{caption}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'


def _money(plan: Plan) -> Callable[[float], str]:
    return lambda amount: money(amount, plan.currency)


def _head(plan: Plan, traced: TracedPlan) -> str:
    sensors = sum(device.role is Role.SENSOR for device in plan.devices)
    served = sum(device.role is Role.SENSOR and device.served for device in plan.devices)
    if sensors and served == sensors:
        verdict = f"All {traced.count('plan.devices', role='sensor')} sensors are served."
        if plan.single_routes:
            verdict += f" <strong>{traced.count('plan.single_routes')} of them lack the second route that was asked for.</strong>"
    else:
        once = ""
        if plan.single_routes:
            once = f", <strong>{traced.count('plan.single_routes')} of them without the second route that was asked for</strong>"
        verdict = (
            f"{traced.count('plan.devices', role='sensor', served=True)} of {traced.count('plan.devices', role='sensor')} sensors "
            f"are served{once}, <strong>{traced.count('plan.devices', role='sensor', served=False)} not</strong>."
        )
    gateways = traced.count("plan.devices", lambda n: count(n, "gateway"), role="gateway", in_plan=True)
    relays = traced.count("plan.devices", lambda n: count(n, "relay"), role="relay", in_plan=True)
    return (
        f'<header><p class="kicker">Radio network plan, in words</p><h1>{traced.show("plan.property_name")}</h1>'
        f'<p class="lead">{verdict} The network needs {_word("gateway", gateways)} and '
        f"{_word('relay', relays)}. They cost {traced.show('plan.price', _money(plan))}, prices as given.</p>"
        f"<p>Radio: {traced.show('plan.radio.title')}. Rules checked: {traced.show('plan.country')}. "
        f"Every link the plan uses has a {_word('chance', 'chance')} of at least "
        f"{traced.show('plan.required_chance', percent)} in its worst {_word('season', 'season')}.</p>"
        f"{_wires(plan, traced)}{_not_mapped(plan, traced)}"
        f"<figure>{overview_svg(plan)}<figcaption>Square: gateway. Diamond: relay. Ring: sensor, red where it is not served."
        f"{_signs(plan)}</figcaption></figure></header>"
    )


def _wires(plan: Plan, traced: TracedPlan) -> str:
    return f"<p><strong>{traced.show('plan.wires_note')}</strong></p>" if plan.wires_note else ""


def _not_mapped(plan: Plan, traced: TracedPlan) -> str:
    return f"<p><strong>{traced.show('plan.not_mapped', _sentence)}</strong></p>" if plan.not_mapped else ""


def _serves(plan: Plan, traced: TracedPlan) -> str:
    index = {device.name: i for i, device in enumerate(plan.devices)}
    lost = "".join(_unserved(plan, traced, i) for i in range(len(plan.unserved)))
    once = "".join(_unserved(plan, traced, i, "single_routes") for i in range(len(plan.single_routes)))
    rows = []
    for i, route in enumerate(plan.routes):
        second = " (and a second way)" if route.second_devices else ""
        rows.append(
            (
                f"<b>{traced.show(f'plan.routes[{i}].sensor')}</b>",
                traced.show(f"plan.devices[{index[route.sensor]}].purpose"),
                " → ".join(traced.show(f"plan.routes[{i}].devices[{hop}]") for hop in range(1, len(route.devices))) + second,
                traced.show(f"plan.routes[{i}].chance", percent),
                traced.show(f"plan.routes[{i}].required_chance", percent) if route.required_chance else "",
            )
        )
    heads = ("Sensor", "For", "Its readings go to", _word("chance", "Chance"), "Asked for")
    table = _table(heads, rows, "Sensors that are served") if rows else ""
    meaning = "; ".join(f"{purpose.value}: {words}" for purpose, words in PURPOSE_WORDS.items())
    soft = f'<p class="soft">{meaning}.</p>' if rows else ""
    return (lost or "<p>No sensor is left out.</p>") + once + table + soft + _commands(plan, traced)


def _commands(plan: Plan, traced: TracedPlan) -> str:
    """Return whether each device that acts on command hears in time, and what else would do."""
    boxes = []
    for i, command in enumerate(plan.commands):
        path = f"plan.commands[{i}]"
        ways = _list(traced.show(f"{path}.options[{k}].sentence") for k in range(len(command.options)))
        must = _list(traced.show(f"{path}.must[{k}]") for k in range(len(command.must)))
        box = "<div>" if command.fit else '<div class="loud">'
        boxes.append(
            f"{box}<h3>On command: {traced.show(f'{path}.device')}</h3>"
            f"<p>{traced.show(f'{path}.sentence')}</p>{f'<p>Other ways to hear:</p>{ways}' if ways else ''}{must}</div>"
        )
    return "".join(boxes)


def _unserved(plan: Plan, traced: TracedPlan, i: int, what: str = "unserved") -> str:
    gaps, head = {"unserved": (plan.unserved, "Not served"), "single_routes": (plan.single_routes, "One route only")}[what]
    gap, path = gaps[i], f"plan.{what}[{i}]"
    remedies = _list(
        f"{traced.show(f'{path}.remedies[{k}].change')} ({traced.show(f'{path}.remedies[{k}].device')}): gains "
        f"{traced.show(f'{path}.remedies[{k}].gain_db', decibels)}, then a chance of "
        f"{traced.show(f'{path}.remedies[{k}].chance_after', percent)}{f', {text(remedy.shortfall)}' if remedy.shortfall else ''}."
        for k, remedy in enumerate(gap.remedies)
    )
    lack = (
        f" Towards {traced.show(f'{path}.nearest')}, {traced.show(f'{path}.missing_db', decibels)} of "
        f"{_word('margin', 'margin')} are missing."
        if gap.nearest and gap.missing_db > 0.0
        else ""
    )
    care = _list(
        traced.show(f"{path}.remedies[{k}].cautions[{n}]")
        for k, remedy in enumerate(gap.remedies)
        for n, words in enumerate(remedy.cautions)
        if words not in care_of(gap.remedies[:k])
    )
    return (
        f'<div class="loud"><h3>{head}: {traced.show(f"{path}.sensor")}</h3><p>{traced.show(f"{path}.reason", _sentence)}'
        f"{lack}</p>{f'<p>What would mend it:</p>{remedies}' if remedies else ''}"
        f"{f'<p>Before you raise anything:</p>{care}' if care else ''}</div>"
    )


def _sentence(words: str) -> str:
    start = words[:1].upper() + words[1:]
    return start if start.endswith((".", "!", "?", "…")) else f"{start}."


def _costs(plan: Plan, traced: TracedPlan) -> str:
    paid = _money(plan)
    rows = [
        (
            traced.show(f"plan.parts[{i}].part"),
            traced.show(f"plan.parts[{i}].quantity", number),
            traced.show(f"plan.parts[{i}].spares", number),
            traced.show(f"plan.parts[{i}].unit_cost", paid),
            _names(traced, f"plan.parts[{i}].devices", len(line.devices), "device"),
        )
        for i, line in enumerate(plan.parts)
    ]
    needed = traced.total("plan.parts", "quantity*unit_cost", written=paid)
    spare = traced.total("plan.parts", "quantity*unit_cost", "spares*unit_cost", written=paid)
    missing = f" {text(not_bought_words(plan))}" if not_bought(plan) else ""
    parts = (
        f"<p>All parts with a known price, sensors included: {needed}; with spares {spare}. "
        f"Parts without a price, tools and work are not in these sums.{missing}"
        "</p>" + _table(("Part", "Needed", "Spare", "Price each", "For"), rows, "Shopping list")
        if rows
        else ""
    )
    options = [
        (
            ", ".join(traced.show(f"plan.gateway_options[{i}].gateways[{k}]") for k in range(len(option.gateways))),
            traced.show(f"plan.gateway_options[{i}].sensors_served", number),
            traced.show(f"plan.gateway_options[{i}].cost", paid),
            traced.show(f"plan.gateway_options[{i}].weakest_chance", percent),
            f"{'<b>Chosen.</b> ' if option.chosen else ''}{traced.show(f'plan.gateway_options[{i}].sentence')}",
        )
        for i, option in enumerate(plan.gateway_options)
    ]
    over = f" over {traced.show('plan.horizon_years', number)} years" if plan.horizon_years > 0.0 else ""
    counted = "counted above" if over else "not counted above (cost.horizon_years)"
    yearly = [
        (
            traced.show(f"plan.running_costs[{i}].device"),
            traced.show(f"plan.running_costs[{i}].what"),
            traced.show(f"plan.running_costs[{i}].cost_per_year", paid),
            traced.show(f"plan.running_costs[{i}].origin"),
        )
        for i in range(len(plan.running_costs))
    ]
    running = (
        f"<p>To buy: {traced.show('plan.price', paid)}. Running cost a year: {traced.show('plan.running_cost_per_year', paid)}, "
        f"{counted}.</p>" + _table(("Device", "What for", "A year", "Origin"), yearly, "Running cost a year")
        if yearly
        else ""
    )
    worth = ", which counts what the optional sensors left out are worth" if plan.proof.certified_bound > plan.proof.cost else ""
    heads = ("Gateway at", "Sensors served", "Cost", "Weakest chance", "In words")
    compared = _table(heads, options, "Choices of gateway, side by side") if options else ""
    return (
        f"<p>Gateways and relays{over}: {traced.show('plan.proof.cost', paid)}. {_word('bound', 'Proven bound')}: "
        f"{traced.show('plan.proof.certified_bound', paid)}{worth}. {traced.show('plan.proof.sentence', _sentence)}</p>"
        f"{running}{parts}{compared}"
        + (f"<h3>Another class of radio</h3><p>{traced.show('plan.better_radio', _sentence)}</p>" if plan.better_radio else "")
    )


def _fails(plan: Plan, traced: TracedPlan) -> str:
    return (
        f"<h3>If one device fails</h3>{_dark(plan, traced)}{_prices(plan, traced)}"
        f"<h3>The weakest {_word('link', 'links')}</h3>{_weakest(plan, traced)}"
        f"<h3>Batteries and panels</h3>{_power(plan, traced)}<h3>Talking too much</h3>{_airtime(plan, traced)}"
    )


def _dark(plan: Plan, traced: TracedPlan) -> str:
    items = []
    for device, names in sorted(plan.loses_service.items(), key=lambda item: (-len(item[1]), item[0])):
        if names:
            path = f"plan.loses_service{key_step(device)}"
            shown = _first_names(traced, path, len(names))
            items.append(f"Without <b>{text(device)}</b>, {traced.count(path, _fall_silent)}: {shown}.")
    return _list(items, "No sensor loses service by one device alone.")


def _names(traced: TracedPlan, path: str, length: int, noun: str) -> str:
    """Return the names of a list; a long one starts with its count."""
    total = "" if length <= MOST_NAMES else f"{traced.count(path, lambda n: count(n, noun))}: "
    return total + _first_names(traced, path, length)


def _first_names(traced: TracedPlan, path: str, length: int) -> str:
    names = ", ".join(traced.show(f"{path}[{k}]") for k in range(min(length, MOST_NAMES)))
    return names if length <= MOST_NAMES else f"{names} and others"


def _fall_silent(sensors: int) -> str:
    return f"{count(sensors, 'sensor loses', 'sensors lose')} service"


def _prices(plan: Plan, traced: TracedPlan) -> str:
    """Return what more safety, one more hop or more money would buy, as the plan says."""
    paid = _money(plan)
    rows = [
        (
            traced.show(f"plan.redundancy_prices[{i}].sentence"),
            traced.show(f"plan.redundancy_prices[{i}].cost", paid),
            traced.show(f"plan.redundancy_prices[{i}].extra_cost", paid),
            traced.show(f"plan.redundancy_prices[{i}].sensors_with_second_route", number),
        )
        for i in range(len(plan.redundancy_prices))
    ]
    heads = ("In words", "Gateways and relays", "More than the cheapest", "Sensors with a second way")
    table = f"<h3>What more safety would cost</h3>{_table(heads, rows, 'Second routes')}" if rows else ""
    more = _list(traced.show(f"plan.what_more_buys[{i}]") for i in range(len(plan.what_more_buys)))
    return table + (f"<h3>What one more hop or more money would change</h3>{more}" if more else "")


def _weakest(plan: Plan, traced: TracedPlan) -> str:
    index = {link.key: i for i, link in enumerate(plan.links)}
    chosen = sorted(plan.chosen_links, key=lambda link: (link.chance, link.margin_db))[:WEAKEST_LINKS]
    return _list((_link_words(link, index[link.key], traced) for link in chosen), "The plan has no links.")


def _link_words(link: Link, i: int, traced: TracedPlan) -> str:
    path = f"plan.links[{i}]"
    first = traced.show(f"{path}.first_failing_month", season_words)
    month = f" First month below what is asked: {first}." if link.first_failing_month else ""
    return (
        f"<b>{traced.show(f'{path}.a')} to {traced.show(f'{path}.b')}</b>, {traced.show(f'{path}.distance_m', metres)}: "
        f"{VERDICT_WORDS[link.verdict]}; {_word('chance', 'chance')} {traced.show(f'{path}.chance', percent)}, "
        f"{_word('margin', 'margin')} {traced.show(f'{path}.margin_db', decibels)} in the worst {_word('season', 'season')} "
        f"({traced.show(f'{path}.worst_season', season_words)}). {traced.show(f'{path}.clearance.sentence')}{month}"
    )


def _fed(plan: Plan, traced: TracedPlan, i: int) -> str:
    """Return how cells, regulator and capacitor feed a device, or what shades its panel; empty where nothing is known."""
    energy = plan.devices[i].energy
    return f" ({traced.show(f'plan.devices[{i}].energy.supply_words')})" if energy is not None and energy.supply_words else ""


def _cells(plan: Plan, traced: TracedPlan, i: int) -> str:
    energy = plan.devices[i].energy
    if energy is None or not energy.battery_words:
        return traced.show(f"plan.devices[{i}].energy.battery", plain_name)
    return traced.show(f"plan.devices[{i}].energy.battery_words", plural)


def _power(plan: Plan, traced: TracedPlan) -> str:
    lives = [
        (device.energy.life_years, i)
        for i, device in enumerate(plan.devices)
        if device.in_plan and device.energy is not None and math.isfinite(device.energy.life_years)
    ]
    items = [
        f"<b>{traced.show(f'plan.devices[{i}].name')}</b>: {traced.show(f'plan.devices[{i}].energy.supply_words')}"
        if energy is not None and energy.no_cells_suit
        else f"<b>{traced.show(f'plan.devices[{i}].name')}</b>: "
        f"about {traced.show(f'plan.devices[{i}].energy.life_years', _years)} on "
        f"{_cells(plan, traced, i)}"
        f"{_fed(plan, traced, i)}; most of it: "
        f"{traced.show(f'plan.devices[{i}].energy.dominant')}. Best change: {traced.show(f'plan.devices[{i}].energy.best_change')}."
        for i, energy in [(i, plan.devices[i].energy) for _, i in sorted(lives)[:SHORTEST_LIVES]]
    ]
    panels = [
        f"<b>{traced.show(f'plan.devices[{i}].name')}</b>: panel of {traced.show(f'plan.devices[{i}].energy.panel_w', _watt)} and "
        f"battery of {traced.show(f'plan.devices[{i}].energy.storage_wh', _watt_hours)}"
        f"{_fed(plan, traced, i)}."
        for i, device in enumerate(plan.devices)
        if device.in_plan and device.energy is not None and 0 < device.energy.panel_w < math.inf
    ]
    shortest = f"<p>The batteries that last the shortest:</p>{_list(items)}" if items else ""
    return shortest + _list(panels) or "<p>The plan says nothing about power.</p>"


def _years(value: float) -> str:
    return f"{number(value, 1)} years"


def _watt(value: float) -> str:
    return f"{number(value, 1)} W"


def _watt_hours(value: float) -> str:
    return f"{number(value)} Wh"


def _airtime(plan: Plan, traced: TracedPlan) -> str:
    busy = [
        (device.duty.fast_duty_share / device.duty.duty_limit if device.duty.duty_limit else 0.0, i)
        for i, device in enumerate(plan.devices)
        if device.in_plan and device.duty is not None
    ]
    if not busy:
        return "<p>The plan says nothing about airtime.</p>"
    _, i = max(busy, key=lambda pair: (pair[0], -pair[1]))
    path = f"plan.devices[{i}].duty"
    return (
        f"<p>The busiest device is {traced.show(f'plan.devices[{i}].name')}: it sends "
        f"{traced.show(f'{path}.duty_share', small_percent)} "
        f"of the time, {traced.show(f'{path}.fast_duty_share', small_percent)} when everything reports fast; the limit is "
        f"{traced.show(f'{path}.duty_limit', small_percent)} ({_word('airtime', 'airtime')}; {traced.show(f'{path}.rule')}).</p>"
        f"{_channels(plan, traced)}{_most_repeats(plan, traced)}"
    )


def _channels(plan: Plan, traced: TracedPlan) -> str:
    """Return what each channel carries; loud where it is more than it can."""
    words = [(traced.show(f"plan.channels[{i}].sentence"), channel.stable) for i, channel in enumerate(plan.channels)]
    return _list(sentence if stable else f"<strong>{sentence}</strong>" for sentence, stable in words)


def _most_repeats(plan: Plan, traced: TracedPlan) -> str:
    """Return the budget of airtime of the hops that repeat most; tables/airtime.csv holds all of them."""
    hops = [
        (-hop.fast_mean_tries, -hop.airtime_ms, i, k) for i, route in enumerate(plan.routes) for k, hop in enumerate(route.hops)
    ]
    rows = []
    for *_, i, k in sorted(hops)[:WEAKEST_LINKS]:
        path = f"plan.routes[{i}].hops[{k}]"
        parts = ("preamble_ms", "header_ms", "payload_ms", "check_ms", "acknowledgement_ms")
        rows.append(
            (
                f"{traced.show(f'{path}.sender')} to {traced.show(f'{path}.receiver')}",
                *(traced.show(f"{path}.{part}", _milliseconds) for part in parts),
                traced.show(f"{path}.fast_mean_tries", _tries),
                traced.show(f"{path}.delivered_chance", percent),
            )
        )
    heads = ("From, to", "Frame and preamble", "Header", "Payload", "Check", "Answer", "Tries a reading", "Arrive")
    return _table(heads, rows, "One reading on the air: the hops that repeat most, in the busiest hour") if rows else ""


def _milliseconds(value: float) -> str:
    return f"{number(value, 1)} ms"


def _tries(value: float) -> str:
    return number(value, 2)


def _assumed(plan: Plan, traced: TracedPlan) -> str:
    heights = [f"plan.devices[{i}].name" for i, device in enumerate(plan.devices) if device.height_assumed and device.in_plan]
    shown = [i for i, words in enumerate(plan.assumptions) if words != plan.grid.sentence]
    typical = [
        traced.show(f"plan.radio.assumptions[{i}]", _sentence)
        for i, words in enumerate(plan.radio.assumptions)
        if words not in plan.assumptions
    ]
    measured = f"<p>Antenna heights that nobody gave: {', '.join(traced.show(path) for path in heights)}.</p>" if heights else ""
    return (
        f"<p>The land: {traced.show('plan.grid.sentence')} Heights may be off by about "
        f"{traced.show('plan.grid.elevation_error_m', metres)}.</p>{_cover_sources(plan, traced)}{_credits(plan, traced)}"
        f"{measured}<h3>Assumed</h3>"
        + _list((traced.show(f"plan.assumptions[{i}]") for i in shown), "Nothing.")
        + (f"<h3>Typical figures of this kind of radio, not measured on yours</h3>{_list(typical)}" if typical else "")
        + "<h3>Not known</h3>"
        + _list((traced.show(f"plan.unknowns[{i}]") for i in range(len(plan.unknowns))), "The plan names nothing.")
    )


def _cover_sources(plan: Plan, traced: TracedPlan) -> str:
    rows = []
    for i in range(len(plan.cover_sources)):
        path = f"plan.cover_sources[{i}]"
        rows.append((traced.show(f"{path}.source"), traced.show(f"{path}.share_of_land", percent)))
    return _table(("What stands on the land is known from", "Share of the land"), rows, "Most trusted first") if rows else ""


def _signs(plan: Plan) -> str:
    """Return the signs of wires, pipes and unmapped land, where the map has some."""
    return "".join(
        f' <svg width="34" height="8" viewBox="0 0 34 8" aria-hidden="true">{drawing}</svg> {words}.'
        for drawing, words in land_signs(plan)
    )


def _credits(plan: Plan, traced: TracedPlan) -> str:
    shown = "; ".join(traced.show(f"plan.credits[{i}]") for i in range(len(plan.credits)))
    return f"<p>The land is drawn from: {shown}.</p>" if shown else ""


def _check(plan: Plan, traced: TracedPlan) -> str:
    rules = []
    for i, line in enumerate(plan.legal):
        path = f"plan.legal[{i}]"
        doubt = f" <em>{_word('standing', 'Check')} this rule.</em>" if _doubtful(line.standing) else ""
        words = legal_state(line.lawful, line.verdict)
        state = words if words == "within" else f"<strong>{words}</strong>"
        remedy = f" {traced.show(f'{path}.remedy', _sentence)}" if line.remedy else ""
        rules.append(
            f"<b>{traced.show(f'{path}.subject', _subject)}</b>: {state} the rule “{traced.show(f'{path}.rule')}”: "
            f"{traced.show(f'{path}.detail', _sentence)}{remedy} "
            f'<span class="soft">Source: {traced.show(f"{path}.source")}, as of {traced.show(f"{path}.as_of")}.</span>{doubt}'
        )
    cautions = _list(traced.show(f"plan.cautions[{i}]") for i in range(len(plan.cautions)))
    near = [
        f"<b>{traced.show(f'plan.wires_nearby[{i}].device')}</b>: {traced.show(f'plan.wires_nearby[{i}].sentence')}"
        for i in range(len(plan.wires_nearby))
    ]
    cautions = (_list(near) if near else "") + cautions
    return (
        "<h3>On the ground</h3><ul><li>Try the weakest links above with two radios on poles before you buy the rest; the survey "
        "sheets say what to expect.</li><li>Measure every height that is assumed.</li><li>Ask before you use land, trees or "
        "buildings that are not yours.</li></ul>"
        f"<h3>The law</h3>{_list(rules, 'No radio rule was checked: find out what holds where you are before you send.')}"
        + (f"<h3>Safety</h3>{cautions}" if cautions else "")
    )


def _subject(words: str) -> str:
    """Return what a rule was checked for; a long list of devices is cut."""
    shown = words if len(words) <= LONG_SUBJECT else f"{', '.join(words.split(', ')[:3])} and others"
    return shown[:1].upper() + shown[1:]


def _doubtful(standing: str) -> bool:
    """Tell whether a rule should be looked up; a standing that is no known word counts as doubtful."""
    try:
        return Standing(standing).needs_check
    except ValueError:
        return True


def _words() -> str:
    return "<dl>" + "".join(f'<dt id="word-{key}">{word}</dt><dd>{meaning}</dd>' for key, word, meaning in WORDS) + "</dl>"
