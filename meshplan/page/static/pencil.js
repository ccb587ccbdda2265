/* Shapes on the sheet: drawn corner by corner, bent by their pegs, by mouse, finger and keys. */
"use strict";
const makePencil = (desk) => {
  const { h, plain, kindWords } = meshParts;
  const byId = (id) => document.getElementById(id);
  const METRES_PER_DEGREE = 111320,
    REST_MS = 600,
    MOST_PEGS = 200,
    CLOSE_PX = 14;
  let map = null,
    lines = null,
    pegs = null,
    draft = null;

  const toPlace = ([lon, lat]) => L.latLng(lat, lon),
    toPair = (at) => [at.lng, at.lat];
  const length = (places) => places.slice(1).reduce((sum, at, i) => sum + map.distance(places[i], at), 0);
  function area(places) {
    const wide = METRES_PER_DEGREE * Math.cos((places[0].lat * Math.PI) / 180);
    let twice = 0;
    places.forEach((at, i) => {
      const next = places[(i + 1) % places.length];
      twice += (at.lng - places[0].lng) * (next.lat - places[0].lat) - (next.lng - places[0].lng) * (at.lat - places[0].lat);
    });
    return (Math.abs(twice) / 2) * wide * METRES_PER_DEGREE;
  }
  const areaWords = (m2) => (m2 < 10000 ? `${plain(m2)} m²` : `${plain(m2 / 10000, 2)} ha`);

  /* Only one outline or one line can be bent; holes and several parts are drawn as they are and never lost. */
  function cornersOf(geometry) {
    if (geometry && geometry.type === "LineString") return geometry.coordinates.map(toPlace);
    if (geometry && geometry.type === "Polygon" && geometry.coordinates.length)
      return geometry.coordinates[0].slice(0, -1).map(toPlace);
    return null;
  }
  function withCorners(geometry, corners) {
    const pairs = corners.map(toPair);
    if (geometry.type === "LineString") return { ...geometry, coordinates: pairs };
    return { ...geometry, coordinates: [[...pairs, pairs[0]], ...geometry.coordinates.slice(1)] };
  }

  /* ---- what stands in the files ---- */
  function onMap(fresh) {
    map = fresh;
    lines = L.layerGroup().addTo(map);
    pegs = L.layerGroup().addTo(map);
    if (draft) draft = null;
    map.on("mousemove", ({ latlng }) => follow(latlng));
    show();
  }

  function show() {
    if (!map) return;
    lines.clearLayers();
    pegs.clearLayers();
    const chosen = desk.chosenShape();
    for (const shape of desk.shapes()) {
      if (!shape.geometry) continue;
      const own = chosen && chosen.mark === shape.mark,
        border = shape.use === "boundary";
      L.geoJSON(shape.geometry, {
        style: {
          color: border || own ? "#23211c" : "#4a5a2c",
          weight: own ? 3 : border ? 10 : 1.5,
          opacity: own ? 1 : border ? 0 : 0.7,
          fill: !border,
          fillOpacity: 0.08,
        },
        pointToLayer: (_, at) => L.circleMarker(at, { radius: 6 }),
        bubblingMouseEvents: true,
      })
        .on("click", (event) => {
          if (draft || desk.setting()) return;
          L.DomEvent.stop(event);
          desk.chooseShape(shape);
        })
        .addTo(lines);
    }
    if (chosen) bend(chosen);
  }

  const pegIcon = (css) => L.divIcon({ className: `peg ${css}`, html: h("span", {}), iconSize: [28, 28] });

  function bend(shape) {
    const corners = cornersOf(shape.geometry);
    if (!corners || corners.length > MOST_PEGS || shape.fixed) return;
    const closed = shape.geometry.type === "Polygon",
      least = closed ? 3 : 2,
      name = shape.values.name || shape.values.kind || shape.use;
    const done = (now, words) => desk.bent(shape, withCorners(shape.geometry, now), words);
    const outline = L.polyline(closed ? [...corners, corners[0]] : corners, {
      color: "#b58900",
      weight: 3,
      interactive: false,
    }).addTo(pegs);
    const redraw = (now) => outline.setLatLngs(closed ? [...now, now[0]] : now);
    const measured = (now) => desk.hint(closed ? areaWords(area(now)) : `${plain(length(now))} m along`);
    corners.forEach((at, i) => {
      const marker = L.marker(at, { icon: pegIcon("corner"), draggable: true, keyboard: true, zIndexOffset: 900 }).addTo(pegs);
      marker.getElement().setAttribute("aria-label", `corner ${i + 1} of ${corners.length} of ${name}`);
      const now = () => corners.map((corner, k) => (k === i ? marker.getLatLng() : corner));
      let resting = 0;
      marker.on("drag", () => {
        redraw(now());
        measured(now());
      });
      marker.on("dragend", () => {
        desk.hint("");
        done(now(), "bent");
      });
      marker.on("keydown", ({ originalEvent: event }) => {
        const way = { ArrowUp: [1, 0], ArrowDown: [-1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] }[event.key];
        if (event.key === "Delete" && corners.length > least) {
          event.preventDefault();
          done(
            corners.filter((_, k) => k !== i),
            "a corner taken out",
          );
        }
        if (!way) return;
        event.preventDefault();
        event.stopPropagation();
        const metres = event.shiftKey ? 10 : event.altKey ? 0.1 : 1,
          from = marker.getLatLng();
        marker.setLatLng([
          from.lat + (way[0] * metres) / METRES_PER_DEGREE,
          from.lng + (way[1] * metres) / (METRES_PER_DEGREE * Math.cos((from.lat * Math.PI) / 180)),
        ]);
        redraw(now());
        measured(now());
        clearTimeout(resting);
        resting = setTimeout(() => {
          desk.hint("");
          done(now(), "bent");
        }, REST_MS);
      });
    });
    const legs = closed ? corners.length : corners.length - 1;
    for (let i = 0; i < legs; i++) {
      const next = corners[(i + 1) % corners.length],
        middle = L.latLng((corners[i].lat + next.lat) / 2, (corners[i].lng + next.lng) / 2);
      const marker = L.marker(middle, { icon: pegIcon("bend"), draggable: true, keyboard: false, zIndexOffset: 800 }).addTo(pegs);
      const now = () => [...corners.slice(0, i + 1), marker.getLatLng(), ...corners.slice(i + 1)];
      marker.on("drag", () => {
        redraw(now());
        measured(now());
      });
      marker.on("dragend", () => {
        desk.hint("");
        done(now(), "given a corner");
      });
    }
  }

  /* ---- a new shape, corner by corner ---- */
  function begin(kind) {
    drop();
    draft = {
      kind,
      corners: [],
      line: L.polyline([], { color: "#23211c", weight: 2, dashArray: "6 4", interactive: false }).addTo(map),
    };
    tell();
  }
  function tell() {
    const { kind, corners } = draft,
      asLine = kind.width_m ? `Enter: a line ${plain(kind.width_m)} m wide` : "Enter ends";
    const measure =
      corners.length > 1 ? ` · ${plain(length(corners))} m${corners.length > 2 ? `, ${areaWords(area(corners))}` : ""}` : "";
    const ways = `click or Space sets a corner · first corner again: an area · ${asLine} · Backspace: one back`;
    desk.hint(`${kindWords(kind.name)}: ${ways}${measure}`);
  }
  function corner(at) {
    const { corners } = draft;
    const near = (a, b) => map.latLngToContainerPoint(a).distanceTo(map.latLngToContainerPoint(b)) < CLOSE_PX;
    if (corners.length > 2 && near(at, corners[0])) {
      end(true);
      return;
    }
    if (!corners.length || !near(at, corners[corners.length - 1])) corners.push(at);
    draft.line.setLatLngs(corners);
    tell();
  }
  function follow(at) {
    if (draft && draft.corners.length) draft.line.setLatLngs([...draft.corners, at]);
  }
  function end(closed) {
    const { kind, corners } = draft,
      asArea = closed || !kind.width_m;
    if (corners.length < (asArea ? 3 : 2)) return;
    drop();
    const pairs = corners.map(toPair);
    desk.drawn(
      kind,
      asArea ? { type: "Polygon", coordinates: [[...pairs, pairs[0]]] } : { type: "LineString", coordinates: pairs },
    );
  }
  function drop() {
    if (draft && map) draft.line.remove();
    draft = null;
    desk.hint("");
  }
  document.addEventListener("keydown", (event) => {
    if (!draft || event.target.closest("#margin")) return;
    const act = {
      Escape: () => desk.layBack(),
      Enter: () => end(false),
      Backspace: () => {
        draft.corners.pop();
        draft.line.setLatLngs(draft.corners);
        tell();
      },
      " ": () => corner(map.getCenter()),
    }[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  });

  return { onMap, show, begin, corner, drop, drawing: () => Boolean(draft) };
};
