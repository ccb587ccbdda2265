/* What lies on the map: cover, contours, links, sites and their names, measured points, the lens. Draws fields of the plan, no more. */
"use strict";
const makeLayers = (app) => {
  const { h, svg, plain, mark, wide } = meshParts;
  const { data, map } = app;
  const MANY_LINKS = 500,
    VERY_MANY_LINKS = 1000,
    MANY_UNSERVED = 6;
  const byId = (id) => document.getElementById(id);

  function addPanes() {
    for (const [name, level] of [
      ["cover", 420],
      ["contours", 430],
      ["candidates", 440],
      ["links", 450],
      ["trial", 460],
      ["measured", 580],
      ["here", 640],
    ])
      map.createPane(name).style.zIndex = level;
    for (const name of ["cover", "contours", "here"]) map.getPane(name).style.pointerEvents = "none";
  }

  function addCover() {
    const groups = { cover: L.layerGroup(), boundary: L.layerGroup() };
    for (const shape of data.shapes) {
      const border = shape.kind.includes("boundary"),
        rings = shape.rings.map((ring) => ring.map(([lng, lat]) => [lat, lng]));
      const look = border
        ? { color: "#23211c", weight: 2, dashArray: "10 3 2 3", fill: false }
        : {
            color: shape.colour,
            weight: 1,
            opacity: 0.9,
            fillColor: shape.colour,
            fillOpacity: shape.kind.includes("building") ? 0.9 : 0.5,
          };
      L.polygon(rings, { ...look, pane: "cover", interactive: false }).addTo(groups[border ? "boundary" : "cover"]);
    }
    app.layers.cover = groups.cover.addTo(map);
    app.layers.boundary = groups.boundary.addTo(map);
  }

  function addContours(lines) {
    const group = L.layerGroup();
    for (const line of lines) {
      L.polyline(line.places, {
        pane: "contours",
        interactive: false,
        color: "#84704a",
        weight: line.heavy ? 1.3 : 0.6,
        opacity: line.heavy ? 0.8 : 0.65,
        smoothFactor: 0.5,
      }).addTo(group);
      if (line.heavy && line.places.length > 40) {
        L.marker(line.places[line.places.length >> 1], {
          interactive: false,
          keyboard: false,
          pane: "contours",
          icon: L.divIcon({ className: "contour-height", html: h("span", {}, plain(line.heightM)), iconSize: [0, 0] }),
        }).addTo(group);
      }
    }
    app.layers.contours = group.addTo(map);
  }

  /* Links of the plan; the nearest misses of sensors without a route, always drawn; all others, on request. */
  const missed = new Set(data.unserved.map((one) => meshSeason.missedLink(app, one)).filter(Boolean).map((link) => link.key));
  const nearestNames = new Set(data.unserved.map((one) => one.nearest));
  const groupOf = (link) => (link.chosen ? "links" : missed.has(link.key) ? "missed" : "candidates");

  function addLinks() {
    const many = data.links.length,
      renderer = many > VERY_MANY_LINKS ? L.canvas({ pane: "links", tolerance: 8 }) : null;
    app.layers.links = L.layerGroup().addTo(map);
    app.layers.candidates = L.layerGroup();
    app.layers.missed = L.layerGroup().addTo(map);
    for (const link of data.links.slice().reverse()) {
      const ends = [app.placeOf(app.devices.get(link.a)), app.placeOf(app.devices.get(link.b))];
      const pane = link.chosen ? "links" : "candidates",
        group = app.layers[groupOf(link)],
        base = { pane, ...(renderer && link.chosen ? { renderer } : {}) };
      const lines = {
        casing: null,
        line: L.polyline(ends, { ...base, interactive: many > MANY_LINKS, lineCap: "butt" }),
        touch: null,
      };
      if (many <= MANY_LINKS) {
        lines.casing = L.polyline(ends, { ...base, interactive: false, color: "#fff", opacity: 0.95 });
        lines.touch = L.polyline(ends, { ...base, color: "#000", opacity: 0, weight: 20 });
      }
      for (const layer of [lines.casing, lines.line, lines.touch]) {
        if (!layer) continue;
        layer.addTo(group);
        if (layer.options.interactive)
          layer.on("click", (event) => {
            L.DomEvent.stop(event);
            if (!app.picking) app.showLink(link.key);
          });
      }
      app.drawn.set(link.key, lines);
    }
    styleLinks();
  }

  /* Marks follow the season shown. */
  function showSeason() {
    for (const [name, marker] of app.markers) {
      marker.setIcon(iconOf(app.devices.get(name), marker.options.dark || false));
      if (marker._map) marker.fire("add");
    }
    styleLinks();
  }

  /* Only links of the radio shown stay on the map; sites without it turn pale. */
  function showRadio() {
    const kept = new Set(app.ofRadio(data.links).map((link) => link.key));
    for (const link of data.links) {
      const group = app.layers[groupOf(link)];
      for (const layer of Object.values(app.drawn.get(link.key)).filter(Boolean)) {
        if (kept.has(link.key)) group.addLayer(layer);
        else group.removeLayer(layer);
      }
    }
    for (const marker of app.markers.values()) if (marker._map) marker.fire("add");
    styleLinks();
    placeNames();
  }

  /* Colour, dash and weight of every link: by season, by what is chosen. */
  function styleLinks() {
    const lit = new Set(app.picked ? app.picked.links : []);
    for (const link of data.links) {
      const { casing, line } = app.drawn.get(link.key),
        style = app.verdicts.get(meshViews.seen(app, link).verdict);
      const on = lit.has(link.key),
        weight = link.chosen ? (on ? 7 : 4.5) : on ? 4.5 : missed.has(link.key) ? 3 : 2;
      line.setStyle({ color: style.colour, dashArray: style.dash || null, weight, opacity: lit.size && !on ? 0.35 : 1 });
      if (casing)
        casing.setStyle({
          weight: on ? weight + 7 : weight + 3.5,
          color: on ? "#ffd84d" : "#fff",
          opacity: lit.size && !on ? 0.4 : 0.95,
        });
      if (on && line._map) {
        if (casing) casing.bringToFront();
        line.bringToFront();
        if (app.drawn.get(link.key).touch) app.drawn.get(link.key).touch.bringToFront();
      }
    }
  }

  function iconOf(device, dark) {
    const now = meshSeason.inSeason(app, device),
      loud = device.role === "sensor" && !now.served,
      size = loud ? 30 : device.role === "sensor" ? 24 : device.in_plan ? 28 : 20;
    const css = [
      "mark",
      loud ? "unserved" : device.role,
      device.in_plan || device.role === "sensor" ? "" : "spare",
      dark ? "dark" : "",
    ].join(" ");
    const box = h(
      "div",
      {},
      mark(now, app.verdicts, { size, dark }),
      h("span", { class: "name e" }, loud && data.unserved.length <= MANY_UNSERVED ? `${device.name}: no route` : device.name),
    );
    return L.divIcon({ className: css, html: box, iconSize: [size, size] });
  }

  function addSites() {
    app.layers.sites = L.layerGroup().addTo(map);
    app.layers.spares = L.layerGroup();
    const rank = (device) => (device.role !== "sensor" ? (device.in_plan || nearestNames.has(device.name) ? 1 : 3) : device.served ? 2 : 0);
    for (const device of data.devices.slice().sort((a, b) => rank(a) - rank(b))) {
      const marker = L.marker(app.placeOf(device), {
        icon: iconOf(device, false),
        keyboard: true,
        riseOnHover: true,
        zIndexOffset: (3 - rank(device)) * 300,
        bubblingMouseEvents: false,
      });
      const nameIt = () => {
        const element = marker.getElement(),
          what = meshViews.ROLE_WORDS[device.role].toLowerCase();
        element.setAttribute("role", "button");
        element.setAttribute(
          "aria-label",
          `${device.name}, ${what}${device.role === "sensor" && !meshSeason.stateOf(app, device).served ? ", no route" : ""}${app.hasRadio(device) ? "" : ", does not carry the radio shown"}`,
        );
        element.classList.toggle("elsewhere", !app.hasRadio(device));
        element.dataset.site = device.name;
      };
      marker.on("add", nameIt).on("click", () => {
        if (!app.picking) app.showSite(device.name);
      });
      marker.on("keydown", ({ originalEvent: event }) => {
        if (event.key !== "Enter" && event.key !== " ") return;
        event.preventDefault();
        event.stopPropagation();
        if (!app.picking) app.showSite(device.name);
      });
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
      const taken = [],
        overlaps = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
      const shown = [...app.markers.values()]
        .filter((marker) => marker._map)
        .map((marker) => ({ element: marker.getElement(), at: map.latLngToContainerPoint(marker.getLatLng()) }));
      const edge = map.getSize(),
        corner = map.getContainer().getBoundingClientRect();
      for (const element of document.querySelectorAll("#lens, #north, .leaflet-control-scale" + (wide() ? "" : ", #legend"))) {
        const box = element.getBoundingClientRect();
        taken.push({
          left: box.left - corner.left,
          right: box.right - corner.left,
          top: box.top - corner.top,
          bottom: box.bottom - corner.top,
        });
      }
      for (const one of shown) {
        const half = one.element.offsetWidth / 2 - 2;
        one.box = { left: one.at.x - half, right: one.at.x + half, top: one.at.y - half, bottom: one.at.y + half };
        taken.push(one.box);
      }
      for (const one of shown) {
        const name = one.element.querySelector(".name");
        if (!name || one.element.classList.contains("elsewhere")) continue;
        name.className = "name e";
        const wide = name.offsetWidth,
          high = name.offsetHeight,
          half = one.element.offsetWidth / 2,
          { x, y } = one.at;
        const tries = {
          e: [x + half, y - high / 2],
          w: [x - half - wide, y - high / 2],
          n: [x - wide / 2, y - half - high],
          s: [x - wide / 2, y + half],
        };
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
    app.layers.tiles = L.tileLayer(tiles.url, {
      maxZoom: 21,
      maxNativeZoom: tiles.max_zoom,
      referrerPolicy: "origin-when-cross-origin",
    });
    app.layers.tiles
      .on("add", () => {
        note.hidden = false;
        window[data.map.relief].setOpacity(0.35);
      })
      .on("remove", () => {
        note.hidden = true;
        window[data.map.relief].setOpacity(1);
      });
  }

  function addMeasured() {
    app.layers.measured = L.layerGroup();
    if (data.measured.length) app.layers.measured.addTo(map);
    for (const point of data.measured) {
      const words = `${point.name}: measured ${plain(point.measured_dbm)} dBm, expected ${plain(point.expected_dbm)} dBm. ${point.note}`;
      const spot = L.circleMarker([point.lat_deg, point.lon_deg], {
        pane: "measured",
        radius: 15,
        color: "#23211c",
        weight: 3,
        dashArray: "3 4",
        fill: false,
        bubblingMouseEvents: false,
      });
      spot
        .bindTooltip(h("span", {}, words))
        .on("click", () => app.say(words))
        .addTo(app.layers.measured);
    }
  }

  function addLens() {
    const wayIn = (words, sign, act) => h("button", { type: "button", "aria-label": words, title: words, onclick: act }, sign);
    const whole = svg(
      "svg",
      { width: 18, height: 18, viewBox: "0 0 18 18", "aria-hidden": "true" },
      svg("path", { d: "M2 6V2h4M12 2h4v4M16 12v4h-4M6 16H2v-4", fill: "none", stroke: "currentColor", "stroke-width": 2 }),
    );
    byId("sheet").append(
      h(
        "div",
        { id: "lens", class: "no-print", role: "group", "aria-label": "Nearer and farther" },
        wayIn("Nearer", "+", () => map.zoomIn(0.75)),
        wayIn("Farther", "−", () => map.zoomOut(0.75)),
        wayIn("Whole property", whole, () => showAll()),
      ),
      svg(
        "svg",
        { id: "north", width: 26, height: 46, viewBox: "0 0 26 46", role: "img", "aria-label": "North is up" },
        svg("path", { d: "M13 2L20 30L13 25L6 30z", fill: "#23211c", stroke: "#f6f1e6" }),
        svg(
          "text",
          {
            x: 13,
            y: 44,
            "text-anchor": "middle",
            "font-size": 14,
            "font-weight": 700,
            stroke: "#f6f1e6",
            "stroke-width": 3,
            "paint-order": "stroke",
          },
          "N",
        ),
      ),
    );
    L.control.scale({ imperial: false, maxWidth: 140, position: "bottomleft" }).addTo(map);
  }

  function showAll(animate = true) {
    const places = data.devices.filter((one) => one.in_plan || one.role === "sensor").map(app.placeOf);
    const border = data.shapes.filter((shape) => shape.kind.includes("boundary")).flatMap((shape) => shape.rings.flat());
    const bounds = places.length > 1 ? L.latLngBounds(places).pad(0.06) : L.latLngBounds(data.map.bounds);
    for (const [lng, lat] of border) bounds.extend([lat, lng]);
    /* The buttons and the north arrow stand on the right. */
    map.fitBounds(bounds, { animate, paddingTopLeft: [24, 24], paddingBottomRight: [64, 30] });
  }

  return {
    groupOf,
    addPanes,
    addCover,
    addContours,
    addLinks,
    styleLinks,
    showRadio,
    showSeason,
    iconOf,
    addSites,
    placeNames,
    addTiles,
    addMeasured,
    addLens,
    showAll,
  };
};
