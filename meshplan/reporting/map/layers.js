/* What lies on the map: cover, contours, links, sites and their names, measured points, the lens. Draws fields of the plan, no more. */
"use strict";
const makeLayers = (app) => {
  const { h, svg, plain, mark, wide } = meshParts;
  const { data, map } = app;
  const MANY_LINKS = 500,
    VERY_MANY_LINKS = 1000,
    MANY_CHOSEN = 120,
    MANY_UNSERVED = 6;
  const byId = (id) => document.getElementById(id);
  const { placeNames, offsetOf } = makeNames(app);

  function addPanes() {
    for (const [name, level] of [
      ["cover", 420],
      ["contours", 430],
      ["wires", 435],
      ["candidates", 440],
      ["links", 450],
      ["tethers", 455],
      ["trial", 460],
      ["measured", 580],
      ["here", 640],
    ])
      map.createPane(name).style.zIndex = level;
    for (const name of ["cover", "contours", "here"]) map.getPane(name).style.pointerEvents = "none";
  }

  function addCover() {
    const groups = { cover: L.layerGroup(), boundary: L.layerGroup() };
    if (data.shapes.some((shape) => shape.kind === "not_mapped")) {
      /* Slanted lines over land of which no file says what stands there. */
      document.body.append(
        svg(
          "svg",
          { width: 0, height: 0, "aria-hidden": "true", style: "position:absolute" },
          svg(
            "pattern",
            { id: "not-mapped-lines", width: 9, height: 9, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
            svg("line", { x1: 0, x2: 0, y1: 0, y2: 9, stroke: "#5f5a52", "stroke-width": 2 }),
          ),
        ),
      );
    }
    for (const shape of data.shapes) {
      const border = shape.kind.includes("boundary"),
        rings = shape.rings.map((ring) => ring.map(([lng, lat]) => [lat, lng]));
      const look = border
        ? { color: "#23211c", weight: 2, dashArray: "10 3 2 3", fill: false }
        : {
            color: shape.colour,
            weight: 1,
            ...(shape.kind === "not_mapped" ? { className: "not-mapped", dashArray: "3 4" } : {}),
            opacity: 0.9,
            fillColor: shape.colour,
            fillOpacity: shape.kind.includes("building") ? 0.9 : 0.5,
          };
      L.polygon(rings, { ...look, pane: "cover", interactive: false }).addTo(groups[border ? "boundary" : "cover"]);
    }
    app.layers.cover = groups.cover.addTo(map);
    app.layers.boundary = groups.boundary.addTo(map);
  }

  /* Wires over the land, dashed pipes below it, poles; and who must be named for the land. */
  function addWires() {
    if (data.wires.length) {
      app.layers.wires = L.layerGroup().addTo(map);
      for (const wire of data.wires) {
        for (const path of wire.paths) {
          const places = path.map(([lng, lat]) => [lat, lng]),
            look = { pane: "wires", color: wire.colour, weight: 2.5, dashArray: wire.hazard === "buried" ? "2 6" : "12 4" };
          const drawn =
            places.length === 1 ? L.circleMarker(places[0], { ...look, radius: 4, dashArray: null }) : L.polyline(places, look);
          drawn.bindTooltip(h("span", {}, wire.words)).addTo(app.layers.wires);
        }
      }
    }
    if (data.credits.length) byId("sheet").append(creditsNote(data.credits.join("; ")));
  }

  /* Short credits stand in the corner; long ones are folded up where the screen is small. The whole stands in the list too. */
  const SHORT_CREDITS = 100,
    WIDE_PX = 700;
  function creditsNote(whole) {
    if (whole.length <= SHORT_CREDITS) return h("p", { id: "credits" }, whole);
    return h(
      "details",
      { id: "credits", open: window.innerWidth >= WIDE_PX },
      h("summary", {}, "© Whose land data these are"),
      h("p", {}, whole),
    );
  }

  const CONTOUR_LABEL_SHARE = 0.2;
  /* Gentle land has contours between whole metres: a label says which. */
  const decimalsOf = (heightM) => [0, 1].find((digits) => Math.abs(heightM * 10 ** digits - Math.round(heightM * 10 ** digits)) < 1e-3) ?? 2;
  function addContours(lines) {
    const [[south, west], [north, east]] = data.map.bounds,
      longest = Math.max(north - south, east - west);
    const longEnough = (places) => {
      const lats = places.map(([lat]) => lat),
        lngs = places.map(([, lng]) => lng);
      return Math.max(Math.max(...lats) - Math.min(...lats), Math.max(...lngs) - Math.min(...lngs)) > CONTOUR_LABEL_SHARE * longest;
    };
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
      if (line.heavy && longEnough(line.places)) {
        L.marker(line.places[line.places.length >> 1], {
          interactive: false,
          keyboard: false,
          pane: "contours",
          icon: L.divIcon({ className: "contour-height", html: h("span", {}, plain(line.heightM, decimalsOf(line.heightM))), iconSize: [0, 0] }),
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
      marker.setIcon(iconOf(app.devices.get(name), marker.options.lost || false));
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
  /* Hundreds of lines are drawn thin, so that the land between them is still seen. */
  const usualWeight = data.links.filter((link) => link.chosen).length > MANY_CHOSEN ? 2.5 : 4.5;
  function styleLinks() {
    const lit = new Set(app.picked ? app.picked.links : []);
    for (const link of data.links) {
      const { casing, line } = app.drawn.get(link.key),
        style = app.verdicts.get(meshViews.seen(app, link).verdict);
      const on = lit.has(link.key),
        weight = link.chosen ? (on ? 7 : usualWeight) : on ? 4.5 : missed.has(link.key) ? 3 : 2;
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

  function iconOf(device, lost) {
    const now = meshSeason.inSeason(app, device),
      loud = device.role === "sensor" && !now.served,
      size = loud ? 30 : device.role === "sensor" ? 24 : device.in_plan ? 28 : 20;
    const css = [
      "mark",
      loud ? "unserved" : device.role,
      device.in_plan || device.role === "sensor" ? "" : "spare",
      lost ? "lost" : "",
    ].join(" ");
    const box = h(
      "div",
      {},
      mark(now, app.verdicts, { size, lost }),
      h("span", { class: "name e" }, loud && data.unserved.length <= MANY_UNSERVED ? `${device.name}: no route` : device.name),
    );
    const [dx, dy] = offsetOf(device.name);
    return L.divIcon({ className: css, html: box, iconSize: [size, size], iconAnchor: [size / 2 - dx, size / 2 - dy] });
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

  const heightOfControls = () => {
    const above = map.getContainer().getBoundingClientRect().top,
      low = [...document.querySelectorAll("#layers > summary, #legend > summary")].map((one) => one.getBoundingClientRect().bottom - above);
    return Math.max(0, ...low);
  };

  /* With credits below it the scale stands higher than the margin that sites keep from the foot of the map. */
  const heightOfFoot = () => {
    const line = byId("credits") && document.querySelector(".leaflet-control-scale-line");
    return line ? map.getContainer().getBoundingClientRect().bottom - line.getBoundingClientRect().top : 0;
  };

  const FINE_ZOOM = 0.02;
  function showAll(animate = true) {
    const places = data.devices.filter((one) => one.in_plan || one.role === "sensor").map(app.placeOf);
    const bounds = places.length > 1 ? L.latLngBounds(places).pad(0.04) : L.latLngBounds(data.map.bounds);
    /* The buttons and the north arrow stand on the right; on a small screen key and layers stand over the top of the map. */
    const top = wide() ? 24 : heightOfControls() + 22;
    const foot = wide() ? 30 : Math.max(30, heightOfFoot() + 10);
    /* Steps of zoom are for the buttons; the first view takes what fits. */
    const step = map.options.zoomSnap;
    map.options.zoomSnap = FINE_ZOOM;
    map.fitBounds(bounds, { animate, paddingTopLeft: [24, top], paddingBottomRight: [64, foot] });
    map.options.zoomSnap = step;
  }

  /* The map keeps to its land and to the first view of it: no panning into nothing, no zooming out beyond it. */
  function bound() {
    const land = L.latLngBounds(data.map.bounds),
      least = map.getBoundsZoom(land) - 0.5;
    map.setMaxBounds(land.pad(0.35).extend(map.getBounds()));
    map.setMinZoom(Math.min(Math.max(least, 0), map.getZoom()));
  }

  return {
    bound,
    groupOf,
    addPanes,
    addCover,
    addWires,
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
