/* What was tried on the map and may go into the next plan: sites moved or raised, places added; all of it in one changes file. */
"use strict";
const meshChanges = (() => {
  const { h, metres, height, count } = meshParts;
  /* Until they are put back or taken out: sites by site and role, new places by a number of their own. */
  const changed = new Map(),
    added = new Map();
  const FIRST = ["name", "role", "lon_deg", "lat_deg", "antenna_agl_m"],
    MORE = ["added", "purpose", "power"];
  const LONGEST_NAME = 80,
    ON_THE_LINE_M = 1;
  let app;

  const start = (page) => {
    app = page;
  };
  /* A device as an end, whatever radio class is tried just now. */
  function endOf(name) {
    for (const engine of app.engines.values()) {
      const found = engine.ends.find((end) => end.name === name);
      if (found) return found;
    }
    return null;
  }
  const siteOf = (name) => (endOf(name) || { site: name }).site;
  const keyOf = (name) => `${siteOf(name)}\n${app.devices.get(name).role}`;

  /* Text that a spreadsheet would compute gets an apostrophe, as in every table of the plan. */
  const guarded = (words) => (/^[=+\-@\t\r]/.test(words) ? `'${words}` : words),
    unguarded = (words) => (/^'[=+\-@\t\r]/.test(words) ? words.slice(1) : words),
    quoted = (words) => (/[",\n\r]|^\s|\s$/.test(words) ? `"${words.replaceAll('"', '""')}"` : words);
  const placed = (place) => ({ lon_deg: place.lng.toFixed(7), lat_deg: place.lat.toFixed(7) });
  const shortHeight = (heightM) => String(Number(heightM.toFixed(2)));

  /* Rows that the plan was made with stay in the file, word by word, until one of their sites is changed anew. */
  const keptKey = (row) => `${unguarded(row.name || "")}\n${(row.role || "").toLowerCase()}`;
  const keptOf = (name) => app.data.changes.find((row) => keptKey(row) === keyOf(name));

  function changedRow({ name, place, moved, heightM }) {
    const device = app.devices.get(name),
      end = endOf(name),
      kept = keptOf(name);
    const isNew = !kept && end.is_found,
      row = kept ? { ...kept } : { name: guarded(isNew ? `${end.site} (moved)` : end.site), role: device.role };
    if (isNew) Object.assign(row, { added: "yes", power: end.power });
    if (moved || !kept) {
      Object.assign(row, placed(moved ? place : { lat: device.lat_deg, lng: device.lon_deg }));
      delete row.x_m;
      delete row.y_m;
    }
    if (isNew || heightM !== end.antenna_agl_m) {
      row.antenna_agl_m = shortHeight(heightM);
      delete row.mast_heights_agl_m;
    }
    return row;
  }
  const addedRow = ({ name, role, purpose, power, place, heightM }) => ({
    name: guarded(name.trim()),
    role,
    ...placed(place),
    antenna_agl_m: shortHeight(heightM),
    added: "yes",
    ...(role === "sensor" ? { purpose } : { power }),
  });

  /* All changes as one table. `inHand` is the site or place that is tried just now: it is always among them. */
  function text(inHand = null) {
    const rows = new Map(app.data.changes.map((row) => [keptKey(row), row]));
    const mine = new Map([...changed.values()].map((one) => [keyOf(one.name), one]));
    if (inHand && app.devices.has(inHand.name)) mine.set(keyOf(inHand.name), inHand);
    const sorted = [...mine].map(([key, one]) => [key, changedRow(one)]).sort(([p], [q]) => (p < q ? -1 : 1));
    for (const [key, row] of sorted) rows.set(key, row);
    for (const one of added.values()) if (!faultOf(one)) rows.set(`new ${one.id}`, addedRow(one));
    const used = new Set([...rows.values()].flatMap((row) => Object.keys(row)));
    const columns = [...FIRST, ...MORE.filter((name) => used.has(name)), ...[...used].filter((name) => ![...FIRST, ...MORE].includes(name))];
    const line = (row) => `${columns.map((name) => quoted(row[name] ?? "")).join(",")}\n`;
    return `${columns.join(",")}\n${[...rows.values()].map(line).join("")}`;
  }

  /* What the plan would refuse of a place, in words; empty where it is sound. */
  function faultOf(one) {
    const name = one.name.trim(),
      folded = name.toLowerCase();
    if (!name) return "Give it a name.";
    if (name.length > LONGEST_NAME) return `Its name has ${name.length} characters; at most ${LONGEST_NAME} are read.`;
    if (/[\p{C}\p{Zl}\p{Zp}]/u.test(name)) return "Its name holds characters that cannot be printed.";
    const names = [...app.devices.keys(), ...[...app.devices.keys()].map(siteOf), ...[...added.values()].filter((other) => other.id !== one.id).map((other) => other.name.trim())];
    if (names.some((other) => other.toLowerCase() === folded)) return `There is a place called “${name}” already: give it another name.`;
    return faultOfPlace(one.place);
  }
  function faultOfPlace(place) {
    if (!Number.isFinite(app.land.groundAt(app.land.cellOf(place.lat, place.lng)))) return "The land here is not known: set it inside the drawn land.";
    const awayM = outsideM(place);
    return awayM > ON_THE_LINE_M ? `This is ${metres(awayM)} outside the boundary: the plan would refuse it.` : "";
  }

  /* Metres outside the boundary of the property; 0 inside, or where none is drawn. */
  function outsideM(place) {
    const areas = app.data.shapes.filter((shape) => shape.kind.includes("boundary")).map((shape) => shape.rings);
    const east = meshFigures.metres_per_degree * Math.cos((place.lat * Math.PI) / 180),
      north = meshFigures.metres_per_degree;
    let least = Infinity;
    for (const rings of areas) {
      let inside = false;
      for (const ring of rings) {
        for (let i = 1; i < ring.length; i++) {
          const [x1, y1, x2, y2] = [ring[i - 1], ring[i]].flatMap(([lng, lat]) => [(lng - place.lng) * east, (lat - place.lat) * north]);
          if (y1 > 0 !== y2 > 0 && x1 + ((x2 - x1) * -y1) / (y2 - y1) > 0) inside = !inside;
          const long = (x2 - x1) ** 2 + (y2 - y1) ** 2,
            share = long > 0 ? Math.min(Math.max(-(x1 * (x2 - x1) + y1 * (y2 - y1)) / long, 0), 1) : 0;
          least = Math.min(least, Math.hypot(x1 + share * (x2 - x1), y1 + share * (y2 - y1)));
        }
      }
      if (inside) return 0;
    }
    return areas.length ? least : 0;
  }

  /* ---- on the page ---- */
  /* The text and the ways to take it away; `refresh` writes it anew. */
  function takeOver() {
    const area = h("textarea", { id: "change-text", readonly: true, rows: 4, spellcheck: "false" });
    const copy = () => {
      area.select();
      const done = () => app.say("The changes are copied.");
      if (navigator.clipboard && window.isSecureContext)
        navigator.clipboard
          .writeText(area.value)
          .then(done, () => app.say("Copying was not allowed: the text is selected, copy it by hand."));
      else if (document.execCommand("copy")) done();
      else app.say("The text is selected: copy it by hand.");
    };
    const save = () => {
      const url = URL.createObjectURL(new Blob([area.value], { type: "text/csv" })),
        link = h("a", { href: url, download: "changes.csv" });
      link.click();
      setTimeout(() => URL.revokeObjectURL(url), 1000);
      app.say("Saved as changes.csv.");
    };
    return {
      refresh: (inHand) => {
        area.value = text(inHand);
      },
      content: [
        h("h3", {}, "Take it over into the plan"),
        h(
          "p",
          { class: "small" },
          h(
            "label",
            { for: "change-text" },
            "All changes tried so far. Save them as changes.csv in the property folder, then run meshplan plan again; it takes the place of an earlier changes.csv, whose rows are kept in it:",
          ),
        ),
        area,
        h(
          "div",
          { class: "buttons" },
          h("button", { type: "button", id: "copy-change", onclick: copy }, "Copy"),
          h("button", { type: "button", id: "save-change", onclick: save }, "Save as a file"),
        ),
      ],
    };
  }

  /* What is tried and not in the plan yet, so that nobody leaves without it. */
  function summary() {
    const all = [...changed.values(), ...added.values()];
    if (!all.length) return null;
    const button = (words, act) => h("button", { type: "button", class: "plain", onclick: act }, words);
    const box = takeOver();
    box.refresh();
    return h(
      "div",
      { class: "tried", id: "tried" },
      h("p", {}, h("strong", {}, `${count(all.length, "change is", "changes are")} tried and not in this plan:`)),
      h(
        "ul",
        {},
        [...changed.values()].map((one) =>
          h("li", {}, button(one.name, () => app.trySite(one.name)), one.moved ? " moved" : "", `, antenna ${height(one.heightM)} up`),
        ),
        [...added.values()].map((one) =>
          h("li", {}, button(one.name.trim() || "a place without a name", () => app.tryAdd(one.id)), `, new ${one.role}`, faultOf(one) ? h("strong", {}, `: ${faultOf(one)}`) : ""),
        ),
      ),
      box.content,
    );
  }

  return { start, changed, added, keyOf, endOf, text, takeOver, summary, faultOf, faultOfPlace, outsideM };
})();
