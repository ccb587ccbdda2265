/* Where many sensors stand too near each other to be told apart, one disc counts them; it opens on zoom. Gateways, relays, sensors
   without a route and whatever is chosen always keep their own marks. */
"use strict";
const makeGather = (app) => {
  const { h, count } = meshParts;
  const { data, map } = app;
  const MANY_SENSORS = 60,
    CELL_PX = 46,
    LEAST = 2,
    MOST_FANNED = 6;
  const sensors = data.devices.filter((one) => one.role === "sensor");
  const discs = L.layerGroup();

  function sign(group) {
    const order = [...data.verdicts].sort((p, q) => (p.limit ?? -1) - (q.limit ?? -1)),
      verdicts = new Set(group.map((one) => meshSeason.stateOf(app, one).verdict)),
      weakest = order.find((style) => verdicts.has(style.name));
    const icon = L.divIcon({
      className: "gathered-disc",
      html: h("span", { style: weakest ? `border-color:${weakest.colour}` : null }, group.length),
      iconSize: [30, 30],
    });
    const bounds = L.latLngBounds(group.map(app.placeOf)),
      words = `${count(group.length, "sensor", "sensors")}${weakest ? `, weakest link ${weakest.name}` : ""}: zoom in`;
    const disc = L.marker(bounds.getCenter(), { icon, keyboard: true, title: words, bubblingMouseEvents: false });
    const open = () => map.setView(bounds.getCenter(), Math.min(Math.max(map.getBoundsZoom(bounds.pad(0.2)), map.getZoom() + 1), map.getMaxZoom()));
    disc.on("click", () => {
      if (!app.picking) open();
    });
    disc.on("keydown", ({ originalEvent: event }) => {
      if (event.key !== "Enter" && event.key !== " ") return;
      event.preventDefault();
      open();
    });
    disc.on("add", () => {
      disc.getElement().setAttribute("role", "button");
      disc.getElement().setAttribute("aria-label", words);
    });
    disc.gathered = group.map((one) => one.name);
    return disc;
  }

  let last = "";
  function gather() {
    if (sensors.length < MANY_SENSORS) return;
    const zoom = map.getZoom(),
      cells = new Map(),
      kept = new Set(app.picked ? [app.picked.name, ...app.picked.along, ...app.picked.lost] : []);
    const state = `${zoom} ${app.season} ${app.radio} ${[...kept].join("|")}`;
    if (state === last) return;
    last = state;
    discs.clearLayers();
    for (const one of sensors) {
      const marker = app.markers.get(one.name);
      if (!marker._map) continue;
      marker.getElement().classList.remove("gathered");
      if (kept.has(one.name) || !meshSeason.stateOf(app, one).served || !app.hasRadio(one)) continue;
      const at = map.project(marker.getLatLng(), zoom),
        key = `${Math.floor(at.x / CELL_PX)} ${Math.floor(at.y / CELL_PX)}`;
      if (!cells.has(key)) cells.set(key, []);
      cells.get(key).push(one);
    }
    if (zoom >= map.getMaxZoom()) return;
    for (const group of cells.values()) {
      /* A few at one very place fan out by themselves; no zoom could part them. */
      const first = app.placeOf(group[0]),
        fanned = group.length <= MOST_FANNED && group.every((one) => map.distance(app.placeOf(one), first) < 0.5);
      if (group.length < LEAST || fanned) continue;
      for (const one of group) app.markers.get(one.name).getElement().classList.add("gathered");
      discs.addLayer(sign(group));
    }
  }

  function again() {
    last = "";
    gather();
  }

  function start() {
    discs.addTo(map);
    map.getContainer().classList.toggle("many", sensors.length >= MANY_SENSORS);
    map.on("zoomend", gather);
    gather();
  }

  return { start, gather, again, discs };
};
