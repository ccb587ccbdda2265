/* Wires near a place that is tried on the map: the rule of operation/wires.py, with the distances that the plan gives each wire. */
"use strict";
const meshWires = (() => {
  const { plain } = meshParts;
  let app = null,
    wires = [];

  /* Paths in metres of the plan's own grid. */
  function start(page) {
    app = page;
    const above = app.land ? app.data.wires.filter((wire) => wire.hazard === "overhead") : [];
    wires = above.map((wire) => ({ ...wire, lines: wire.paths.map((path) => path.map(([lng, lat]) => at(lat, lng))) }));
  }

  function at(lat, lng) {
    const { column, row } = app.land.cellOf(lat, lng);
    return [column * app.land.cellM, row * app.land.cellM];
  }

  function fromSegment([x, y], [ax, ay], [bx, by]) {
    const dx = bx - ax,
      dy = by - ay,
      long = dx * dx + dy * dy,
      share = long > 0 ? Math.min(Math.max(((x - ax) * dx + (y - ay) * dy) / long, 0), 1) : 0;
    return Math.hypot(x - ax - share * dx, y - ay - share * dy);
  }

  function awayFrom(here, wire) {
    const toLine = (line) =>
      line.length === 1 ? [fromSegment(here, line[0], line[0])] : line.slice(1).map((end, i) => fromSegment(here, line[i], end));
    const distances = wire.lines.flatMap(toLine);
    return Math.max(Math.min(Infinity, ...distances) - wire.half_width_m, 0);
  }

  /* What is said of the worst wire near a place with an antenna at a height; empty where none is near on the map. */
  function words(place, heightM) {
    const here = wires.length ? at(place.lat, place.lng) : null,
      top = heightM + meshFigures.wire_reach_m,
      error = meshFigures.wire_map_error_m;
    const near = wires
      .map((wire) => {
        const away = awayFrom(here, wire),
          fall = top + wire.clear_m + error,
          wanted = Math.max(2 * top + error, fall, wire.work_m);
        return { wire, away, wanted, falls: away < fall };
      })
      .filter(({ away, wanted }) => away < wanted)
      .sort((a, b) => b.falls - a.falls || a.away - b.away || (a.wire.name < b.wire.name ? -1 : 1));
    if (!near.length) return "";
    const { wire, away, wanted, falls } = near[0];
    const lies = `${wire.words} lies ${plain(away)} m from here on the map`;
    return falls
      ? `POWER LINE: ${lies}, and what is put up could fall on it. Choose another place, at least ${plain(wanted)} m away.`
      : `Power line: ${lies}; wanted are ${plain(wanted)} m. Ask its owner first.`;
  }

  return { start, words };
})();
