/* Where marks and names stand on the screen: marks that would cover each other move apart, names go where they cover nothing. */
"use strict";
const makeNames = (app) => {
  const { h, wide } = meshParts;
  const { data, map } = app;
  const planned = (device) => device.in_plan || device.role === "sensor";

  /* ---- marks ---- */
  /* What is seen of a mark, as a share of its square; nearer than APART of their reach two marks hide each other and move. */
  const SEEN = 0.4,
    APART = 0.72,
    MOST_MOVED_PX = 32,
    ROUNDS = 60,
    TETHER_PX = 7,
    HEAVY = 0.2;
  const offsets = new Map();
  const offsetOf = (name) => offsets.get(name) || [0, 0];
  const iconSize = (marker) => marker.options.icon.options.iconSize[0];
  let tethers = null,
    spreadFor = "";

  function spreadMarks(shown) {
    const key = `${map.getZoom()} ${shown.map(({ siteName, place }) => `${siteName} ${place.x.toFixed(1)} ${place.y.toFixed(1)}`).join("|")}`;
    if (key === spreadFor) return;
    spreadFor = key;
    const spots = shown.map((one) => ({
      ...one,
      x: one.place.x,
      y: one.place.y,
      reach: SEEN * iconSize(one.marker),
      /* Gateways and relays stay nearly where they are: links meet there. */
      ease: app.devices.get(one.siteName).role === "sensor" ? 1 : HEAVY,
    }));
    const pairs = [];
    for (let i = 0; i < spots.length; i++)
      for (let j = i + 1; j < spots.length; j++) {
        const [p, q] = [spots[i], spots[j]];
        if (Math.hypot(p.x - q.x, p.y - q.y) < p.reach + q.reach + 2 * MOST_MOVED_PX) pairs.push({ p, q, turn: i + j, held: false });
      }
    for (let round = 0; round < ROUNDS; round++) {
      let still = true;
      for (const pair of pairs) {
        const { p, q, turn } = pair,
          want = p.reach + q.reach,
          far = Math.hypot(q.x - p.x, q.y - p.y);
        if (far < APART * want) pair.held = true;
        if (!pair.held || far >= want) continue;
        still = false;
        const [east, south] = far > 0.01 ? [(q.x - p.x) / far, (q.y - p.y) / far] : [Math.cos(2.4 * turn), Math.sin(2.4 * turn)],
          share = p.ease / (p.ease + q.ease);
        for (const [one, by] of [
          [p, -share],
          [q, 1 - share],
        ]) {
          one.x += by * (want - far) * east;
          one.y += by * (want - far) * south;
          const moved = Math.hypot(one.x - one.place.x, one.y - one.place.y) / MOST_MOVED_PX;
          if (moved > 1) {
            one.x = one.place.x + (one.x - one.place.x) / moved;
            one.y = one.place.y + (one.y - one.place.y) / moved;
          }
        }
      }
      if (still) break;
    }
    if (!tethers) tethers = L.layerGroup().addTo(map);
    tethers.clearLayers();
    for (const one of spots) {
      const by = [Math.round(one.x - one.place.x), Math.round(one.y - one.place.y)],
        [dx, dy] = Math.hypot(...by) < 2 ? [0, 0] : by,
        half = iconSize(one.marker) / 2,
        element = one.marker.getElement();
      offsets.set(one.siteName, [dx, dy]);
      one.marker.options.icon.options.iconAnchor = [half - dx, half - dy];
      element.style.marginLeft = `${dx - half}px`;
      element.style.marginTop = `${dy - half}px`;
      if (Math.hypot(dx, dy) >= TETHER_PX) tether(one, dx, dy);
    }
  }

  /* From a mark that stands aside a line leads to its true place, where the links meet. */
  function tether({ marker, place }, dx, dy) {
    const at = marker.getLatLng(),
      ends = [at, map.unproject([place.x + dx, place.y + dy], map.getZoom())],
      look = { pane: "tethers", interactive: false };
    L.polyline(ends, { ...look, color: "#fff", weight: 4 }).addTo(tethers);
    L.polyline(ends, { ...look, color: "#23211c", weight: 1.5 }).addTo(tethers);
    L.circleMarker(at, { ...look, radius: 2.5, color: "#fff", weight: 1, fillColor: "#23211c", fillOpacity: 1 }).addTo(tethers);
  }

  /* ---- names ---- */
  const CELL_PX = 64;
  function takenGrid() {
    const cells = new Map();
    const each = (box, act) => {
      for (let i = Math.floor(box.left / CELL_PX); i <= Math.floor(box.right / CELL_PX); i++)
        for (let j = Math.floor(box.top / CELL_PX); j <= Math.floor(box.bottom / CELL_PX); j++) if (act(`${i} ${j}`)) return true;
      return false;
    };
    return {
      take: (box) =>
        each(box, (cell) => {
          if (!cells.has(cell)) cells.set(cell, []);
          cells.get(cell).push(box);
          return false;
        }),
      free: (box, own) =>
        !each(box, (cell) =>
          (cells.get(cell) || []).some(
            (other) =>
              other !== own &&
              box.left < other.right &&
              other.left < box.right &&
              box.top < other.bottom &&
              other.top < box.bottom,
          ),
        ),
    };
  }

  /* Names that must stand choose first and may be led away by a line: gateways, sensors without a route, relays. The others may stay
     without. No name covers a mark: rather it is shortened, and at the very last left out. */
  const OTHERS = 3;
  const rankOf = (device) =>
    device.role === "gateway" && device.in_plan ? 0 : device.role === "sensor" && !device.served ? 1 : device.in_plan && device.role === "relay" ? 2 : OTHERS;

  /* Each name is measured once, all in one pass; of its shorter forms the width follows by their letters. */
  const forms = new WeakMap();
  const brush = document.createElement("canvas").getContext("2d");
  brush.font = "600 13px sans-serif";
  const widthOf = (text) => brush.measureText(text).width;
  const ELLIPSIS_PX = 3;

  /* A name without its last words, as long as it still means this site alone. */
  function shorter(name) {
    const words = name.split(" "),
      found = [];
    for (let keep = words.length - 1; keep > 0; keep--) {
      const start = words.slice(0, keep).join(" ");
      if (data.devices.filter((one) => planned(one) && one.name.startsWith(start)).length > 1) break;
      found.push(`${start}…`);
    }
    return found;
  }
  function measure(shown) {
    const fresh = shown.filter((one) => one.name && !forms.has(one.name));
    for (const one of fresh) one.name.className = "name e";
    for (const one of fresh) {
      const text = one.name.textContent,
        whole = { text, wide: one.name.offsetWidth, high: one.name.offsetHeight },
        scale = whole.wide / Math.max(widthOf(text), 1);
      const short = shorter(one.siteName).map((words) => ({ text: words, wide: widthOf(words) * scale + ELLIPSIS_PX, high: whole.high }));
      forms.set(one.name, [whole, ...short.filter((form) => form.wide < whole.wide)]);
    }
  }

  let placing = 0;
  function placeNames() {
    cancelAnimationFrame(placing);
    placing = requestAnimationFrame(() => {
      const grid = takenGrid(),
        edge = map.getSize(),
        corner = map.getContainer().getBoundingClientRect();
      for (const element of document.querySelectorAll(`#lens, #north, #layers, .leaflet-control-scale${wide() ? "" : ", #legend"}`)) {
        const box = element.getBoundingClientRect();
        grid.take({
          left: box.left - corner.left,
          right: box.right - corner.left,
          top: box.top - corner.top,
          bottom: box.bottom - corner.top,
        });
      }
      if (app.gather)
        app.gather.discs.eachLayer((disc) => {
          const { x, y } = map.latLngToContainerPoint(disc.getLatLng());
          grid.take({ left: x - 16, right: x + 16, top: y - 16, bottom: y + 16 });
        });
      const drawn = [];
      for (const [siteName, marker] of app.markers) {
        if (!marker._map || marker.getElement().classList.contains("gathered")) continue;
        drawn.push({ siteName, marker, place: map.project(marker.getLatLng(), map.getZoom()) });
      }
      spreadMarks(drawn);
      const shown = [];
      for (const { siteName, marker } of drawn) {
        const place = map.latLngToContainerPoint(marker.getLatLng()),
          [dx, dy] = offsetOf(siteName),
          at = { x: place.x + dx, y: place.y + dy };
        if (at.x < -40 || at.y < -40 || at.x > edge.x + 40 || at.y > edge.y + 40) continue;
        const element = marker.getElement(),
          half = iconSize(marker) / 2,
          seen = 0.85 * half;
        const one = { siteName, element, at, half, name: element.querySelector(".name") };
        one.box = { left: at.x - seen, right: at.x + seen, top: at.y - seen, bottom: at.y + seen };
        grid.take(one.box);
        shown.push(one);
      }
      measure(shown);
      const order = shown.map((one, i) => [rankOf(app.devices.get(one.siteName)), i, one]).sort((p, q) => p[0] - q[0] || p[1] - q[1]);
      for (const [rank, , one] of order) {
        if (!one.name || one.element.classList.contains("elsewhere")) continue;
        const spot = spotFor(one, rank < OTHERS, edge, grid);
        if (spot) grid.take(spot.box);
        lead(one, spot);
      }
    });
  }

  const NEAR_PX = [34, 56, 84],
    FAR_PX = [115, 150, 190, 240],
    WAYS_OUT = 16;
  function spotFor(one, must, edge, grid) {
    const { x, y } = one.at,
      { half } = one,
      variants = forms.get(one.name);
    const fits = (box) =>
      box.left >= 0 && box.top >= 0 && box.right <= edge.x && box.bottom <= edge.y && grid.free(box, one.box);
    const boxOf = (left, top, form) => ({ left, top, right: left + form.wide, bottom: top + form.high });
    const beside = (form) =>
      [
        ["e", x + half, y - form.high / 2],
        ["w", x - half - form.wide, y - form.high / 2],
        ["n", x - form.wide / 2, y - half - form.high],
        ["s", x - form.wide / 2, y + half],
      ]
        .map(([css, left, top]) => ({ css, form, box: boxOf(left, top, form) }))
        .find(({ box }) => fits(box));
    /* A line that leads to a name crosses no other mark or name, if it can. */
    const clear = (east, south, far) => {
      for (let along = half + 2; along < far - 2; along += 5) {
        const px = x + along * east,
          py = y + along * south;
        if (!grid.free({ left: px - 1, right: px + 1, top: py - 1, bottom: py + 1 }, one.box)) return false;
      }
      return true;
    };
    const away = (form, distances, strict) => {
      for (const far of distances)
        for (let turn = 0; turn < WAYS_OUT; turn++) {
          const east = Math.cos((2 * Math.PI * turn) / WAYS_OUT),
            south = Math.sin((2 * Math.PI * turn) / WAYS_OUT),
            tip = { x: x + far * east, y: y + far * south };
          const left = east > 0.3 ? tip.x : east < -0.3 ? tip.x - form.wide : tip.x - form.wide / 2,
            box = boxOf(left, tip.y - form.high / 2, form);
          if (fits(box) && (!strict || clear(east, south, far))) return { css: "far", form, box, tip };
        }
      return null;
    };
    const [whole, ...short] = variants,
      first = (list, find) => list.reduce((found, form) => found || find(form), null);
    const near = beside(whole);
    if (near || !must) return near || first(short, beside);
    return (
      away(whole, NEAR_PX, true) ||
      first(short, beside) ||
      away(whole, FAR_PX, true) ||
      first(short, (form) => away(form, [...NEAR_PX, ...FAR_PX], true)) ||
      first(variants, (form) => away(form, [...NEAR_PX, ...FAR_PX], false))
    );
  }

  /* Set a name to its spot; a line leads from the mark to one that stands far off. */
  function lead({ element, name, at, half }, spot) {
    const css = `name ${spot ? spot.css : "none"}`,
      old = element.querySelector(".leader");
    if (name.className !== css) name.className = css;
    if (spot && name.textContent !== spot.form.text) name.textContent = spot.form.text;
    if (spot && spot.css === "far") {
      const { box, tip } = spot;
      name.style.left = `${box.left - at.x + half}px`;
      name.style.top = `${box.top - at.y + half}px`;
      const line = old || h("span", { class: "leader" });
      line.style.width = `${Math.hypot(tip.x - at.x, tip.y - at.y)}px`;
      line.style.transform = `rotate(${Math.atan2(tip.y - at.y, tip.x - at.x)}rad)`;
      if (!old) name.before(line);
    } else if (old || name.style.left) {
      if (old) old.remove();
      name.style.left = name.style.top = "";
    }
  }

  return { placeNames, offsetOf };
};
