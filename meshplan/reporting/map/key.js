/* The key to the map: every sign, its meaning, and whether it is drawn. */
"use strict";
const makeKey = (app) => {
  const { h, plain, chance, known, kindWords, lineSample, signOf, roleSign, spareSign, wide } = meshParts;
  const { data, map } = app;
  const byId = (id) => document.getElementById(id);

  function fillLegend() {
    const toggle = (key, sample, words, on = true) => {
      const box = h("input", { type: "checkbox", "data-layer": key });
      box.checked = on;
      box.addEventListener("change", () => {
        const layer = app.layers[key];
        if (box.checked && key.startsWith("coverage-")) app.reach.only(key);
        if (box.checked) layer.addTo(map);
        else map.removeLayer(layer);
        app.say(`${words}: ${box.checked ? "shown" : "hidden"}.`);
      });
      return h("label", { class: "row" }, box, h("span", { class: "verdict" }, sample, words));
    };
    const row = (sample, words) => h("div", { class: "row" }, sample, h("span", {}, words));
    const swatch = (colour) => h("span", { class: "swatch", style: `background:${colour}` });
    /* As it looks on the map: blended with the land, failing in stripes. */
    const reachSwatch = (one) =>
      h("span", {
        class: "swatch reach",
        style: `background-color:${one.seen}${one.hatched ? `;background-image:repeating-linear-gradient(135deg,transparent 0 4px,#ece4d0b0 4px 8px)` : ""}`,
      });
    /* Of verdicts only those that a line on the map can have. */
    const drawn = data.links.filter((link) => link.chosen || data.unserved.some((one) => meshSeason.missedLink(app, one) === link)),
      used = new Set(drawn.flatMap((link) => [link.verdict, ...link.seasons.map((one) => one.verdict)])),
      has = (role) => data.devices.some((one) => one.role === role && one.in_plan);
    /* Whatever season is shown, the key explains the marks. */
    const onSensors = new Set([
      ...data.devices.map((one) => one.verdict),
      ...data.links.filter((link) => link.chosen).flatMap((link) => link.seasons.map((one) => one.verdict)),
    ]);
    const limit = (style) =>
      known(style.limit) && style.name !== "not sure" && style.name !== "failing" ? `, at least ${chance(style.limit)}` : "";
    const kinds = new Map(
      data.shapes.filter((shape) => !shape.kind.includes("boundary")).map((shape) => [kindWords(shape.kind), shape.colour]),
    );
    app.layers.relief = window[data.map.relief];
    const flat = (rows) => rows.flat(Infinity).filter(Boolean);
    byId("legend-body").append(
      ...flat([
        h("h2", {}, "Links: how likely they work"),
        data.verdicts
          .filter((style) => used.has(style.name))
          .map((style) => row(lineSample(style), [h("strong", {}, style.name), `: ${style.words}${limit(style)}`])),
        h("h2", {}, "Sites"),
        has("gateway") ? row(roleSign("gateway", 22), "gateway, has the way out to the internet") : null,
        has("relay") ? row(roleSign("relay", 22), "relay, passes readings on") : null,
        data.verdicts
          .filter((style) => onSensors.has(style.name))
          .map((style) => row(signOf(style), `sensor, weakest link ${style.name}`)),
        data.unserved.length ? row(roleSign("unserved", 22), h("strong", {}, "sensor without a route")) : null,
        kinds.size ? h("h2", {}, "Land") : null,
        [...kinds].map(([name, colour]) =>
          name === "not mapped"
            ? row(h("span", { class: "swatch not-mapped" }), "not mapped: no file says what stands here")
            : row(swatch(colour), name),
        ),
        data.wires.some((wire) => wire.hazard === "overhead")
          ? row(lineSample({ colour: "#b3261e", dash: "12 4" }), "overhead wire: keep mast and ladder away; not all are mapped")
          : null,
        data.wires.some((wire) => wire.hazard === "buried")
          ? row(lineSample({ colour: "#7a4b12", dash: "2 6" }), "buried cable or pipe, roughly: ask before you dig")
          : null,
        app.layers.contours
          ? row(h("span", { class: "swatch contour" }), `contour, every ${plain(data.contours.step_m, data.contours.step_m < 1 ? 2 : 0)} m`)
          : null,
      ]),
    );
    byId("layers-body").append(
      ...flat([
        toggle("links", null, "links of the plan"),
        data.unserved.some((one) => meshSeason.missedLink(app, one))
          ? toggle("missed", null, "nearest miss of a sensor without a route")
          : null,
        data.links.some((link) => !link.chosen) ? toggle("candidates", null, "other links looked at", false) : null,
        data.devices.some((one) => one.role !== "sensor" && !one.in_plan)
          ? toggle("spares", spareSign("gateway", 18), "places the plan does not need", false)
          : null,
        data.shapes.length ? toggle("cover", null, "what stands on the land") : null,
        app.layers.wires ? toggle("wires", null, "wires and pipes that are mapped") : null,
        app.layers.contours ? toggle("contours", null, "contours") : null,
        data.shapes.some((shape) => shape.kind.includes("boundary")) ? toggle("boundary", null, "boundary") : null,
        data.measured.length ? toggle("measured", null, "measured here (dashed ring)") : null,
        toggle("relief", null, "shaded land"),
        data.coverage.length ? h("h2", {}, "Reach of a future sensor") : null,
        data.coverage.map((layer, i) => {
          app.layers[`coverage-${i}`] = window[data.map.coverage[i]];
          return toggle(`coverage-${i}`, null, layer.name, false);
        }),
        [...new Map(data.coverage.flatMap((layer) => layer.classes.map((one) => [one.name, one])))].map(([name, one]) =>
          row(reachSwatch(one), name),
        ),
        [...new Set(data.coverage.map((layer) => layer.note).filter(Boolean))].map((note) => h("p", { class: "small soft" }, note)),
        data.map.tiles
          ? [
              h("h2", {}, "From the network"),
              toggle("tiles", null, "online background map", false),
              h(
                "p",
                { class: "small soft" },
                "Only when you switch it on, pictures are fetched from another computer, which then learns where you look.",
              ),
            ]
          : null,
      ]),
    );
    byId("layers").addEventListener("toggle", () => app.placeNames());
    byId("legend").open = wide();
    byId("legend").addEventListener("toggle", () => map.invalidateSize({ pan: false }));
  }

  return { fillLegend };
};
