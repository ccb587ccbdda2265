/* The page itself: builds the map from the plan's data, keeps what is chosen, and joins map, margin and section. */
"use strict";
const meshPage = (() => {
  const { h, svg, plain, metres, count, amount, chance, known, seasonWords, kindWords, mark, lineSample, signOf, roleSign, spareSign } = meshParts;
  const data = JSON.parse(document.getElementById("plan-data").textContent);
  const map = window[data.map.name];
  const byId = (id) => document.getElementById(id);
  const MANY_LINKS = 500, VERY_MANY_LINKS = 1000;

  const app = {
    data, map, season: "", profiles: null, land: null, picked: null,
    verdicts: new Map(data.verdicts.map((style) => [style.name, style])), devices: new Map(data.devices.map((one) => [one.name, one])), links: new Map(data.links.map((one) => [one.key, one])),
    drawn: new Map(), markers: new Map(), layers: {},
    sum: (rows) => rows.reduce((total, [row, value]) => total + (data.items[row][1] ? -value : value), 0),
    say: (words) => { byId("live").textContent = words; },
    canTry: () => Boolean(app.land), leaveTrial: () => {}, trySite: () => {}, showSection: null,
    placeOf: (device) => [device.lat_deg, device.lon_deg],
  };

  /* ---- the map ---- */
  function addPanes() {
    for (const [name, level] of [["cover", 420], ["contours", 430], ["candidates", 440], ["links", 450], ["measured", 580]]) map.createPane(name).style.zIndex = level;
    for (const name of ["cover", "contours"]) map.getPane(name).style.pointerEvents = "none";
  }

  function addCover() {
    const groups = { cover: L.layerGroup(), boundary: L.layerGroup() };
    for (const shape of data.shapes) {
      const border = shape.kind.includes("boundary"), rings = shape.rings.map((ring) => ring.map(([lng, lat]) => [lat, lng]));
      const look = border ? { color: "#23211c", weight: 2, dashArray: "10 3 2 3", fill: false } : { color: shape.colour, weight: 1, opacity: 0.9, fillColor: shape.colour, fillOpacity: shape.kind.includes("building") ? 0.9 : 0.5 };
      L.polygon(rings, { ...look, pane: "cover", interactive: false }).addTo(groups[border ? "boundary" : "cover"]);
    }
    app.layers.cover = groups.cover.addTo(map);
    app.layers.boundary = groups.boundary.addTo(map);
  }

  function addContours(lines) {
    const group = L.layerGroup(), canvas = L.canvas({ pane: "contours" });
    for (const line of lines) {
      L.polyline(line.places, { renderer: canvas, interactive: false, color: "#84704a", weight: line.heavy ? 1.3 : 0.6, opacity: line.heavy ? 0.8 : 0.65, smoothFactor: 0.5 }).addTo(group);
      if (line.heavy && line.places.length > 40) {
        L.marker(line.places[line.places.length >> 1], { interactive: false, keyboard: false, pane: "contours", icon: L.divIcon({ className: "contour-height", html: h("span", {}, plain(line.heightM)), iconSize: [0, 0] }) }).addTo(group);
      }
    }
    app.layers.contours = group.addTo(map);
  }

  function addLinks() {
    const many = data.links.length, renderer = many > VERY_MANY_LINKS ? L.canvas({ pane: "links", tolerance: 8 }) : null;
    app.layers.links = L.layerGroup().addTo(map);
    app.layers.candidates = L.layerGroup();
    for (const link of data.links.slice().reverse()) {
      const ends = [app.placeOf(app.devices.get(link.a)), app.placeOf(app.devices.get(link.b))];
      const pane = link.chosen ? "links" : "candidates", group = app.layers[link.chosen ? "links" : "candidates"], base = { pane, ...(renderer && link.chosen ? { renderer } : {}) };
      const lines = { casing: null, line: L.polyline(ends, { ...base, interactive: many > MANY_LINKS, lineCap: "butt" }), touch: null };
      if (many <= MANY_LINKS) {
        lines.casing = L.polyline(ends, { ...base, interactive: false, color: "#fff", opacity: 0.95 });
        lines.touch = L.polyline(ends, { ...base, color: "#000", opacity: 0, weight: 20 });
      }
      for (const layer of [lines.casing, lines.line, lines.touch]) {
        if (!layer) continue;
        layer.addTo(group);
        if (layer.options.interactive) layer.on("click", (event) => { L.DomEvent.stop(event); if (!app.picking) app.showLink(link.key); });
      }
      app.drawn.set(link.key, lines);
    }
    styleLinks();
  }

  /* Colour, dash and weight of every link: by season, by what is chosen. */
  function styleLinks() {
    const lit = new Set(app.picked ? app.picked.links : []);
    for (const link of data.links) {
      const { casing, line } = app.drawn.get(link.key), style = app.verdicts.get(meshViews.seen(app, link).verdict);
      const on = lit.has(link.key), weight = link.chosen ? (on ? 7 : 4.5) : (on ? 4.5 : 2);
      line.setStyle({ color: style.colour, dashArray: style.dash || null, weight, opacity: lit.size && !on ? 0.35 : 1 });
      if (casing) casing.setStyle({ weight: on ? weight + 7 : weight + 3.5, color: on ? "#ffd84d" : "#fff", opacity: lit.size && !on ? 0.4 : 0.95 });
      if (on && line._map) { if (casing) casing.bringToFront(); line.bringToFront(); if (app.drawn.get(link.key).touch) app.drawn.get(link.key).touch.bringToFront(); }
    }
  }

  function iconOf(device, dark) {
    const loud = device.role === "sensor" && !device.served, size = loud ? 30 : device.role === "sensor" ? 24 : device.in_plan ? 28 : 20;
    const css = ["mark", loud ? "unserved" : device.role, device.in_plan || device.role === "sensor" ? "" : "spare", dark ? "dark" : ""].join(" ");
    const box = h("div", {}, mark(device, app.verdicts, { size, dark }), h("span", { class: "name e" }, loud ? `${device.name}: no route` : device.name));
    return L.divIcon({ className: css, html: box, iconSize: [size, size] });
  }

  function addSites() {
    app.layers.sites = L.layerGroup().addTo(map);
    app.layers.spares = L.layerGroup();
    const rank = (device) => device.role !== "sensor" ? (device.in_plan ? 1 : 3) : device.served ? 2 : 0;
    for (const device of data.devices.slice().sort((a, b) => rank(a) - rank(b))) {
      const marker = L.marker(app.placeOf(device), { icon: iconOf(device, false), keyboard: true, riseOnHover: true, zIndexOffset: (3 - rank(device)) * 300, bubblingMouseEvents: false });
      const nameIt = () => {
        const element = marker.getElement(), what = meshViews.ROLE_WORDS[device.role].toLowerCase();
        element.setAttribute("role", "button");
        element.setAttribute("aria-label", `${device.name}, ${what}${device.role === "sensor" && !device.served ? ", no route" : ""}`);
        element.dataset.site = device.name;
      };
      marker.on("add", nameIt).on("click", () => { if (!app.picking) app.showSite(device.name); });
      marker.on("keypress", (event) => { if (event.originalEvent.key === "Enter") app.showSite(device.name); });
      marker.addTo(app.layers[rank(device) === 3 ? "spares" : "sites"]);
      app.markers.set(device.name, marker);
    }
    map.on("zoomend moveend resize layeradd", placeNames);
  }

  /* Site names go where they cover nothing; the loudest sites choose first, the others may stay without. */
  let placing = 0;
  function placeNames() {
    cancelAnimationFrame(placing);
    placing = requestAnimationFrame(() => {
      const taken = [], overlaps = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
      const shown = [...app.markers.values()].filter((marker) => marker._map).map((marker) => ({ element: marker.getElement(), at: map.latLngToContainerPoint(marker.getLatLng()) }));
      const edge = map.getSize();
      for (const one of shown) { const half = one.element.offsetWidth / 2 - 2; one.box = { left: one.at.x - half, right: one.at.x + half, top: one.at.y - half, bottom: one.at.y + half }; taken.push(one.box); }
      for (const one of shown) {
        const name = one.element.querySelector(".name");
        if (!name) continue;
        name.className = "name e";
        const wide = name.offsetWidth, high = name.offsetHeight, half = one.element.offsetWidth / 2, { x, y } = one.at;
        const tries = { e: [x + half, y - high / 2], w: [x - half - wide, y - high / 2], n: [x - wide / 2, y - half - high], s: [x - wide / 2, y + half] };
        const fits = Object.entries(tries).find(([, [left, top]]) => {
          const box = { left, top, right: left + wide, bottom: top + high };
          if (left < 0 || top < 0 || box.right > edge.x || box.bottom > edge.y) return false;
          return !taken.some((other) => other !== one.box && overlaps(box, other)) && taken.push(box);
        });
        name.className = `name ${fits ? fits[0] : "none"}`;
      }
    });
  }

  /* A background from the network: never asked for before the reader switches it on. */
  function addTiles() {
    const tiles = data.map.tiles;
    if (!tiles) return;
    const note = h("p", { id: "attribution", hidden: true }, tiles.attribution);
    byId("sheet").append(note);
    app.layers.tiles = L.tileLayer(tiles.url, { maxZoom: 21, maxNativeZoom: tiles.max_zoom, referrerPolicy: "origin-when-cross-origin" });
    app.layers.tiles.on("add", () => { note.hidden = false; window[data.map.relief].setOpacity(0.35); }).on("remove", () => { note.hidden = true; window[data.map.relief].setOpacity(1); });
  }

  function addMeasured() {
    app.layers.measured = L.layerGroup();
    for (const point of data.measured) {
      const words = `${point.name}: measured ${plain(point.measured_dbm)} dBm, expected ${plain(point.expected_dbm)} dBm. ${point.note}`;
      const spot = L.circleMarker([point.lat_deg, point.lon_deg], { pane: "measured", radius: 6, color: "#23211c", weight: 2, fillColor: "#fff", fillOpacity: 1, bubblingMouseEvents: false });
      spot.bindTooltip(h("span", {}, words)).on("click", () => app.say(words)).addTo(app.layers.measured);
    }
  }

  function addLens() {
    const wayIn = (words, sign, act) => h("button", { type: "button", "aria-label": words, title: words, onclick: act }, sign);
    const whole = svg("svg", { width: 18, height: 18, viewBox: "0 0 18 18", "aria-hidden": "true" }, svg("path", { d: "M2 6V2h4M12 2h4v4M16 12v4h-4M6 16H2v-4", fill: "none", stroke: "currentColor", "stroke-width": 2 }));
    byId("sheet").append(h("div", { id: "lens", class: "no-print", role: "group", "aria-label": "Nearer and farther" }, wayIn("Nearer", "+", () => map.zoomIn(0.75)), wayIn("Farther", "−", () => map.zoomOut(0.75)), wayIn("Whole property", whole, () => showAll())),
      svg("svg", { id: "north", width: 26, height: 46, viewBox: "0 0 26 46", role: "img", "aria-label": "North is up" }, svg("path", { d: "M13 2L20 30L13 25L6 30z", fill: "#23211c", stroke: "#f6f1e6" }), svg("text", { x: 13, y: 44, "text-anchor": "middle", "font-size": 14, "font-weight": 700, stroke: "#f6f1e6", "stroke-width": 3, "paint-order": "stroke" }, "N")));
    L.control.scale({ imperial: false, maxWidth: 140, position: "bottomleft" }).addTo(map);
  }

  function showAll(animate = true) {
    const places = data.devices.filter((one) => one.in_plan || one.role === "sensor").map(app.placeOf);
    const bounds = places.length > 1 ? L.latLngBounds(places).pad(0.06) : L.latLngBounds(data.map.bounds);
    map.fitBounds(bounds, { animate, padding: [34, 34] });
  }

  /* ---- key to the map: every sign, its meaning, and whether it is drawn ---- */
  function fillLegend() {
    const toggle = (key, sample, words, on = true) => {
      const box = h("input", { type: "checkbox", "data-layer": key });
      box.checked = on;
      box.addEventListener("change", () => { const layer = app.layers[key]; if (box.checked) layer.addTo(map); else map.removeLayer(layer); app.say(`${words}: ${box.checked ? "shown" : "hidden"}.`); });
      return h("label", { class: "row" }, box, h("span", { class: "verdict" }, sample, words));
    };
    const row = (sample, words) => h("div", { class: "row" }, sample, h("span", {}, words));
    const swatch = (colour) => h("span", { class: "swatch", style: `background:${colour}` });
    const used = new Set(data.links.flatMap((link) => [link.verdict, ...link.seasons.map((one) => one.verdict)]));
    const limit = (style) => known(style.limit) && style.name !== "not sure" && style.name !== "failing" ? `, at least ${chance(style.limit)}` : "";
    const kinds = new Map(data.shapes.filter((shape) => !shape.kind.includes("boundary")).map((shape) => [kindWords(shape.kind), shape.colour]));
    app.layers.relief = window[data.map.relief];
    byId("legend-body").append(...[
      h("h2", {}, "Links: how likely they work"), data.verdicts.filter((style) => used.has(style.name)).map((style) => row(lineSample(style), [h("strong", {}, style.name), `: ${style.words}${limit(style)}`])),
      h("h2", {}, "Sites"), row(roleSign("gateway", 22), "gateway, has the way out to the internet"), row(roleSign("relay", 22), "relay, passes readings on"),
      data.verdicts.filter((style) => data.devices.some((one) => one.verdict === style.name)).map((style) => row(signOf(style), `sensor, weakest link ${style.name}`)), data.unserved.length ? row(roleSign("unserved", 22), h("strong", {}, "sensor without a route")) : null,
      h("h2", {}, "Drawn on the map"), toggle("links", null, "links of the plan"), data.links.some((link) => !link.chosen) ? toggle("candidates", null, "other links looked at", false) : null,
      data.devices.some((one) => one.role !== "sensor" && !one.in_plan) ? toggle("spares", spareSign("gateway", 18), "places the plan does not need", false) : null,
      data.shapes.length ? toggle("cover", null, "what stands on the land") : null, [...kinds].map(([name, colour]) => row(swatch(colour), name)),
      app.layers.contours ? toggle("contours", null, `contours, every ${plain(data.contours.step_m, data.contours.step_m < 1 ? 2 : 0)} m`) : null, data.shapes.some((shape) => shape.kind.includes("boundary")) ? toggle("boundary", null, "boundary") : null,
      data.measured.length ? toggle("measured", null, "measured points", false) : null,
      data.coverage.length ? h("h2", {}, "Reach of a future sensor") : null,
      data.coverage.map((layer, i) => { app.layers[`coverage-${i}`] = window[data.map.coverage[i]]; return toggle(`coverage-${i}`, null, layer.name, false); }),
      [...new Map(data.coverage.flatMap((layer) => layer.classes.map((one) => [one.name, one.colour])))].map(([name, colour]) => row(swatch(colour), name)),
      [...new Set(data.coverage.map((layer) => layer.note).filter(Boolean))].map((note) => h("p", { class: "small soft" }, note)),
      data.map.tiles ? [h("h2", {}, "From the network"), toggle("tiles", null, "online background map", false), h("p", { class: "small soft" }, "Only when you switch it on, pictures are fetched from another computer, which then learns where you look.")] : null,
      toggle("relief", null, "shaded land"),
    ].flat(Infinity).filter(Boolean));
    byId("legend").open = wide();
    byId("legend").addEventListener("toggle", () => map.invalidateSize({ pan: false }));
  }

  /* ---- the section strip ---- */
  let strip = null, reopen = false;
  const wide = () => window.matchMedia("(min-width: 861px)").matches;
  function showSection(cut) {
    const host = byId("section");
    strip = cut;
    host.hidden = !cut;
    if (cut && wide() && byId("legend").open) { byId("legend").open = false; reopen = true; }
    if (!cut && reopen) { byId("legend").open = true; reopen = false; }
    if (app.walker) app.walker.remove();
    if (cut) {
      const plot = h("div", { class: "plot" }), walk = h("input", { type: "range", id: "walk", min: 0, max: 200, value: 0 }), words = h("output", { for: "walk" }, cut.words);
      host.replaceChildren(h("div", { class: "section-head" }, h("h2", {}, cut.title), h("button", { type: "button", class: "no-print", onclick: () => { showSection(null); byId("ledger").focus(); } }, "Close section")), plot,
        h("div", { class: "walk" }, h("label", { for: "walk" }, "Walk along the line"), walk, words));
      const figure = () => meshChart.draw(plot, cut, data.cover_kinds);
      let chart = figure();
      const stepTo = (along) => {
        chart.showAt(along);
        words.textContent = chart.wordsAt(along);
        const share = along / cut.profile.distanceM, [a, b] = cut.ends, place = [a.lat_deg + (b.lat_deg - a.lat_deg) * share, a.lon_deg + (b.lon_deg - a.lon_deg) * share];
        if (!app.walker) app.walker = L.circleMarker(place, { pane: "measured", radius: 7, color: "#8c0f2b", weight: 3, fillColor: "#fff", fillOpacity: 1, interactive: false });
        app.walker.setLatLng(place).addTo(map);
      };
      walk.addEventListener("input", () => stepTo(walk.value / 200 * cut.profile.distanceM));
      plot.addEventListener("pointermove", (event) => { const along = chart.alongAt(event.clientX); walk.value = along / cut.profile.distanceM * 200; stepTo(along); });
      host.redraw = () => { chart = figure(); };
    }
    map.invalidateSize({ pan: false });
  }
  app.showSection = showSection;

  /* ---- what is chosen ---- */
  function pick(picked) {
    app.picked = picked;
    const dark = new Set(picked ? picked.dark : []), along = new Set(picked ? picked.along : []);
    map.getContainer().classList.toggle("dimmed", Boolean(picked));
    for (const [name, marker] of app.markers) {
      const device = app.devices.get(name), wasDark = marker.options.dark || false;
      if (wasDark !== dark.has(name)) { marker.options.dark = dark.has(name); marker.setIcon(iconOf(device, dark.has(name))); marker.fire("add"); }
      const element = marker.getElement();
      if (!element) continue;
      element.classList.toggle("chosen", Boolean(picked) && picked.name === name);
      element.classList.toggle("along", along.has(name) && picked.name !== name);
    }
    styleLinks();
    placeNames();
  }

  function tell(content, words, { focus = true } = {}) {
    const ledger = byId("ledger");
    ledger.replaceChildren(...[content].flat(Infinity).filter(Boolean));
    ledger.scrollTop = 0;
    app.say(words);
    const title = ledger.querySelector(".view-title");
    if (focus && title) title.focus({ preventScroll: wide() });
  }

  app.showOverview = (options) => {
    app.view = () => app.showOverview({ focus: false });
    app.leaveTrial();
    pick(null);
    showSection(null);
    tell(meshViews.overview(app), "The whole plan.", options);
    if (!options || options.focus !== false) byId("ledger").focus({ preventScroll: true });
  };
  app.showSite = (name, options) => {
    const device = app.devices.get(name), route = data.routes.find((one) => one.sensor === name), own = data.links.filter((link) => link.chosen && (link.a === name || link.b === name)).map((link) => link.key);
    const dark = device.role === "sensor" ? [] : data.goes_dark[name] || [];
    app.view = () => app.showSite(name, { focus: false });
    app.leaveTrial();
    if (!app.markers.get(name)._map) { app.layers.spares.addTo(map); const box = document.querySelector("[data-layer=spares]"); if (box) box.checked = true; }
    pick({ name, links: route ? [...route.links, ...route.second_links] : own, along: route ? [...route.devices, ...route.second_devices] : [], dark });
    showSection(null);
    tell(meshViews.siteView(app, name), `${name}: ${route ? `route by ${route.devices.slice(1).join(", ")}` : device.role !== "sensor" ? `if it fails, ${dark.length ? count(dark.length, "sensor goes", "sensors go") : "no sensor goes"} dark` : "no route"}.`, options);
    if (!map.getBounds().pad(-0.05).contains(app.placeOf(device))) map.panTo(app.placeOf(device));
  };
  app.showLink = (key, options) => {
    const link = app.links.get(key), now = meshViews.seen(app, link);
    app.view = () => app.showLink(key, { focus: false });
    app.leaveTrial();
    if (!link.chosen && !map.hasLayer(app.layers.candidates)) { app.layers.candidates.addTo(map); const box = document.querySelector("[data-layer=candidates]"); if (box) box.checked = true; }
    pick({ name: "", links: [key], along: [link.a, link.b], dark: [] });
    showSection(meshViews.linkCut(app, link));
    tell(meshViews.linkView(app, key), `Link ${link.a} to ${link.b}: ${now.verdict}, works in ${chance(now.chance)}.`, options);
    const bounds = L.latLngBounds([app.placeOf(app.devices.get(link.a)), app.placeOf(app.devices.get(link.b))]);
    if (!map.getBounds().contains(bounds)) map.fitBounds(bounds.pad(0.25), { maxZoom: map.getZoom() });
  };
  app.pick = pick;
  app.tell = tell;
  app.placeNames = placeNames;

  /* ---- tools ---- */
  function fillHead() {
    const served = data.devices.filter((one) => one.role === "sensor" && one.served).length, sensors = data.devices.filter((one) => one.role === "sensor").length;
    const used = (role) => data.devices.filter((one) => one.role === role && one.in_plan).length;
    byId("title").textContent = data.property_name;
    byId("state").append(h("strong", {}, `${served} of ${count(sensors, "sensor", "sensors")} served`), ` by ${count(used("gateway"), "gateway", "gateways")} and ${count(used("relay"), "relay", "relays")}, ${amount(data.proof.cost, data.currency)}.`);
    const choose = byId("season");
    choose.append(h("option", { value: "" }, "Worst season"), ...data.seasons.map((season) => h("option", { value: season.name }, seasonWords(season.name))));
    if (data.seasons.length < 2) choose.closest(".choice").hidden = true;
    choose.addEventListener("change", () => { app.season = choose.value; styleLinks(); app.view(); app.say(choose.value ? `Season shown: ${seasonWords(choose.value)}.` : "Each link in its worst season."); });
    byId("search-names").append(...data.devices.map((one) => h("option", { value: one.name })));
    byId("search").addEventListener("submit", (event) => { event.preventDefault(); find(byId("search-name").value); });
    byId("search-name").addEventListener("change", () => { if (app.devices.has(byId("search-name").value)) find(byId("search-name").value); });
    byId("print").addEventListener("click", () => window.print());
    byId("locate").addEventListener("click", locate);
    const dialog = byId("help");
    dialog.append(...meshViews.help(app, () => dialog.close()).filter(Boolean));
    byId("open-help").addEventListener("click", () => dialog.showModal());
  }

  function find(words) {
    const wanted = words.trim().toLocaleLowerCase();
    if (!wanted) return app.say("Write the name of a site, or a part of it.");
    const names = [...app.devices.keys()], hit = names.find((name) => name.toLocaleLowerCase() === wanted) || names.find((name) => name.toLocaleLowerCase().includes(wanted));
    if (!hit) return app.say(`No site is called “${words}”.`);
    app.showSite(hit);
    map.setView(app.placeOf(app.devices.get(hit)), Math.max(map.getZoom(), 16));
  }

  function locate() {
    const explain = (why) => app.say(`Your position is not available: ${why} Every site has a link that opens it in the map program of your phone.`);
    if (!window.isSecureContext || !navigator.geolocation) return explain("this browser gives none to a page opened this way.");
    app.say("Asking for your position…");
    navigator.geolocation.getCurrentPosition(({ coords }) => {
      const place = [coords.latitude, coords.longitude];
      if (app.here) app.here.remove();
      app.here = L.layerGroup([L.circle(place, { radius: coords.accuracy, pane: "measured", color: "#23211c", weight: 1, fillOpacity: 0.1, interactive: false }), L.circleMarker(place, { pane: "measured", radius: 7, color: "#fff", weight: 3, fillColor: "#23211c", fillOpacity: 1, interactive: false })]).addTo(map);
      const inside = L.latLngBounds(data.map.bounds).contains(place);
      if (inside) map.panTo(place);
      const nearest = data.devices.map((one) => [map.distance(place, app.placeOf(one)), one.name]).sort((a, b) => a[0] - b[0])[0];
      app.say(`You are known within ${metres(coords.accuracy)}. ${inside ? "" : "You are off this sheet. "}The nearest site is ${nearest[1]}, ${metres(nearest[0])} away.`);
    }, (error) => explain(error.code === 1 ? "it was not allowed." : "the device did not find it."), { enableHighAccuracy: true, timeout: 15000 });
  }

  async function start() {
    addPanes();
    window[data.map.relief].addTo(map);
    for (const name of data.map.coverage) map.removeLayer(window[name]);
    map.setView(L.latLngBounds(data.map.bounds).getCenter(), 15);
    if (meshLand.canUnpack()) {
      const [profiles, contours, land] = await Promise.all([meshLand.openProfiles(data.profiles), meshLand.openContours(data.contours), data.engine ? meshLand.openLand(data.terrain) : null]);
      app.profiles = profiles;
      app.land = land;
      addContours(contours);
    }
    addCover();
    addLinks();
    addSites();
    addMeasured();
    addTiles();
    addLens();
    fillLegend();
    fillHead();
    meshTrial.start(app);
    app.showOverview({ focus: false });
    map.invalidateSize();
    showAll(false);
    app.say(meshLand.canUnpack() ? "" : "This browser is too old to unpack the land: contours, sections and trials are missing. All figures are here.");
    map.on("click", () => { if (!app.picking && app.picked) app.showOverview({ focus: false }); });
    window.addEventListener("resize", () => { if (strip) byId("section").redraw(); });
    window.addEventListener("beforeprint", () => { map.invalidateSize({ pan: false }); showAll(false); for (const one of document.querySelectorAll("details.more")) one.open = true; if (strip) byId("section").redraw(); });
    window.addEventListener("afterprint", () => { map.invalidateSize({ pan: false }); if (strip) byId("section").redraw(); });
    document.documentElement.dataset.ready = "yes";
  }
  start();
  return app;
})();
