/* Where a corner lands: on a corner, on an edge, on a place, or at a right angle; and what is measured on the way. */
"use strict";
const makeSnap = (desk) => {
  const METRES_PER_DEGREE = 111320,
    CORNER_PX = 11,
    EDGE_PX = 8,
    SQUARE_DEGREES = 6;
  let map = null,
    known = null;

  function onMap(fresh) {
    map = fresh;
    map.on("zoomend viewreset", forget);
    forget();
  }
  const forget = () => {
    known = null;
  };

  function ringsOf(geometry) {
    if (!geometry) return [];
    if (geometry.type === "LineString") return [geometry.coordinates];
    if (geometry.type === "Polygon" || geometry.type === "MultiLineString") return geometry.coordinates;
    if (geometry.type === "MultiPolygon") return geometry.coordinates.flat();
    return [];
  }

  /* All corners and edges in pixels of the sheet, worked out once for a scale; a grid of cells keeps a look-up short. */
  const CELL = 64;
  function gather() {
    const cells = new Map();
    const put = (x, y, item) => {
      const key = `${Math.floor(x / CELL)} ${Math.floor(y / CELL)}`;
      if (!cells.has(key)) cells.set(key, []);
      cells.get(key).push(item);
    };
    for (const { place } of desk.things()) {
      if (!place) continue;
      const point = map.latLngToLayerPoint([place.lat_deg, place.lon_deg]);
      put(point.x, point.y, { corner: true, at: [place.lon_deg, place.lat_deg], x: point.x, y: point.y });
    }
    for (const shape of desk.shapes())
      for (const ring of ringsOf(shape.geometry)) {
        const points = ring.map(([lng, lat]) => map.latLngToLayerPoint([lat, lng]));
        points.forEach((point, i) => {
          put(point.x, point.y, { mark: shape.mark, corner: true, at: ring[i], x: point.x, y: point.y });
          if (!i) return;
          const from = points[i - 1],
            steps = Math.min(Math.ceil(from.distanceTo(point) / CELL), 200),
            edge = { mark: shape.mark, from, to: point };
          for (let k = 0; k <= steps; k++)
            put(
              from.x + ((point.x - from.x) * k) / Math.max(steps, 1),
              from.y + ((point.y - from.y) * k) / Math.max(steps, 1),
              edge,
            );
        });
      }
    return cells;
  }

  /* The nearest corner, else the nearest spot of an edge; null where nothing is near. `skip` is the shape in the hand. */
  function near(at, skip) {
    if (!map) return null;
    known = known || gather();
    const p = map.latLngToLayerPoint(at);
    let corner = null,
      edge = null;
    for (let i = -1; i <= 1; i++)
      for (let j = -1; j <= 1; j++)
        for (const item of known.get(`${Math.floor(p.x / CELL) + i} ${Math.floor(p.y / CELL) + j}`) || []) {
          if (item.mark === skip) continue;
          if (item.corner) {
            const away = Math.hypot(item.x - p.x, item.y - p.y);
            if (away <= CORNER_PX && (!corner || away < corner.away)) corner = { away, at: L.latLng(item.at[1], item.at[0]) };
            continue;
          }
          const dx = item.to.x - item.from.x,
            dy = item.to.y - item.from.y,
            share = Math.min(Math.max(((p.x - item.from.x) * dx + (p.y - item.from.y) * dy) / (dx * dx + dy * dy || 1), 0), 1),
            spot = L.point(item.from.x + share * dx, item.from.y + share * dy),
            away = spot.distanceTo(p);
          if (away <= EDGE_PX && (!edge || away < edge.away)) edge = { away, at: map.layerPointToLatLng(spot) };
        }
    return corner || edge;
  }

  /* The next corner of a building stands at a right angle to its first wall where it nearly does. */
  function squared(corners, at) {
    if (corners.length < 2) return at;
    const flat = (place) => map.project(place, 22),
      [first, second] = corners.map(flat),
      last = flat(corners[corners.length - 1]),
      to = flat(at).subtract(last),
      wall = Math.atan2(second.y - first.y, second.x - first.x),
      turn = Math.atan2(to.y, to.x) - wall,
      quarter = Math.round(turn / (Math.PI / 2)) * (Math.PI / 2);
    if (Math.abs(turn - quarter) * (180 / Math.PI) > SQUARE_DEGREES) return at;
    const far = Math.hypot(to.x, to.y) * Math.cos(turn - quarter);
    return map.unproject(L.point(last.x + far * Math.cos(wall + quarter), last.y + far * Math.sin(wall + quarter)), 22);
  }

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

  /* A step of some metres by an arrow key. */
  const WAYS = { ArrowUp: [1, 0], ArrowDown: [-1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] };
  function stepped(at, event) {
    const way = WAYS[event.key];
    if (!way) return null;
    const metres = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
    return L.latLng(
      at.lat + (way[0] * metres) / METRES_PER_DEGREE,
      at.lng + (way[1] * metres) / (METRES_PER_DEGREE * Math.cos((at.lat * Math.PI) / 180)),
    );
  }
  const moved = (at, metresEast, metresNorth) =>
    L.latLng(
      at.lat + metresNorth / METRES_PER_DEGREE,
      at.lng + metresEast / (METRES_PER_DEGREE * Math.cos((at.lat * Math.PI) / 180)),
    );
  const areaWords = (m2) => (m2 < 10000 ? `${meshParts.plain(m2)} m²` : `${meshParts.plain(m2 / 10000, 2)} ha`);

  return { onMap, forget, near, squared, length, area, areaWords, stepped, moved, ringsOf };
};
