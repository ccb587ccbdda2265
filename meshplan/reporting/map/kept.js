/* Checks of two places that were kept: drawn on the map, listed with the plan, and written into the page's address, so that a
   reload, a bookmark or a sent address shows them again. */
"use strict";
const meshKept = (() => {
  const { h, chance, metres, height, verdictBadge } = meshParts;
  const MARK = "#checks=",
    MOST_KEPT = 20,
    HIGHEST_M = 100;
  let app,
    lines = null,
    kept = [];

  function start(page) {
    app = page;
    if (!app.canTry()) return;
    lines = L.layerGroup().addTo(app.map);
    kept = read(window.location.hash);
    draw();
  }

  /* One end of a check as the address has it: device, height, and where it stands if not at the device's place. */
  const written = ({ name, heightM, moved, place }) => [name, heightM, ...(moved ? [Number(place.lat.toFixed(7)), Number(place.lng.toFixed(7))] : [])];
  function sideOf(row, letter) {
    if (!Array.isArray(row) || !(row.length === 2 || row.length === 4)) return null;
    const [name, heightM, lat, lng] = row,
      moved = row.length === 4;
    if (!app.devices.has(name) || !meshChanges.endOf(name) || !(heightM > 0 && heightM <= HIGHEST_M)) return null;
    if (moved && !(Math.abs(lat) <= 90 && Math.abs(lng) <= 180)) return null;
    const place = moved ? L.latLng(lat, lng) : L.latLng(app.placeOf(app.devices.get(name)));
    return { letter, name, heightM, moved, place, label: moved ? `point ${letter}` : name };
  }
  /* An address may come from anywhere: what is not a check of this plan is left out. */
  function read(hash) {
    if (!hash.startsWith(MARK)) return [];
    try {
      const rows = JSON.parse(decodeURIComponent(hash.slice(MARK.length)));
      return rows
        .slice(0, MOST_KEPT)
        .map(([radio, a, b]) => ({ radio, sides: [sideOf(a, "A"), sideOf(b, "B")] }))
        .filter((one) => app.engines.has(one.radio) && one.sides.every(Boolean));
    } catch {
      return [];
    }
  }
  function write() {
    const text = encodeURIComponent(JSON.stringify(kept.map(({ radio, sides }) => [radio, ...sides.map(written)])));
    try {
      window.history.replaceState(null, "", kept.length ? `${MARK}${text}` : window.location.pathname + window.location.search);
    } catch {
      /* A page inside another has no address of its own: the checks live as long as it is open. */
    }
  }

  function figured({ radio, sides }) {
    const before = app.engine.radio;
    meshTrial.useRadio(radio);
    const ends = sides.map((one) => ({ ...one, end: meshTrial.endAt(app.ends.get(one.name), one.place, one.heightM, one.moved) })),
      trial = meshTrial.compute(ends[0], ends[1]);
    meshTrial.useRadio(before);
    return trial;
  }
  const same = (p, q) => JSON.stringify([p.radio, ...p.sides.map(written)]) === JSON.stringify([q.radio, ...q.sides.map(written)]);

  function keep(radio, sides) {
    const one = { radio, sides: sides.map(({ letter, name, heightM, moved, place, label }) => ({ letter, name, heightM, moved, place, label })) };
    if (kept.some((other) => same(one, other))) return app.say("This check is kept already.");
    kept = [...kept, one].slice(-MOST_KEPT);
    write();
    draw();
    app.say("The check is kept: it stands with the plan, on the map and in the page’s address.");
  }
  function forget(one) {
    kept = kept.filter((other) => other !== one);
    write();
    draw();
    app.showOverview();
  }

  function draw() {
    lines.clearLayers();
    for (const one of kept) {
      const trial = figured(one),
        style = trial.unknown ? { colour: "#23211c", dash: "1 6" } : app.verdicts.get(trial.verdict),
        places = one.sides.map((side) => side.place);
      L.polyline(places, { pane: "trial", interactive: false, color: "#ffd84d", weight: 7 }).addTo(lines);
      L.polyline(places, { pane: "trial", color: style.colour, dashArray: style.dash || null, weight: 3 })
        .on("click", (event) => {
          L.DomEvent.stop(event);
          if (!app.picking) app.tryTwo(one);
        })
        .addTo(lines);
      for (const side of one.sides)
        if (side.moved)
          L.circleMarker(side.place, { pane: "trial", interactive: false, radius: 6, color: "#23211c", weight: 2, fillColor: "#ffd84d", fillOpacity: 1 }).addTo(lines);
    }
  }

  /* The list beside the plan; null where nothing is kept. */
  function summary() {
    if (!kept.length) return null;
    return h(
      "div",
      { class: "tried", id: "kept" },
      h("p", {}, h("strong", {}, "Checks of two places that you kept")),
      h(
        "ul",
        {},
        kept.map((one) => {
          const trial = figured(one),
            names = one.sides.map((side) => `${side.moved ? `${side.label}, as ${side.name}` : side.name} (${height(side.heightM)})`);
          return h(
            "li",
            {},
            h("button", { type: "button", class: "plain", onclick: () => app.tryTwo(one) }, names.join(" → ")),
            trial.unknown
              ? `: ${meshTrial.UNKNOWN_WORDS[trial.unknown]} `
              : [": ", verdictBadge(app.verdicts.get(trial.verdict)), `, works in ${chance(trial.now.chance)}, ${metres(trial.profile.distanceM)} `],
            h("button", { type: "button", "aria-label": `Forget the check ${names.join(" to ")}`, onclick: () => forget(one) }, "Forget"),
          );
        }),
      ),
    );
  }

  return { start, keep, summary, draw };
})();
