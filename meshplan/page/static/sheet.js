/* The sheet: the plan drawn by the offline map's own layers, places that can be moved, signs set on the land. */
"use strict";
const makeSheet = (desk) => {
  const { h, signOf, spareSign } = meshParts;
  const byId = (id) => document.getElementById(id);
  const METRES_PER_DEGREE = 111320,
    STEP_M = 1,
    LONG_STEP_M = 10,
    REST_MS = 600;
  let map = null,
    app = null,
    layers = null,
    taken = "",
    isFirst = true;

  /* A device of the plan may be one of several roles or heights of a place: "House (relay)", "House at 8 m". */
  function isOf(own, name) {
    const device = app.devices.get(own),
      site = (device && device.site) || own;
    return site === name || ["sensor", "gateway", "relay"].some((role) => site === `${name} (${role})`);
  }
  const markersOf = (name) => (app ? [...app.markers].filter(([own]) => isOf(own, name)).map(([, marker]) => marker) : []);

  function makeApp(data) {
    return {
      data,
      map,
      season: "",
      radio: "",
      picked: null,
      verdicts: new Map(data.verdicts.map((style) => [style.name, style])),
      devices: new Map(data.devices.map((one) => [one.name, one])),
      links: new Map(data.links.map((one) => [one.key, one])),
      drawn: new Map(),
      markers: new Map(),
      layers: {},
      say: desk.say,
      carries: () => true,
      hasRadio: () => true,
      ofRadio: (links) => links,
      placeOf: (device) => [device.lat_deg, device.lon_deg],
      showSite: (own) => desk.choose(app.devices.get(own).site || own),
      showLink: (key) => desk.say(app.links.get(key).sentence),
    };
  }

  function freshMap() {
    const view = map && [map.getCenter(), map.getZoom()];
    if (map) map.remove();
    for (const old of document.querySelectorAll("#lens, #north, #credits")) old.remove();
    map = L.map("land", { zoomControl: false, zoomSnap: 0.25, zoomDelta: 0.5, maxZoom: 21, attributionControl: false });
    map.on("click", (event) => {
      if (desk.pencil().drawing()) desk.pencil().corner(event.latlng);
      else setSign(event.latlng);
    });
    return view;
  }

  /* What is being drawn is not torn away by a plan that comes in: it is laid down afterwards. */
  let waiting = null;
  async function draw(data) {
    if (desk.pencil().drawing()) {
      waiting = data;
      return;
    }
    waiting = null;
    const held = document.activeElement && document.activeElement.dataset.site;
    const contours = meshLand.canUnpack() ? await meshLand.openContours(data.contours) : [];
    const view = freshMap();
    map.setView(view ? view[0] : L.latLngBounds(data.map.bounds).getCenter(), view ? view[1] : 15);
    app = makeApp(data);
    layers = makeLayers(app);
    layers.addPanes();
    L.imageOverlay(data.map.uri, data.map.bounds, { className: "picture relief", alt: "" }).addTo(map);
    layers.addContours(contours);
    layers.addCover();
    layers.addWires();
    layers.addLinks();
    layers.addSites();
    spares();
    layers.addLens();
    desk.pencil().onMap(map);
    places();
    if (isFirst) layers.showAll(false);
    isFirst = false;
    layers.placeNames();
    if (held) markersOf(held).forEach((marker) => marker.getElement() && marker.getElement().focus());
    document.documentElement.dataset.drawn = String(Number(document.documentElement.dataset.drawn || 0) + 1);
  }

  /* Before the first plan: blank paper with the places in pencil. */
  function blank() {
    const spots = desk
      .things()
      .filter((thing) => thing.place)
      .map((thing) => [thing.place.lat_deg, thing.place.lon_deg]);
    freshMap();
    if (spots.length) map.fitBounds(L.latLngBounds(spots).pad(0.2), { animate: false, maxZoom: 18 });
    else map.setView([0, 0], 2);
    desk.pencil().onMap(map);
    places();
  }

  /* Places that the plan does not need are shown once each, whatever heights they offer. */
  function spares() {
    const seen = new Set(app.data.devices.filter((one) => one.in_plan || one.role === "sensor").map((one) => one.site || one.name));
    for (const [name, marker] of app.markers) {
      const device = app.devices.get(name);
      if (device.in_plan || device.role === "sensor") continue;
      const site = device.site || name;
      if (seen.has(site)) app.layers.spares.removeLayer(marker);
      seen.add(site);
    }
    app.layers.spares.addTo(map);
  }

  /* Places of the folder can be taken hold of; those that no plan knows yet stand in pencil. */
  let pencil = null;
  function places() {
    if (!map) return;
    if (pencil) pencil.remove();
    pencil = L.layerGroup().addTo(map);
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
            thing.role === "sensor" ? signOf({ mark: "ring", colour: "#4a453b" }, 20) : spareSign(thing.role, 20),
            h("span", { class: "name e" }, thing.values.name),
          ),
          iconSize: [20, 20],
        });
        const marker = L.marker(at, { icon, draggable: true, keyboard: true }).addTo(pencil);
        marker.getElement().dataset.site = thing.values.name;
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

  function hold(marker, name) {
    marker.held = true;
    if (marker.dragging) marker.dragging.enable();
    let from = null,
      resting = 0;
    const told = (at) => {
      const metres = map.distance(from, at);
      from = null;
      if (metres > 0.05) desk.moved(name, at, metres);
    };
    marker.on("dragstart", () => {
      from = marker.getLatLng();
      desk.choose(name, { focus: false });
    });
    marker.on("drag", () => {
      const at = marker.getLatLng();
      follow(name, at);
      hint(`${name}: ${map.distance(from, at).toFixed(1)} m from where it stood`);
    });
    marker.on("dragend", () => {
      hint("");
      told(marker.getLatLng());
    });
    const ways = { ArrowUp: [1, 0], ArrowDown: [-1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] };
    marker.on("keydown", ({ originalEvent: event }) => {
      const way = ways[event.key];
      if (!way) return;
      event.preventDefault();
      event.stopPropagation();
      const at = marker.getLatLng(),
        metres = event.shiftKey ? LONG_STEP_M : STEP_M;
      from = from || at;
      const to = L.latLng(
        at.lat + (way[0] * metres) / METRES_PER_DEGREE,
        at.lng + (way[1] * metres) / (METRES_PER_DEGREE * Math.cos((at.lat * Math.PI) / 180)),
      );
      follow(name, to);
      hint(`${name}: ${map.distance(from, to).toFixed(1)} m from where it stood · Shift: 10 m`);
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

  function hint(words) {
    byId("hint").textContent = words;
    byId("hint").hidden = !words;
  }

  /* A sign taken from the key is set where the sheet is clicked, or in its middle by Enter. */
  function take(role, kind) {
    desk.pencil().drop();
    taken = taken === role ? "" : role;
    if (taken && kind) desk.pencil().begin(kind);
    else hint(taken ? `Click where the ${taken} stands · Enter: the middle of the sheet · Escape lays the sign back` : "");
    if (!taken && waiting) draw(waiting);
    for (const sign of document.querySelectorAll("#sign-row button"))
      sign.setAttribute("aria-pressed", String(sign.dataset.role === taken));
    byId("land").classList.toggle("setting", Boolean(taken));
  }
  function setSign(at) {
    if (!taken) return;
    const role = taken;
    take(role);
    desk.added(role, at);
  }
  document.addEventListener("keydown", (event) => {
    if (!taken || desk.pencil().drawing()) return;
    if (event.key === "Escape") take(taken);
    if (event.key === "Enter" && map && event.target.closest("#sign-row, #sheet")) {
      event.preventDefault();
      setSign(map.getCenter());
    }
  });

  return { draw, blank, places, mark, take, hint, taken: () => taken };
};
