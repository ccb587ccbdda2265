/* The sheet: the plan drawn by the offline map's own layers, in ink and in pencil; places that can be taken hold of. */
"use strict";
const makeSheet = (desk) => {
  const { h, signOf, spareSign } = meshParts;
  const byId = (id) => document.getElementById(id);
  const REST_MS = 600;
  const snap = desk.snap,
    live = makeLive();
  let map = null,
    app = null,
    layers = null,
    section = null,
    waiting = null,
    inHand = false,
    isFirst = true;

  /* A device of the plan may be one of several roles or heights of a place: "House (relay)", "House at 8 m". */
  function isOf(own, name) {
    const device = app.devices.get(own),
      site = (device && device.site) || own;
    return site === name || ["sensor", "gateway", "relay"].some((role) => site === `${name} (${role})`);
  }
  const markersOf = (name) => (app ? [...app.markers].filter(([own]) => isOf(own, name)).map(([, marker]) => marker) : []);
  const siteOf = (own) => (app && app.devices.get(own) && app.devices.get(own).site) || own;

  /* What the map's own modules work on; what they would show in the ledger stands on the card. */
  function makeApp(data) {
    const made = {
      data,
      map,
      season: "",
      radio: "",
      picked: null,
      engine: data.engine || null,
      engines: new Map((data.engine ? [data.engine, ...(data.more_engines || [])] : []).map((one) => [one.radio, one])),
      land: null,
      profiles: null,
      pencilled: new Set(),
      verdicts: new Map(data.verdicts.map((style) => [style.name, style])),
      devices: new Map(data.devices.map((one) => [one.name, one])),
      links: new Map(data.links.map((one) => [one.key, one])),
      drawn: new Map(),
      markers: new Map(),
      layers: {},
      sum: (rows) => rows.reduce((total, [row, value]) => total + (data.items[row][1] ? -value : value), 0),
      say: desk.say,
      carries: (device, radio) => device.radio.split("+").includes(radio),
      hasRadio: () => true,
      ofRadio: (links) => links,
      radioTitle: (key) => (data.radios.find((one) => one.key === key) || { title: key }).title,
      canTry: () => Boolean(made.land),
      leaveTrial: () => {},
      trySite: () => {},
      tryTwo: () => {},
      view: () => {},
      placeOf: (device) => [device.lat_deg, device.lon_deg],
      pick,
      tell: (content, words) => {
        const command = h("code", {}, `meshplan profile ${desk.folder()} A B`);
        desk.card().showView([content, command], "Section");
        if (words) desk.say(words);
      },
      placeNames: () => layers && layers.placeNames(),
      showSection: (cut) => section.showSection(cut),
      showOverview: () => {
        app.leaveTrial();
        pick(null);
        section.showSection(null);
        desk.card().again();
        layDown();
      },
      showSite: (own) => desk.choose(siteOf(own)),
      showLink: (key) => {
        const link = app.links.get(key);
        pick({ name: "", links: [key], along: [link.a, link.b], lost: [] });
        section.showSection(meshViews.linkCut(app, link));
        desk.card().showView(meshViews.linkView(app, key), "Link");
        desk.say(link.sentence);
      },
    };
    return made;
  }

  function pick(picked) {
    app.picked = picked;
    const along = new Set(picked ? picked.along : []);
    map.getContainer().classList.toggle("dimmed", Boolean(picked));
    for (const [name, marker] of app.markers) {
      const element = marker.getElement();
      if (element) element.classList.toggle("along", along.has(name));
    }
    layers.styleLinks();
    pencilLines();
  }

  function freshMap() {
    const view = map && [map.getCenter(), map.getZoom()];
    if (app) app.leaveTrial();
    if (map) map.remove();
    for (const old of document.querySelectorAll("#lens, #north, #credits")) old.remove();
    map = L.map("land", {
      zoomControl: false,
      zoomSnap: 0.25,
      zoomDelta: 0.5,
      maxZoom: 21,
      attributionControl: false,
      zoomAnimation: !desk.still(),
      fadeAnimation: !desk.still(),
    });
    map.on("click", (event) => {
      if (app && app.picking) return;
      if (desk.pinned(event.latlng)) return;
      if (desk.draft().drawing()) desk.draft().corner(event.latlng);
      else desk.signs().set(event.latlng);
    });
    return view;
  }

  const busy = () => inHand || desk.pencil().held() || desk.draft().drawing() || desk.pinning() || Boolean(app && app.picking);

  /* What is being drawn or held is not torn away by a plan that comes in: it is laid down afterwards. */
  async function draw(data) {
    byId("blank-note").hidden = true;
    if (busy()) {
      waiting = data;
      return;
    }
    waiting = null;
    const held = document.activeElement && document.activeElement.dataset.site,
      heldPeg = document.activeElement && document.activeElement.dataset.peg;
    const canUnpack = meshLand.canUnpack();
    const [contours, profiles, land] = canUnpack
      ? await Promise.all([
          meshLand.openContours(data.contours),
          meshLand.openProfiles(data.profiles),
          data.engine ? meshLand.openLand(data.terrain, data.engine) : null,
        ])
      : [[], null, null];
    const view = freshMap();
    map.setView(view ? view[0] : L.latLngBounds(data.map.bounds).getCenter(), view ? view[1] : 15);
    app = makeApp(data);
    Object.assign(app, { profiles, land });
    ready();
    const shown = desk.inked(data, (a, b) => live.chanceOf(app, a, b));
    app.data = shown.data;
    app.devices = new Map(shown.data.devices.map((one) => [one.name, one]));
    app.links = new Map(shown.data.links.map((one) => [one.key, one]));
    layers = makeLayers(app);
    section = makeSection(app);
    layers.addPanes();
    L.imageOverlay(data.map.uri, data.map.bounds, { className: "picture relief", alt: "" }).addTo(map);
    desk.pictures(map);
    layers.addContours(contours);
    layers.addCover();
    layers.addWires();
    layers.addLinks();
    layers.addSites();
    inPencil(shown);
    spares();
    layers.addLens();
    snap.onMap(map);
    desk.draft().onMap(map);
    desk.pencil().onMap(map);
    places();
    map.getContainer().classList.toggle("many", data.devices.length > 120);
    map.invalidateSize({ pan: false });
    if (isFirst) layers.showAll(false);
    isFirst = false;
    layers.placeNames();
    if (held) markersOf(held).forEach((marker) => marker.getElement() && marker.getElement().focus());
    if (heldPeg) desk.pencil().focusPeg(heldPeg);
    document.documentElement.dataset.drawn = String(Number(document.documentElement.dataset.drawn || 0) + 1);
  }

  /* The map's own way to look at two places: its button and its section, with a handle that knows only this sheet. */
  function ready() {
    const button = byId("open-trial"),
      fresh = button.cloneNode(true);
    button.replaceWith(fresh);
    meshChanges.start(app);
    meshTrial.start(app);
  }

  function layDown() {
    if (waiting && !busy()) draw(waiting);
  }

  /* Before the first plan: blank paper with the places in pencil. */
  function blank() {
    const spots = desk
      .things()
      .filter((thing) => thing.place)
      .map((thing) => [thing.place.lat_deg, thing.place.lon_deg]);
    for (const shape of desk.shapes())
      for (const ring of snap.ringsOf(shape.geometry)) for (const [lng, lat] of ring) spots.push([lat, lng]);
    const start = desk.startPlace();
    freshMap();
    if (spots.length) map.fitBounds(L.latLngBounds(spots).pad(0.2), { animate: false, maxZoom: 18 });
    else if (start) map.setView([start.lat_deg, start.lon_deg], 16);
    else map.setView([0, 0], 2);
    const bounds = map.getBounds(),
      corners = [
        [bounds.getSouth(), bounds.getWest()],
        [bounds.getNorth(), bounds.getEast()],
      ];
    makeLayers({ map, data: { links: [], devices: [], unserved: [], map: { bounds: corners } }, placeOf: () => [0, 0] }).addLens();
    snap.onMap(map);
    desk.draft().onMap(map);
    desk.pencil().onMap(map);
    places();
  }

  /* Ground that is there before any plan can be: its picture under blank paper. */
  let ground = null;
  function showGround(told) {
    if (app || !map) return;
    const had = ground;
    const first = !had;
    ground = L.imageOverlay(told.uri, told.bounds, { className: "picture relief", alt: "" }).addTo(map);
    ground.bringToBack();
    if (had) had.remove();
    byId("blank-note").hidden = true;
    if (first && !desk.things().length) map.fitBounds(told.bounds, { animate: false });
  }

  /* Dotted: what the planner found since the plan was inked. */
  let dotted = null,
    pencilled = { lines: [], places: [] };
  function inPencil(shown) {
    pencilled = shown;
    app.pencilled = new Set(shown.lines.map((one) => one.key));
    for (const name of shown.places) {
      const marker = app.markers.get(name);
      if (!marker) continue;
      marker.addTo(app.layers.sites);
      const element = marker.getElement();
      if (element) {
        element.classList.add("pencilled");
        element.setAttribute("aria-label", `${name}, found by the planner, in pencil`);
      }
    }
    pencilLines();
  }
  function pencilLines() {
    if (dotted) dotted.remove();
    dotted = L.layerGroup().addTo(map);
    /* Inked links that the newest plan does not list are answered by the page's engine. */
    for (const one of pencilled.kept || []) {
      const [a, b] = [app.devices.get(one.a), app.devices.get(one.b)],
        ends = [app.placeOf(a), app.placeOf(b)],
        style = app.verdicts.get(limitsOf(app).find((limit) => one.chance >= limit.limit).name);
      L.polyline(ends, { pane: "links", interactive: false, color: "#fff", weight: 8, opacity: 0.95 }).addTo(dotted);
      L.polyline(ends, {
        pane: "links",
        interactive: false,
        color: style.colour,
        dashArray: style.dash || null,
        weight: 4.5,
        lineCap: "butt",
      }).addTo(dotted);
    }
    pencilled.lines.forEach((one, i) => {
      const [a, b] = [app.devices.get(one.a), app.devices.get(one.b)];
      if (!a || !b) return;
      const ends = [app.placeOf(a), app.placeOf(b)];
      L.polyline(ends, { pane: "links", interactive: false, color: "#fffdf6", weight: 6, opacity: 0.9 }).addTo(dotted);
      const line = L.polyline(ends, {
        pane: "links",
        color: "#23211c",
        weight: 3,
        dashArray: "1 7",
        lineCap: "round",
        className: "pencil-line",
      }).addTo(dotted);
      line.on("click", (event) => {
        L.DomEvent.stop(event);
        if (app.links.has(one.key)) app.showLink(one.key);
      });
      if (!i) line.bindTooltip(h("span", {}, "in pencil"), { permanent: true, direction: "center", className: "pencil-word" });
    });
  }

  /* Places that the plan does not need are shown once each, whatever heights they offer; those the planner found look different. */
  function spares() {
    const seen = new Set(app.data.devices.filter((one) => one.in_plan || one.role === "sensor").map((one) => one.site || one.name));
    for (const name of pencilled.places) seen.add(siteOf(name));
    const found = new Set(
      [...app.engines.values()].flatMap((engine) => engine.ends.filter((end) => end.is_found).map((end) => end.name)),
    );
    const own = new Set(desk.things().map((thing) => thing.values.name));
    for (const [name, marker] of app.markers) {
      const device = app.devices.get(name);
      if (device.role === "sensor") continue;
      const site = device.site || name,
        byPlanner = found.has(name) || !own.has(site.replace(/ \((sensor|gateway|relay)\)$/, ""));
      const tag = () => marker.getElement() && marker.getElement().classList.toggle("found", byPlanner);
      marker.on("add", tag);
      tag();
      if (device.in_plan || pencilled.places.includes(name)) continue;
      if (seen.has(site)) app.layers.spares.removeLayer(marker);
      seen.add(site);
    }
    app.layers.spares.addTo(map);
  }

  /* Places of the folder can be taken hold of; those that no plan knows yet stand in pencil. */
  let fresh = null;
  function places() {
    if (!map) return;
    if (fresh) fresh.remove();
    fresh = L.layerGroup().addTo(map);
    for (const thing of desk.things()) {
      if (!thing.place) continue;
      const at = [thing.place.lat_deg, thing.place.lon_deg],
        own = markersOf(thing.values.name);
      if (!own.length) {
        const icon = L.divIcon({
          className: "mark pencil",
          html: h(
            "div",
            {},
            thing.role === "sensor" ? signOf({ mark: "ring", colour: "#4a453b" }, 20) : spareSign(thing.role || "relay", 20),
            h("span", { class: "name e" }, thing.values.name),
          ),
          iconSize: [20, 20],
        });
        const marker = L.marker(at, { icon, draggable: true, keyboard: true }).addTo(fresh);
        marker.getElement().dataset.site = thing.values.name;
        marker.getElement().setAttribute("role", "button");
        marker.getElement().setAttribute("aria-label", `${thing.values.name}, ${thing.role || "place"}, not in the plan yet`);
        marker.on("click", () => desk.choose(thing.values.name));
        own.push(marker);
      }
      for (const marker of own) {
        marker.setLatLng(at);
        if (thing.row && !marker.held) hold(marker, thing.values.name);
      }
      follow(thing.values.name, at);
    }
    mark(desk.chosen());
  }

  function follow(name, at) {
    if (!app) return;
    for (const marker of markersOf(name)) marker.setLatLng(at);
    for (const link of app.data.links) {
      const mine = (end) => isOf(end, name);
      if (!mine(link.a) && !mine(link.b)) continue;
      for (const line of Object.values(app.drawn.get(link.key)).filter(Boolean)) {
        const ends = line.getLatLngs();
        line.setLatLngs([mine(link.a) ? at : ends[0], mine(link.b) ? at : ends[1]]);
      }
    }
  }

  /* Where a place is held, its links follow at once and answer at the next frame. */
  let frame = 0;
  function heldAt(name, from, at) {
    follow(name, at);
    const stood = `${name}: ${map.distance(from, at).toFixed(1)} m from where it stood`;
    hint(stood);
    cancelAnimationFrame(frame);
    if (!app || !app.land) return;
    frame = requestAnimationFrame(() => {
      const said = live.show(app, live.heldAt(app, isOf, name, L.latLng(at)));
      hint(said ? `${stood} · ${said}` : stood);
    });
  }

  function hold(marker, name) {
    marker.held = true;
    if (marker.dragging) marker.dragging.enable();
    let from = null,
      resting = 0;
    const told = (at) => {
      const metres = map.distance(from, at);
      from = null;
      inHand = false;
      cancelAnimationFrame(frame);
      if (metres > 0.05) desk.moved(name, at, metres);
      else layDown();
    };
    marker.on("dragstart", () => {
      from = marker.getLatLng();
      inHand = true;
      document.body.classList.add("in-hand");
      desk.choose(name, { focus: false });
    });
    marker.on("drag", () => heldAt(name, from, marker.getLatLng()));
    marker.on("dragend", () => {
      document.body.classList.remove("in-hand");
      hint("");
      told(marker.getLatLng());
    });
    marker.on("keydown", ({ originalEvent: event }) => {
      if (event.key === "Delete") {
        event.preventDefault();
        const thing = desk.find(name);
        if (thing && thing.row) desk.dropped(thing);
        return;
      }
      const at = marker.getLatLng(),
        to = snap.stepped(at, event);
      if (!to) return;
      event.preventDefault();
      event.stopPropagation();
      from = from || at;
      inHand = true;
      heldAt(name, from, to);
      if (!app) marker.setLatLng(to);
      clearTimeout(resting);
      resting = setTimeout(() => {
        hint("");
        told(marker.getLatLng());
      }, REST_MS);
    });
  }

  function mark(name) {
    if (!app) return;
    for (const [own, marker] of app.markers) {
      const element = marker.getElement();
      if (element) element.classList.toggle("chosen", Boolean(name) && isOf(own, name));
    }
  }

  const limitsOf = ({ data }) =>
    data.verdicts.filter((one) => one.limit !== null && one.name !== "not sure").sort((p, q) => q.limit - p.limit);

  /* The links that a change touched, at once: their new chances on the lines that are drawn. */
  function touched(links) {
    if (!app || inHand) return;
    const limits = limitsOf(app);
    const heights = new Map(app.data.devices.map((one) => [`${siteOf(one.name)} ${one.antenna_agl_m}`, one.name]));
    const named = (site, height) => heights.get(`${site} ${height}`) || site;
    for (const one of links) {
      const [a, b] = [named(one.a, one.a_m), named(one.b, one.b_m)],
        link = app.links.get(`${a} ~ ${b}`) || app.links.get(`${b} ~ ${a}`);
      if (!link || one.chance === null) continue;
      link.chance = one.chance;
      link.verdict = (limits.find((style) => one.chance >= style.limit) || { name: "failing" }).name;
      for (const season of link.seasons) if (season.season === link.worst_season) season.verdict = link.verdict;
    }
    layers.styleLinks();
  }

  function light(names) {
    for (const [own, marker] of app ? app.markers : []) {
      const element = marker.getElement();
      if (element)
        element.classList.toggle(
          "along",
          names.some((name) => isOf(own, name)),
        );
    }
  }

  function hint(words) {
    byId("hint").textContent = words;
    byId("hint").hidden = !words;
  }

  window.addEventListener("resize", () => {
    if (map) map.invalidateSize({ pan: false });
    if (section) section.redraw();
  });

  return {
    draw,
    blank,
    showGround,
    places,
    mark,
    hint,
    layDown,
    touched,
    light,
    busy,
    app: () => app,
    map: () => map,
    deviceOf: (name) =>
      app ? [...app.devices.values()].find((one) => isOf(one.name, name) && (one.in_plan || one.role === "sensor")) : null,
    pick: (picked) => app && pick(picked),
    closeSection: () => app && app.showOverview(),
  };
};
