/* A place that the property does not have: what would hear it, or what it would hear, season by season, and what it would cost. */
"use strict";
const meshAdd = (() => {
  const { h, svg, known, plain, metres, level, amount, chance, count, seasonWords, seasonTitle, verdictBadge, table } = meshParts;
  const { added, faultOf } = meshChanges;
  const MOST_ROWS = 12,
    SLOW_MS = 60;
  const ROLES = { sensor: "Sensor", relay: "Place for a relay", gateway: "Place for a gateway" },
    PURPOSES = { trend: "slow readings (trend)", alarm: "alarms", control: "control" },
    POWERS = { mains: "mains", panel: "panel and battery" };
  let app,
    marks = null,
    number = 0;

  const engine = () => app.engines.get(app.data.engine.radio);
  const kinds = () => engine().new_places;

  function start(page) {
    app = page;
    const button = document.getElementById("open-add");
    button.hidden = !(app.canTry() && kinds().length);
    if (button.hidden) return;
    marks = L.layerGroup().addTo(app.map);
    app.tryAdd = open;
    app.showAdded = showAdded;
    button.addEventListener("click", () => {
      if (button.getAttribute("aria-pressed") === "true") app.showOverview();
      else open();
    });
  }

  /* New places stay on the map when another thing is looked at; each opens again. */
  function showAdded(inHand = null) {
    marks.clearLayers();
    for (const one of added.values()) {
      if (one.id === inHand) continue;
      if (!one.touched) {
        added.delete(one.id);
        continue;
      }
      const face = svg(
        "svg",
        { width: 24, height: 24, viewBox: "0 0 24 24", "aria-hidden": "true" },
        svg("circle", { cx: 12, cy: 12, r: 9.5, fill: "#ffd84d", stroke: "#23211c", "stroke-width": 2 }),
        svg("path", { d: "M12 6.5v11M6.5 12h11", stroke: "#23211c", "stroke-width": 2.2 }),
      );
      const icon = L.divIcon({ className: "mark added", html: h("div", {}, face, h("span", { class: "name e" }, one.name)), iconSize: [24, 24] });
      const marker = L.marker(one.place, { icon, keyboard: true, zIndexOffset: 1500, bubblingMouseEvents: false });
      marker.on("add", () => {
        marker.getElement().setAttribute("role", "button");
        marker.getElement().setAttribute("aria-label", `${one.name}, new ${one.role}, tried on this map`);
        marker.getElement().dataset.added = one.name;
      });
      marker.on("click", () => {
        if (!app.picking) open(one.id);
      });
      marker.on("keydown", ({ originalEvent: event }) => {
        if (event.key !== "Enter" && event.key !== " ") return;
        event.preventDefault();
        if (!app.picking) open(one.id);
      });
      marks.addLayer(marker);
    }
  }

  /* ---- figures ---- */
  const supplies = (role) => [...new Set(kinds().filter((kind) => kind.role === role).map((kind) => kind.power))];
  const kindOf = ({ role, purpose, power }) =>
    kinds().find((kind) => kind.role === role && (role === "sensor" ? kind.purpose === purpose : kind.power === power));
  const sideOf = (one) => ({
    name: "",
    label: one.name.trim() || "the new place",
    place: one.place,
    moved: true,
    end: meshTrial.endAt(kindOf(one).end, one.place, one.heightM, true),
  });
  const costOf = (one) => {
    const kind = kindOf(one),
      mast = kind.mast_per_m * Math.max(one.heightM - kind.free_mast_m, 0);
    return { total: kind.cost + mast, mast };
  };

  /* The links of the plan that lead from a relay on to a gateway; null where the plan knows no way. */
  function wayOn(name) {
    for (const route of app.data.routes) {
      for (const [devices, links] of [
        [route.devices, route.links],
        [route.second_devices, route.second_links],
      ]) {
        const at = devices.indexOf(name);
        if (at > 0 && at < devices.length - 1) return { devices: devices.slice(at), links: links.slice(at).map((key) => app.links.get(key)) };
      }
    }
    return null;
  }
  const inSeason = (link, season) => link.seasons[season].chance ?? 0;

  /* A trial link with the chance of the whole way to a gateway, season by season; `on` is the way behind its receiver. */
  function withWay(trial, on) {
    if (trial.unknown) return { trial, whole: [], worst: 0, at: 0 };
    const whole = trial.seasons.map((one, season) => one.chance * (on ? on.links.reduce((all, link) => all * inSeason(link, season), 1) : 1)),
      named = app.data.seasons.findIndex((season) => season.name === app.season),
      at = named >= 0 ? named : whole.indexOf(Math.min(...whole));
    return { trial, whole, worst: whole[at], at };
  }

  /* Gateways and relays that could take readings from a place, the surest whole way first: those of the plan, then the others. */
  function receivers(one) {
    const me = sideOf(one),
      found = [];
    for (const name of app.ends.keys()) {
      const device = app.devices.get(name);
      if (device.role === "sensor") continue;
      const on = device.role === "relay" ? wayOn(name) : null;
      if (device.role === "relay" && device.in_plan && !on) continue;
      found.push({ name, device, on, used: device.in_plan, side: meshTrial.standing(name) });
    }
    for (const other of added.values()) {
      if (other.id !== one.id && other.role === "gateway") found.push({ name: other.name, device: other, on: null, used: false, side: sideOf(other) });
    }
    return found
      .map((other) => ({ ...other, ...withWay(meshTrial.compute(me, other.side), other.on) }))
      .sort((p, q) => q.used - p.used || q.worst - p.worst || (p.name < q.name ? -1 : 1));
  }

  /* Sensors that a candidate could hear, those without a route first, then the surest. `onward` is its own best way on. */
  function senders(one, onward) {
    const me = sideOf(one);
    return app.data.devices
      .filter((device) => device.role === "sensor" && app.ends.has(device.name))
      .map((device) => {
        const trial = meshTrial.compute(meshTrial.standing(device.name), me),
          found = { name: device.name, device, ...withWay(trial, null) };
        if (onward && found.whole.length && onward.whole.length) {
          found.whole = found.whole.map((value, season) => value * onward.whole[season]);
          found.worst = Math.min(...found.whole);
        }
        return found;
      })
      .sort((p, q) => p.device.served - q.device.served || q.worst - p.worst || (p.name < q.name ? -1 : 1));
  }

  const sure = (found) => !found.trial.unknown && ["ample", "good"].includes(found.trial.verdict);
  const seasonName = (season) => (app.data.seasons.length ? seasonWords(app.data.seasons[season].name) : "");
  const whenWords = (found) => (app.data.seasons.length ? ` in ${app.season ? "the season" : "its worst season,"} “${seasonName(found.trial.season)}”` : "");

  /* ---- the tool ---- */
  function open(id = null) {
    const middle = app.map.getCenter();
    app.leaveTrial();
    meshTrial.useRadio(engine().radio);
    const one = (id !== null && added.get(id)) || fresh(middle);
    let shown = null,
      last = 0;
    const result = h("div", { id: "trial-result", "aria-live": "polite" }),
      box = meshChanges.takeOver();
    const put = (place, settled = true) => {
      one.place = place;
      one.touched = true;
      marker.setLatLng(place);
      /* Where the figures of one place take long, they wait for the mark to come to rest. */
      if (settled || last < SLOW_MS) refresh();
    };
    meshTrial.enter("add", put);
    added.set(one.id, one);
    showAdded(one.id);
    const marker = meshTrial.movable(one.place, "N", "New place", put),
      line = L.polyline([one.place, one.place], { pane: "trial", weight: 5, interactive: false }).addTo(meshTrial.trialLayer());

    const name = h("input", { type: "text", id: "add-name", maxlength: 80, value: one.name, autocomplete: "off", spellcheck: "false" });
    name.addEventListener("input", () => {
      one.name = name.value;
      one.touched = one.named = true;
      refresh();
    });
    const choose = (field, words, offered, onChange) => {
      const select = h("select", { id: `add-${field}` }, Object.entries(offered).map(([value, text]) => h("option", { value, selected: value === one[field] }, text)));
      select.addEventListener("change", () => {
        one[field] = select.value;
        one.touched = true;
        onChange();
      });
      return h("div", { class: "field" }, h("label", { for: `add-${field}` }, words), select);
    };
    const up = meshTrial.heightField("height-N", "Antenna height above ground, m", one.heightM, (metresUp) => {
      one.heightM = metresUp;
      one.touched = true;
      refresh();
    });
    const details = h("div", {});
    function fillDetails() {
      details.replaceChildren(
        one.role === "sensor"
          ? choose("purpose", "What its readings are for", PURPOSES, refresh)
          : choose("power", "What feeds it", Object.fromEntries(supplies(one.role).map((power) => [power, POWERS[power] || power])), refresh),
      );
    }
    const role = choose("role", "What stands here", ROLES, () => {
      Object.assign(one, usualOf(one.role));
      if (!one.named) name.value = one.name = freeName(one.role);
      up.set(one.heightM);
      fillDetails();
      shown = null;
      refresh();
    });

    function refresh() {
      const started = performance.now(),
        fault = faultOf(one);
      const onward = one.role === "sensor" || one.role === "relay" ? receivers(one) : [],
        heard = one.role === "sensor" ? [] : senders(one, onward[0] && onward[0].used ? onward[0] : null);
      const all = [...onward, ...heard],
        picked = all.find((other) => other.name === shown) || all[0];
      const best = onward[0];
      result.replaceChildren(
        ...[
          fault ? h("p", { class: "refused", id: "add-fault" }, fault) : "",
          meshTrial.wireWarning(one.place, one.heightM),
          h("p", { class: "verdict-line", id: "add-best" }, one.role === "sensor" ? sensorWords(best) : candidateWords(one, best, heard)),
          costWords(one),
          onward.length ? partnerTable(one.role === "sensor" ? "What would hear it, the surest way to a gateway first." : "Where its readings would go on.", onward) : "",
          heard.length ? partnerTable("Sensors that it would hear: those without a route first, then the surest.", heard) : "",
          picked && !picked.trial.unknown ? yearTable(picked) : "",
        ].filter(Boolean),
      );
      if (picked && !picked.trial.unknown) {
        const style = app.verdicts.get(picked.trial.verdict);
        line.setLatLngs([one.place, picked.side ? picked.side.place : app.placeOf(picked.device)]);
        line.setStyle({ color: style.colour, dashArray: style.dash || null, opacity: 1 });
        const me = sideOf(one),
          other = picked.side || meshTrial.standing(picked.name);
        if (heard.includes(picked)) meshTrial.showCut(picked.trial, other, me);
        else meshTrial.showCut(picked.trial, me, other);
      } else {
        line.setStyle({ opacity: 0 });
        app.showSection(null);
      }
      box.refresh();
      last = performance.now() - started;
    }

    function partnerTable(caption, list) {
      const rows = list.slice(0, MOST_ROWS),
        hidden = list.length - rows.length;
      return table(
        caption + (hidden ? ` ${count(hidden, "further one is", "further ones are")} not listed.` : ""),
        [["Place and verdict"], ["Link works in", "num"], ["Whole way", "num"]],
        rows.map((other) =>
          h(
            "tr",
            { class: other.name === shown ? "now" : null, "data-partner": other.name },
            h(
              "th",
              { scope: "row" },
              h(
                "button",
                {
                  type: "button",
                  class: "plain",
                  "aria-pressed": String(other.name === shown),
                  onclick: () => {
                    shown = other.name;
                    refresh();
                  },
                },
                other.name,
              ),
              h("div", { class: "small soft" }, partnerWords(other)),
              other.trial.unknown ? h("div", {}, meshTrial.UNKNOWN_WORDS[other.trial.unknown]) : h("div", {}, verdictBadge(app.verdicts.get(other.trial.verdict))),
            ),
            h("td", { class: "num" }, other.trial.unknown ? "–" : chance(other.trial.now.chance)),
            h("td", { class: "num" }, other.trial.unknown || (other.device.role === "relay" && !other.on) ? "–" : chance(other.worst)),
          ),
        ),
      );
    }

    app.view = refresh;
    app.tell(
      [
        meshViews.backRow(app, "Add a place"),
        h("p", {}, "Click the map where it should stand, or drag the yellow mark; arrow keys move it too."),
        role,
        h("div", { class: "field" }, h("label", { for: "add-name" }, "Its name"), name),
        up.element,
        details,
        result,
        h(
          "div",
          { class: "buttons" },
          h("button", { type: "button", id: "add-another", onclick: () => open() }, "Add another"),
          h(
            "button",
            {
              type: "button",
              id: "take-out",
              onclick: () => {
                added.delete(one.id);
                app.showOverview();
              },
            },
            "Take it out",
          ),
        ),
        box.content,
        meshTrial.landNote(),
      ],
      "Add a place: click the map where it should stand.",
    );
    fillDetails();
    refresh();
    meshTrial.intoView([one.place]);
  }

  function usualOf(role) {
    const kind = kinds().find((one) => one.role === role);
    return { heightM: kind.end.antenna_agl_m, purpose: kind.purpose, power: kind.power };
  }
  function freeName(role) {
    const taken = new Set([...app.devices.keys(), ...[...added.values()].map((one) => one.name)].map((one) => one.toLowerCase()));
    for (let n = 1; ; n++) if (!taken.has(`new ${role} ${n}`)) return `New ${role} ${n}`;
  }
  function fresh(place) {
    number += 1;
    return { id: number, name: freeName("sensor"), role: "sensor", place, touched: false, named: false, ...usualOf("sensor") };
  }

  /* ---- words ---- */
  function partnerWords({ device, used, on }) {
    if (device.role === "sensor") return device.served ? "sensor, has a route" : "sensor without a route";
    const what = `${device.role}${used ? "" : device.in_plan === undefined ? ", tried here" : " that the plan does not use"}`;
    return on ? `${what}, then ${on.devices.slice(1).join(", ")}` : what;
  }
  function sensorWords(best) {
    if (!best) return h("strong", {}, "Nothing in this plan could hear it.");
    if (best.trial.unknown) return h("strong", {}, meshTrial.UNKNOWN_WORDS[best.trial.unknown]);
    const style = app.verdicts.get(best.trial.verdict),
      way = best.on ? `, and the whole way by ${best.on.devices.slice(1).join(", ")} in ${chance(best.worst)}` : "";
    return [
      h("strong", {}, best.name),
      best.used ? " hears it best: " : ", which the plan does not use, would hear it best: ",
      verdictBadge(style),
      `, works in ${chance(best.trial.now.chance)}${whenWords(best)}${way}. `,
      sure(best)
        ? `That is as sure as the plan asks (${chance(app.data.required_chance)}).`
        : h("strong", {}, `Not as sure as the plan asks (${chance(app.data.required_chance)}).`),
    ];
  }
  function candidateWords(one, best, heard) {
    const reached = heard.filter(sure),
      lost = reached.filter((other) => !other.device.served).length,
      words = [];
    if (one.role === "relay") {
      if (!best || best.trial.unknown) words.push(h("strong", {}, "No gateway or relay of the plan hears it. "));
      else {
        words.push(h("strong", {}, best.name), " hears it best: ", verdictBadge(app.verdicts.get(best.trial.verdict)), `, works in ${chance(best.trial.now.chance)}${whenWords(best)}. `);
        if (!sure(best)) words.push(h("strong", {}, `Not as sure as the plan asks (${chance(app.data.required_chance)}). `));
      }
    }
    words.push(`As surely as the plan asks it would hear ${count(reached.length, "sensor", "sensors")} of ${heard.length}`);
    words.push(lost ? [", ", h("strong", {}, `${lost} of them without a route now`), "."] : ".");
    return words;
  }
  function costWords(one) {
    const { total, mast } = costOf(one),
      { currency } = app.data;
    return h(
      "p",
      { id: "add-cost" },
      `Costs ${amount(total, currency)} by the prices of this plan${mast > 0 ? `, ${amount(mast, currency)} of it for the mast` : ""}. Antenna, cable and cells have no price there.`,
    );
  }
  function yearTable({ name, trial, whole, on, device }) {
    return table(
      `Through the year with ${name}, over ${metres(trial.profile.distanceM)}.`,
      [["Season"], ["Verdict"], ["Works in", "num"], ["Margin dB", "num"]],
      trial.seasons.map((found, season) =>
        h(
          "tr",
          { class: season === trial.season ? "now" : null, "data-season": app.data.seasons.length ? app.data.seasons[season].name : "" },
          h("th", { scope: "row" }, app.data.seasons.length ? seasonTitle(app.data.seasons[season].name) : "All year"),
          h("td", {}, verdictBadge(app.verdicts.get(meshTrial.verdictOf(found.chance, found.shakeDb, found.otherSpread)))),
          h("td", { class: "num" }, chance(found.chance)),
          h("td", { class: "num" }, level(found.marginDb)),
        ),
      ),
    );
  }

  return { start, receivers, senders, costOf };
})();
