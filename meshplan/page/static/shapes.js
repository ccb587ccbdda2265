/* Shapes that stand in the files: chosen, bent by their pegs, moved whole, cut in two, by mouse, finger and keys. */
"use strict";
const makePencil = (desk) => {
  const { h, plain } = meshParts;
  const REST_MS = 600,
    MOST_PEGS = 200,
    COPY_PX = 26,
    NEAR_PX = 34;
  const { snap } = desk;
  let map = null,
    lines = null,
    pegs = null,
    hot = -1,
    cutFrom = -1;

  const toPlace = ([lon, lat]) => L.latLng(lat, lon),
    toPair = (at) => [at.lng, at.lat];

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
  const shifted = (coordinates, dLng, dLat) =>
    typeof coordinates[0] === "number"
      ? [coordinates[0] + dLng, coordinates[1] + dLat, ...coordinates.slice(2)]
      : coordinates.map((one) => shifted(one, dLng, dLat));

  function onMap(fresh) {
    map = fresh;
    lines = L.layerGroup().addTo(map);
    pegs = L.layerGroup().addTo(map);
    show();
  }

  /* What is in the hand is not torn away by what comes in meanwhile. */
  let inHand = false;

  function show() {
    if (!map || inHand) return;
    snap.forget();
    lines.clearLayers();
    pegs.clearLayers();
    cutFrom = -1;
    const chosen = desk.chosenShape();
    const planned = Boolean(desk.planned());
    for (const shape of desk.shapes()) {
      if (!shape.geometry) continue;
      const own = chosen && chosen.mark === shape.mark,
        border = shape.use === "boundary",
        search = shape.use === "search_ground",
        colour = desk.colourOf(shape);
      L.geoJSON(shape.geometry, {
        style: {
          color: own ? "#23211c" : border ? "#23211c" : "#4a5a2c",
          weight: own ? 3 : border ? (planned ? 10 : 2) : 1.5,
          opacity: own ? 1 : border && planned ? 0 : 0.7,
          dashArray: search && !own ? "4 4" : border && !planned && !own ? "10 3 2 3" : null,
          fill: !border,
          fillColor: search ? "url(#search-lines)" : colour,
          fillOpacity: search ? 1 : planned ? 0.08 : 0.5,
        },
        pointToLayer: (_, at) => L.circleMarker(at, { radius: 6 }),
        bubblingMouseEvents: true,
      })
        .on("click", (event) => {
          if (desk.draft().drawing() || desk.setting()) return;
          L.DomEvent.stop(event);
          desk.chooseShape(shape);
        })
        .addTo(lines);
    }
    if (chosen) bend(chosen);
  }

  const pegIcon = (css, size = 28) => L.divIcon({ className: `peg ${css}`, html: h("span", {}), iconSize: [size, size] });

  function bend(shape) {
    const corners = cornersOf(shape.geometry);
    if (!corners || corners.length > MOST_PEGS || shape.fixed) return;
    const closed = shape.geometry.type === "Polygon",
      name = shape.values.name || shape.values.kind || shape.use;
    const done = (now, words) => desk.bent(shape, withCorners(shape.geometry, now), words);
    const outline = L.polyline(closed ? [...corners, corners[0]] : corners, {
      color: "#b58900",
      weight: 3,
      interactive: false,
    }).addTo(pegs);
    const redraw = (now) => outline.setLatLngs(closed ? [...now, now[0]] : now);
    function measured(now, i) {
      const legs = [];
      if (i > 0 || closed) legs.push(map.distance(now[(i + now.length - 1) % now.length], now[i]));
      if (i < now.length - 1 || closed) legs.push(map.distance(now[i], now[(i + 1) % now.length]));
      const beside = `legs ${legs.map((metres) => `${plain(metres, metres < 20 ? 1 : 0)} m`).join(" and ")}`;
      desk.hint(
        [
          closed ? snap.areaWords(snap.area(now)) : `${plain(snap.length(now))} m along`,
          beside,
          "arrow keys 1 m, Shift 10 m, Alt 0.1 m",
        ].join(" · "),
      );
    }
    function holding(marker, now, i, words) {
      let resting = 0;
      const end = () => {
        inHand = false;
        desk.hint("");
        done(now(), words);
      };
      marker.on("dragstart", () => {
        inHand = true;
      });
      marker.on("drag", ({ originalEvent }) => {
        const spot = originalEvent && originalEvent.altKey ? null : snap.near(marker.getLatLng(), shape.mark);
        if (spot) marker.setLatLng(spot.at);
        ring(spot);
        redraw(now());
        measured(now(), i);
      });
      marker.on("dragend", () => {
        ring(null);
        end();
      });
      marker.on("keydown", ({ originalEvent: event }) => {
        const to = snap.stepped(marker.getLatLng(), event);
        if (!to) return;
        event.preventDefault();
        event.stopPropagation();
        inHand = true;
        marker.setLatLng(to);
        redraw(now());
        measured(now(), i);
        clearTimeout(resting);
        resting = setTimeout(end, REST_MS);
      });
    }
    corners.forEach((at, i) => {
      const marker = L.marker(at, { icon: pegIcon("corner"), draggable: true, keyboard: true, zIndexOffset: 900 }).addTo(pegs);
      const element = marker.getElement(),
        now = () => corners.map((corner, k) => (k === i ? marker.getLatLng() : corner));
      element.setAttribute("aria-label", `corner ${i + 1} of ${corners.length} of ${name}`);
      element.dataset.peg = String(i);
      holding(marker, now, i, "bent");
      element.addEventListener("focus", () => {
        hot = i;
      });
      marker.on("click", (event) => {
        L.DomEvent.stop(event);
        if (cutFrom >= 0 && cutFrom !== i) cutAt(shape, i);
        else {
          hot = i;
          element.focus();
          measured(corners, i);
        }
      });
      marker.on("keydown", ({ originalEvent: event }) => {
        const act = {
          Delete: () => takeOut(shape, i),
          Insert: () => newCorner(shape, i),
          "+": () => newCorner(shape, i),
          x: () => cutAt(shape, i),
        }[event.key];
        if (!act) return;
        event.preventDefault();
        event.stopPropagation();
        act();
      });
    });
    const legs = closed ? corners.length : corners.length - 1;
    for (let i = 0; i < legs; i++) {
      const next = corners[(i + 1) % corners.length],
        middle = L.latLng((corners[i].lat + next.lat) / 2, (corners[i].lng + next.lng) / 2);
      const marker = L.marker(middle, { icon: pegIcon("bend"), draggable: true, keyboard: false, zIndexOffset: 800 }).addTo(pegs);
      marker.getElement().setAttribute("aria-hidden", "true");
      holding(marker, () => [...corners.slice(0, i + 1), marker.getLatLng(), ...corners.slice(i + 1)], i + 1, "given a corner");
    }
    wholePeg(shape, corners, redraw, name);
  }

  /* One peg in the middle moves the whole shape. */
  function wholePeg(shape, corners, redraw, name) {
    const at = L.latLngBounds(corners).getCenter(),
      pixel = (place) => map.latLngToContainerPoint(place),
      tight = corners.some((one) => pixel(one).distanceTo(pixel(at)) < NEAR_PX),
      icon = L.divIcon({
        className: "peg whole",
        html: h("span", {}),
        iconSize: [34, 34],
        iconAnchor: tight ? [17, 54] : [17, 17],
      });
    const marker = L.marker(at, { icon, draggable: true, keyboard: true, zIndexOffset: 850 }).addTo(pegs),
      element = marker.getElement();
    element.setAttribute("aria-label", `all of ${name}: drag it, or move it with the arrow keys`);
    element.dataset.peg = "whole";
    const by = () => [marker.getLatLng().lng - at.lng, marker.getLatLng().lat - at.lat];
    const now = () => {
      const [dLng, dLat] = by();
      return corners.map((one) => L.latLng(one.lat + dLat, one.lng + dLng));
    };
    const end = () => {
      inHand = false;
      desk.hint("");
      const metres = map.distance(at, marker.getLatLng());
      if (metres < 0.05) {
        show();
        desk.layDown();
        return;
      }
      const geometry = { ...shape.geometry, coordinates: shifted(shape.geometry.coordinates, ...by()) };
      desk.bent(shape, geometry, `moved ${plain(metres, metres < 10 ? 1 : 0)} m`);
    };
    let resting = 0;
    const moved = () => {
      redraw(now());
      desk.hint(`${name}: ${plain(map.distance(at, marker.getLatLng()), 1)} m from where it lay`);
    };
    marker
      .on("dragstart", () => {
        inHand = true;
      })
      .on("drag", moved)
      .on("dragend", end);
    marker.on("keydown", ({ originalEvent: event }) => {
      const to = snap.stepped(marker.getLatLng(), event);
      if (!to) return;
      event.preventDefault();
      event.stopPropagation();
      inHand = true;
      marker.setLatLng(to);
      moved();
      clearTimeout(resting);
      resting = setTimeout(end, REST_MS);
    });
  }

  /* A ring where a corner would land on what is there. */
  let landing = null;
  function ring(spot) {
    if (landing) landing.remove();
    landing = null;
    if (spot && map)
      landing = L.circleMarker(spot.at, {
        radius: 11,
        color: "#23211c",
        weight: 1.5,
        dashArray: "3 3",
        fill: false,
        interactive: false,
      }).addTo(map);
  }

  function takeOut(shape, i) {
    const corners = cornersOf(shape.geometry),
      least = shape.geometry.type === "Polygon" ? 3 : 2;
    if (corners.length <= least) return desk.say(`${least} corners are the least; rub the whole shape out instead.`);
    return desk.bent(
      shape,
      withCorners(
        shape.geometry,
        corners.filter((_, k) => k !== i),
      ),
      "a corner taken out",
    );
  }
  function newCorner(shape, i) {
    const corners = cornersOf(shape.geometry),
      closed = shape.geometry.type === "Polygon",
      next = corners[i + 1] || (closed ? corners[0] : null);
    if (!next) return desk.say("The last corner of a line has nothing behind it; choose another.");
    const middle = L.latLng((corners[i].lat + next.lat) / 2, (corners[i].lng + next.lng) / 2);
    return desk.bent(
      shape,
      withCorners(shape.geometry, [...corners.slice(0, i + 1), middle, ...corners.slice(i + 1)]),
      "given a corner",
    );
  }

  /* A line is cut at a corner; an area from one corner to another. */
  function cutAt(shape, i = hot) {
    const corners = cornersOf(shape.geometry);
    if (!corners) return desk.say("A shape of several parts is cut in a map program.");
    if (i < 0 || i >= corners.length) return desk.say("Choose the corner first: click its peg, or go to it with Tab.");
    const line = (list) => ({ type: "LineString", coordinates: list.map(toPair) }),
      area = (list) => ({ type: "Polygon", coordinates: [[...list, list[0]].map(toPair)] });
    if (shape.geometry.type === "LineString") {
      if (i === 0 || i === corners.length - 1) return desk.say("A line is cut at a corner between its ends; choose another peg.");
      return desk.parted(shape, line(corners.slice(0, i + 1)), line(corners.slice(i)));
    }
    if (shape.geometry.coordinates.length > 1) return desk.say("An area with holes is cut in a map program.");
    if (cutFrom < 0) {
      cutFrom = i;
      const peg = document.querySelector(`.peg[data-peg="${i}"]`);
      if (peg) peg.classList.add("cutting");
      desk.hint(`Cut from corner ${i + 1}: now choose the corner to cut to (click its peg, or X on it)`);
      return undefined;
    }
    const [from, to] = [Math.min(cutFrom, i), Math.max(cutFrom, i)];
    cutFrom = -1;
    desk.hint("");
    if (to - from < 2 || to - from > corners.length - 2)
      return desk.say("These two corners are neighbours; choose two with one between them.");
    return desk.parted(shape, area(corners.slice(from, to + 1)), area([...corners.slice(to), ...corners.slice(0, from + 1)]));
  }

  /* A copy lies a little to the south-east, where it is seen. */
  function copyOf(geometry) {
    const size = L.geoJSON(geometry).getBounds().getCenter(),
      to = map.layerPointToLatLng(map.latLngToLayerPoint(size).add([COPY_PX, COPY_PX]));
    return { ...geometry, coordinates: shifted(geometry.coordinates, to.lng - size.lng, to.lat - size.lat) };
  }

  function focusPeg(peg) {
    const element = document.querySelector(`.peg[data-peg="${CSS.escape(peg)}"]`);
    if (element) element.focus({ preventScroll: true });
  }

  return { onMap, show, cutAt, copyOf, focusPeg, cornersOf, ring, held: () => inHand };
};
