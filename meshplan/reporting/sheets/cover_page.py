"""The cover of the packet: map, order of work, parts and cost, law and general cautions, as HTML."""

from __future__ import annotations

from meshplan.records import VERDICT_WORDS, Plan, Remedy, Role, Unserved
from meshplan.reporting.map.palette import VERDICT_STYLES
from meshplan.reporting.paper import role_mark
from meshplan.reporting.plan_files import line_cost
from meshplan.reporting.sheets.entries import SiteSheet, WorkStep, first_cautions, network_notes, order_of_work
from meshplan.reporting.sheets.overview import land_signs, overview_svg
from meshplan.reporting.svg import path
from meshplan.reporting.words import (
    care_of,
    count,
    decibels,
    legal_state,
    listing,
    metres,
    money,
    not_bought,
    not_bought_words,
    number,
    percent,
    shortened,
    text,
)


def cover_page(plan: Plan, sheets: tuple[SiteSheet, ...]) -> str:
    """Return the cover: the map on its first page, the lists after it."""
    steps = order_of_work(plan, sheets)
    return (
        f'<section class="cover"><header><p class="kicker">Survey and installation sheets</p>'
        f"<h1>{text(plan.property_name)}</h1><p>{text(_summary(plan, len(sheets)))}</p></header>"
        f'<figure class="map">{overview_svg(plan, numbers={sheet.device.name: sheet.number for sheet in sheets})}'
        f"<figcaption>{_key(plan)}</figcaption></figure>"
        f"{_before_you_start(plan, steps)}</section>"
        f'<section class="cover lists">{_work(steps, plan)}{_notes(plan)}{_parts(plan)}{_law(plan)}</section>'
    )


def _summary(plan: Plan, sheets: int) -> str:
    used = [device for device in plan.devices if device.in_plan]
    sensors = [device for device in plan.devices if device.role is Role.SENSOR]
    served = sum(device.served for device in sensors)
    return (
        f"{count(sum(d.role is Role.GATEWAY for d in used), 'gateway')}, "
        f"{count(sum(d.role is Role.RELAY for d in used), 'relay')}, {served} of {count(len(sensors), 'sensor')} served. "
        f"Radio: {plan.radio.title}, {number(plan.radio.frequency_mhz, 1)} MHz. Rules checked: {plan.country}. "
        f"One page for each of {count(sheets, 'site')}, in the order of work."
    )


def _key(plan: Plan) -> str:
    """Return the legend: signs of roles and lines of the verdicts that occur."""
    roles = "".join(f"<span>{role_mark(role, 13)} {role.value}</span>" for role in Role)
    used = {link.verdict for link in plan.chosen_links}
    lines = "".join(
        '<span><svg width="34" height="8" viewBox="0 0 34 8" aria-hidden="true">'
        f"{path('M1 4h32', stroke=style.colour, stroke_width=2.4, stroke_dasharray=style.dash or None)}"
        f"</svg> {verdict}: {VERDICT_WORDS[verdict]}</span>"
        for verdict, style in VERDICT_STYLES.items()
        if verdict in used
    )
    land = "".join(
        f'<span><svg width="34" height="8" viewBox="0 0 34 8" aria-hidden="true">{drawing}</svg> {words}</span>'
        for drawing, words in land_signs(plan)
    )
    credits_line = f" The land is drawn from: {text('; '.join(plan.credits))}." if plan.credits else ""
    return f'<span class="key">{roles}{lines}{land}</span> Numbers are those of the sheets.{credits_line}'


def _before_you_start(plan: Plan, steps: tuple[WorkStep, ...]) -> str:
    hardest = listing([f"{step.link.a} to {step.link.b}" for step in steps[:3]])
    pilot = (
        f"Try the hardest links first, with two radios on poles at the planned heights, before you buy the rest: {hardest}. "
        "If they miss what the sheets expect by more than 10 dB, enter the readings and plan again."
        if steps
        else "The plan has no link to try."
    )
    sentences = (
        "On the bench, run two nodes side by side for a day: numbers, battery current, antennas of the right band.",
        pilot,
        "Put up the gateway, then the relays, then the sensors, each with its sheet.",
        "Write readings on the sheets, then into readings.csv, and let meshplan calibrate compare them with the plan.",
    )
    items = "".join(f"<li>{text(sentence)}</li>" for sentence in sentences)
    cautions = "".join(f"<li>{text(words)}</li>" for words in first_cautions(plan))
    care = f'<h3>Take care</h3><ul class="care">{cautions}</ul>' if cautions else ""
    return f"<h3>How to go about it</h3><ol>{items}</ol>{care}"


def _work(steps: tuple[WorkStep, ...], plan: Plan) -> str:
    if not steps:
        return "<h2>Order of work</h2><p>No links.</p>"
    rows = "".join(
        f'<tr data-link="{text(step.link.key)}"><td class="num">{place}</td><td class="name">{text(shortened(step.link.a, 28))} to '
        f'{text(shortened(step.link.b, 28))}</td><td class="num">{metres(step.link.distance_m)}</td>'
        f'<td class="num">{percent(step.link.chance)}</td><td>{step.link.verdict}</td><td>{text(shortened(step.why, 48))}</td>'
        f"<td>{text(listing([str(sheet) for sheet in step.sheets]))}</td><td class='fill'></td></tr>"
        for place, step in enumerate(steps, start=1)
    )
    left_out = _gaps("Not served", plan.unserved) + _gaps("One route only, where two were asked for", plan.single_routes)
    return (
        '<h2>Order of work: hardest links first</h2><table class="list"><thead><tr><th></th><th>Link</th><th class="num">'
        'Distance</th><th class="num">Chance</th><th>Verdict</th><th>Main loss</th><th>Sheets</th><th>Done</th></tr>'
        f"</thead><tbody>{rows}</tbody></table>{left_out}"
    )


def _notes(plan: Plan) -> str:
    """Return what the network cannot do as it is planned, and the class that would do more."""
    items = "".join(f"<li>{text(sentence)}</li>" for sentence in network_notes(plan))
    return f"<h3>Before you buy</h3><ul>{items}</ul>" if items else ""


def _gaps(head: str, gaps: tuple[Unserved, ...]) -> str:
    rows = "".join(
        f"<li><b>{text(gap.sensor)}</b>: {text(gap.reason)}"
        + (f"; {decibels(gap.missing_db)} are missing towards {text(gap.nearest)}" if gap.nearest and gap.missing_db > 0.0 else "")
        + f".{_first_remedy(gap.remedies)}</li>"
        for gap in gaps
    )
    care = "".join(f"<li>{text(words)}</li>" for words in care_of(remedy for gap in gaps for remedy in gap.remedies[:1]))
    care = f'<p>Before you raise anything:</p><ul class="care">{care}</ul>' if care else ""
    return f"<h3>{head}</h3><ul>{rows}</ul>{care}" if rows else ""


def _first_remedy(remedies: tuple[Remedy, ...]) -> str:
    return f" Would help: {text(remedies[0].change)}." if remedies else ""


def _parts(plan: Plan) -> str:
    if not plan.parts:
        return ""
    rows, with_spares, bare, unpriced = [], 0.0, 0.0, 0
    for line in plan.parts:
        buy = line.quantity + line.spares
        cost = line_cost(buy, line.unit_cost)
        with_spares += cost or 0.0
        bare += line_cost(line.quantity, line.unit_cost) or 0.0
        unpriced += cost is None
        rows.append(
            f'<tr><td class="name">{text(line.part)}</td><td class="num">{number(line.quantity)}</td>'
            f'<td class="num">{number(line.spares)}</td>'
            f'<td class="num"><b>{number(buy)}</b></td><td>{text(line.unit)}</td>'
            f'<td class="num">{"" if cost is None else money(round(cost, 2), plan.currency)}</td>'
            f"<td class='name'>{text(listing([shortened(name, 24) for name in line.devices], 5))}</td></tr>"
        )
    note = (
        f" {count(unpriced, 'line has', 'lines have')} no price and {'is' if unpriced == 1 else 'are'} not in the sum."
        if unpriced
        else ""
    )
    missing = f" {text(not_bought_words(plan))}" if not_bought(plan) else ""
    return (
        '<h2>Parts</h2><table class="list"><thead><tr><th>Part</th><th class="num">Needed</th><th class="num">Spares</th>'
        '<th class="num">Buy</th><th></th><th class="num">Cost</th><th>For</th></tr></thead>'
        f"<tbody>{''.join(rows)}</tbody><tfoot><tr><th colspan='5'>Sum with spares</th><th class='num' id='sum-with-spares'>"
        f"{money(round(with_spares, 2), plan.currency)}</th><th>without spares {money(round(bare, 2), plan.currency)}</th></tr>"
        f"</tfoot></table><p class='soft'>Prices are those of the property file.{note}{missing}</p>"
    )


def _law(plan: Plan) -> str:
    lines = "".join(
        f"<li><b>{text(shortened(line.subject, 70))}</b>: {legal_state(line.lawful, line.verdict)} "
        f"{text(line.rule)}. {text(line.detail)}"
        f"{f' {text(line.remedy)}' if line.remedy else ''} "
        f"<span class='soft'>({text(line.source)}, as of {text(line.as_of)})</span></li>"
        for line in plan.legal
    )
    return f"<h2>Radio rules</h2><ul>{lines}</ul>" if lines else ""
