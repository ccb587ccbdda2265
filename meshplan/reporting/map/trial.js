/* Trying things out: two places anywhere, or a site moved or raised. Figures come from the page's engine and the land in the page. */
"use strict";
const meshTrial = (() => {
  const { h, svg, known, plain, metres, height, decibel, chance, count, verdictBadge, table, seasonWords } = meshParts;
  const SHORTEST_M = 0.5,
    MOST_OTHERS = 14,
    MOST_ROWS = 40,
    HIGHEST_M = 30;
  const UNKNOWN_WORDS = {
    "one place": "The two are one point.",
    "land unknown": "The land between these points is not known here. Set them inside the drawn land.",
    "one building": "Both stand inside one building. Its rooms are computed by the plan only, not by this page.",
  };
  const beyond = new Map();
  const usual = new Map();
  const { changed, keyOf } = meshChanges;
  let app,
    layer = null,
    current = null;

  function start(page) {
    app = page;
    beyond.clear();
    usual.clear();
    const button = document.getElementById("open-trial");
    button.hidden = !app.canTry();
    app.trySite = trySite;
    app.tryTwo = tryTwo;
    app.leaveTrial = leave;
    meshWires.start(app);
    if (!app.canTry()) return;
    useRadio(app.engine.radio);
    button.addEventListener("click", () => {
      if (current && current.kind === "two") app.showOverview();
      else tryTwo();
    });
    app.map.on("click", (event) => {
      if (current) current.put(event.latlng);
    });
  }

  /* Trials are computed for one radio class at a time: its frequency, its losses in leaves and walls, the devices that carry it. */
  function useRadio(key) {
    app.engine = app.engines.get(key);
    app.land.engine = app.engine;
    app.ends = new Map(app.engine.ends.map((end) => [end.name, end]));
  }
  const engineKeys = (name) =>
    [...app.engines.values()].filter((engine) => engine.ends.some((end) => end.name === name)).map((engine) => engine.radio);

  function leave() {
    if (!current) return;
    current = null;
    app.picking = false;
    layer.remove();
    app.map.getContainer().classList.remove("picking", "trying");
    for (const id of ["open-trial", "open-add"]) document.getElementById(id).setAttribute("aria-pressed", "false");
    if (app.showAdded) app.showAdded();
  }

  function enter(kind, put) {
    app.leaveTrial();
    app.pick(null);
    app.showSection(null);
    current = { kind, put };
    app.picking = true;
    layer = L.layerGroup().addTo(app.map);
    app.map.getContainer().classList.add("picking");
    app.map.getContainer().classList.toggle("trying", kind === "site");
    document.getElementById("open-trial").setAttribute("aria-pressed", String(kind === "two"));
    document.getElementById("open-add").setAttribute("aria-pressed", String(kind === "add"));
  }

  /* ---- figures ---- */
  /* terrain/mapped_land: what a place is taken to stand among. What somebody named for a site stays with it. */
  function aroundAt(around, place) {
    const { unmapped } = app.engine;
    if (!unmapped || (around && !around.assumed)) return around;
    const { column, row } = app.land.cellOf(place.lat, place.lng),
      x = (column + 0.5) * app.land.cellM,
      y = (row + 0.5) * app.land.cellM;
    const away = unmapped.boxes_m.map(([west, north, east, south]) =>
      Math.hypot(Math.max(west - x, x - east, 0), Math.max(north - y, y - south, 0)),
    );
    const share = Math.min(Math.min(Infinity, ...away) / unmapped.fully_unmapped_m, 1),
      width = Math.max(unmapped.around.street_width_m, around ? around.street_width_m : 0);
    if (!(share > 0)) return null;
    return { ...unmapped.around, share, street_width_m: width, tops_m: unmapped.around.tops_m.map((top) => top * share) };
  }

  /* links/build_stations: an end at a place and height; walls around it, and the noise among them, are looked up anew. */
  function endAt(base, place, antennaAgl, moved) {
    if (!moved && antennaAgl === base.antenna_agl_m) return base;
    const number = app.land.coverAt(app.land.cellOf(place.lat, place.lng)),
      cover = number ? app.engine.covers[number - 1] : null;
    const inside = cover && cover.solid && (base.is_indoors || antennaAgl < cover.tallest_m),
      walls = base.is_indoors || inside,
      had = base.is_indoors || base.inside;
    return {
      ...base,
      around: moved ? aroundAt(base.around, place) : base.around,
      antenna_agl_m: antennaAgl,
      inside: inside ? number : 0,
      entry_loss_db: base.is_indoors ? base.entry_loss_db : inside ? cover.wall_db : 0,
      entry_spread_db: base.is_indoors ? base.entry_spread_db : inside ? cover.wall_spread_db : 0,
      sensitivity_dbm: base.sensitivity_dbm + base.walls_noise_db * (Boolean(walls) - Boolean(had)),
    };
  }

  function verdictOf(chanceNow, elevationSpread, otherSpread) {
    const limits = app.data.verdicts
      .filter((style) => known(style.limit) && style.name !== "not sure")
      .sort((a, b) => b.limit - a.limit);
    if (!known(chanceNow)) return "not sure";
    if (elevationSpread > otherSpread && chanceNow > app.engine.sure_no_chance && chanceNow < limits[0].limit)
      return "not sure";
    return (limits.find((style) => chanceNow >= style.limit) || { name: "failing" }).name;
  }

  const latLng = (device) => L.latLng(device.lat_deg, device.lon_deg);
  /* A device as it stands now: at its place in the plan, or where it was put by an earlier trial. */
  function standing(name) {
    const device = app.devices.get(name),
      base = app.ends.get(name),
      tried = changed.get(keyOf(name));
    if (!tried) return { name, label: name, place: latLng(device), end: base, moved: false, heightM: base.antenna_agl_m };
    const { place, moved, heightM } = tried;
    return { name, label: name, place, moved, heightM, end: endAt(base, place, heightM, moved) };
  }
  const embedded = (a, b) =>
    app.data.links.find(
      (link) => link.radio === app.engine.radio && ((link.a === a && link.b === b) || (link.a === b && link.b === a)),
    );

  /* The bare computation between two ends {name, place, end}; `unknown` says why there is none. */
  function computeBare(a, b) {
    const profile = app.land.profile(a.place, b.place);
    if (!(profile.distanceM > SHORTEST_M)) return { profile, unknown: "one place" };
    if ([...profile.ground].some((level) => !Number.isFinite(level))) return { profile, unknown: "land unknown" };
    if (a.end.inside && a.end.inside === b.end.inside) return { profile, unknown: "one building" };
    return { profile, found: meshLinks.linkBetween(profile, a.end, b.end, app.engine) };
  }

  /* What the plan knows of a link beyond this page, season by season: its own figure less the page's at the same places. Where both
     ends stand as planned all of it counts, so that a trial there shows the plan's figures. Elsewhere only lessons from readings are
     taken over: those of the same pair, or for pairs that the plan does not hold the median over its links. */
  const NOTHING = { lossDb: 0, marginDb: 0, elevationVariance: 0, otherVariance: 0 };
  const asPlanned = (side) => !side.moved && side.end === app.ends.get(side.name);
  function beyondPage(a, b) {
    const link = embedded(a.name, b.name);
    if (link && asPlanned(a) && asPlanned(b)) return beyondOf(link) || usualBeyond();
    if (!app.data.calibrated) return app.engine.season_antenna_loss_db.map(() => NOTHING);
    return (link && beyondOf(link)) || usualBeyond();
  }
  function beyondOf(link) {
    if (!beyond.has(link.key)) {
      const bare = app.ends.has(link.a) && app.ends.has(link.b) ? computeBare(planned(link.a), planned(link.b)) : { unknown: "no radio" };
      beyond.set(
        link.key,
        bare.unknown
          ? null
          : link.seasons.map((one, season) => {
              const page = bare.found.seasons[season],
                elevationVariance = one.spread.elevation_db ** 2,
                orNothing = (value) => (known(value) ? value : 0);
              return {
                lossDb: orNothing(one.path_loss_db - page.lossDb),
                marginDb: orNothing(Math.min(one.margin_at_a_db ?? Infinity, one.margin_at_b_db ?? Infinity) - page.marginDb),
                elevationVariance: orNothing(elevationVariance - bare.found.elevationSpreadDb ** 2),
                otherVariance: orNothing(one.spread.total_db ** 2 - elevationVariance - page.otherSpread ** 2),
              };
            }),
      );
    }
    return beyond.get(link.key);
  }
  function usualBeyond() {
    const { radio } = app.engine;
    if (!usual.has(radio)) {
      const all = app.data.links.filter((link) => link.chosen && link.radio === radio).map(beyondOf).filter(Boolean);
      const median = (values) => values.sort((p, q) => p - q)[values.length >> 1] ?? 0;
      const inSeason = (season) =>
        Object.fromEntries(Object.keys(NOTHING).map((name) => [name, median(all.map((one) => one[season][name]))]));
      usual.set(
        radio,
        app.engine.season_antenna_loss_db.map((_, season) => (app.data.calibrated ? inSeason(season) : NOTHING)),
      );
    }
    return usual.get(radio);
  }

  /* The trial link in the season shown, or in the worst one. */
  function compute(a, b) {
    const bare = computeBare(a, b);
    if (bare.unknown) return bare;
    const { profile, found } = bare,
      extra = beyondPage(a, b);
    const seasons = found.seasons.map((one, i) => {
      const marginDb = one.marginDb + extra[i].marginDb,
        elevationDb = Math.sqrt(Math.max(found.elevationSpreadDb ** 2 + extra[i].elevationVariance, 0)),
        otherSpread = Math.sqrt(Math.max(one.otherSpread ** 2 + extra[i].otherVariance, 0)),
        spreadDb = Math.hypot(elevationDb, otherSpread);
      return {
        ...one,
        marginDb,
        elevationDb,
        otherSpread,
        spreadDb,
        lossDb: one.lossDb + extra[i].lossDb,
        chance: meshEngine.normalChance((marginDb - found.fadeDb) / spreadDb),
      };
    });
    const named = app.data.seasons.findIndex((season) => season.name === app.season);
    const season = named >= 0 ? named : seasons.reduce((worst, one, i) => (one.chance < seasons[worst].chance ? i : worst), 0);
    const now = seasons[season];
    return {
      profile,
      found,
      seasons,
      season,
      now,
      extra: extra[season],
      ownLessons: Boolean(embedded(a.name, b.name)),
      verdict: verdictOf(now.chance, now.elevationDb, now.otherSpread),
    };
  }

  function clearanceOf(trial, a) {
    const { clearance, groundLimited } = trial.found.losses,
      { profile } = trial;
    if (clearance.index < 0 || !known(clearance.clearanceM))
      return { sentence: "The two places are too near each other for a section.", label: "" };
    return meshLinks.clearanceWords(profile, clearance, groundLimited, a.label, app.engine);
  }

  function showCut(trial, a, b) {
    const { losses } = trial.found,
      kinds = Array.from(trial.profile.number, (one) => (one ? app.engine.covers[one - 1].kind : 0)),
      clear = clearanceOf(trial, a);
    app.showSection({
      title: `Trial: ${a.label} to ${b.label}`,
      sentence: `Section of the trial, ${metres(trial.profile.distanceM)}. ${clear.sentence}`,
      words: clear.sentence,
      profile: { ...trial.profile, cover: losses.standing, kind: kinds, radiusKm: app.engine.effective_earth_radius_km },
      names: [a.label, b.label],
      startAgl: a.end.antenna_agl_m,
      endAgl: b.end.antenna_agl_m,
      frequencyMhz: app.engine.frequency_mhz,
      tightAt: trial.profile.along[losses.clearance.index],
      tightWords: clear.label,
      ends: [
        { lat_deg: a.place.lat, lon_deg: a.place.lng },
        { lat_deg: b.place.lat, lon_deg: b.place.lng },
      ],
    });
  }

  const landNote = () =>
    h(
      "p",
      { class: "small soft" },
      `A first look on cells of ${plain(app.data.terrain.cell_m, app.data.terrain.cell_m % 1 ? 1 : 0)} m` +
        `${app.data.terrain.averaged > 1 ? `, averaged from ${plain(app.data.terrain.full_cell_m, 1)} m` : ", the same as the plan's"}. Cable and power stay as they are. The plan itself does not change.`,
    );

  /* The section takes its strip from the map: what is tried must not lie under it. */
  function intoView(places) {
    const { map } = app,
      bounds = L.latLngBounds(places);
    if (map.getBounds().pad(-0.04).contains(bounds)) return;
    if (places.length === 1) map.panTo(places[0], { animate: false });
    else map.fitBounds(bounds.pad(0.2), { maxZoom: map.getZoom(), animate: false });
  }

  /* ---- marks that can be moved by hand, by click and by arrow keys ---- */
  function movable(place, letter, label, onMove) {
    const face = svg(
      "svg",
      { width: 36, height: 36, viewBox: "0 0 36 36", "aria-hidden": "true" },
      svg("circle", { cx: 18, cy: 18, r: 14, fill: "#ffd84d", stroke: "#23211c", "stroke-width": 2.5 }),
      svg("path", { d: "M18 1v5M18 30v5M1 18h5M30 18h5", stroke: "#23211c", "stroke-width": 2.5 }),
      svg("text", { x: 18, y: 23.5, "text-anchor": "middle", "font-size": 15, "font-weight": 700, fill: "#23211c" }, letter),
    );
    const marker = L.marker(place, {
      draggable: true,
      keyboard: true,
      autoPan: true,
      zIndexOffset: 2000,
      icon: L.divIcon({ className: "trial", html: face, iconSize: [36, 36] }),
    });
    marker.on("add", () => {
      const element = marker.getElement();
      element.setAttribute("role", "button");
      element.setAttribute("aria-label", `${label}: drag it, or move it with the arrow keys`);
      element.dataset.trial = letter;
    });
    marker
      .on("drag", () => onMove(marker.getLatLng(), false))
      .on("dragend", () => onMove(marker.getLatLng(), true))
      .on("click", (event) => L.DomEvent.stop(event));
    marker.on("keydown", ({ originalEvent: event }) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
      if (!step) return;
      event.preventDefault();
      event.stopPropagation();
      const far = (event.shiftKey ? 10 : 1) * app.land.cellM,
        at = marker.getLatLng();
      onMove(
        L.latLng(at.lat + (step[1] * far) / meshFigures.metres_per_degree, at.lng + (step[0] * far) / (meshFigures.metres_per_degree * Math.cos((at.lat * Math.PI) / 180))),
        true,
      );
    });
    return marker.addTo(layer);
  }

  function heightField(id, words, value, onChange) {
    const slide = h("input", {
        type: "range",
        id: `${id}-slide`,
        min: 0.1,
        max: HIGHEST_M,
        step: 0.1,
        value,
        "aria-label": `${words}, slider`,
      }),
      box = h("input", { type: "number", id, min: 0.1, max: 100, step: 0.1, value });
    const set = (text, other) => {
      const metresUp = Number.parseFloat(text);
      if (!(metresUp > 0 && metresUp <= 100)) return;
      other.value = metresUp;
      onChange(metresUp);
    };
    slide.addEventListener("input", () => set(slide.value, box));
    box.addEventListener("input", () => set(box.value, slide));
    return {
      element: h("div", { class: "field" }, h("label", { for: id }, words), slide, box),
      set: (metresUp) => {
        slide.value = metresUp;
        box.value = metresUp;
      },
    };
  }

  /* Which radio class a trial is computed with, and another where there is one. */
  function radioField(keys, onChange) {
    if (app.engines.size < 2) return null;
    if (keys.length < 2) return h("p", {}, `Computed with ${app.radioTitle(keys[0])}.`);
    const choose = h(
      "select",
      { id: "trial-radio" },
      keys.map((key) => h("option", { value: key, selected: key === app.engine.radio }, app.radioTitle(key))),
    );
    choose.addEventListener("change", () => {
      useRadio(choose.value);
      onChange();
      document.getElementById("trial-radio").focus();
    });
    return h("div", { class: "field" }, h("label", { for: "trial-radio" }, "Computed with"), choose);
  }

  /* ---- two points ---- */
  /* With a kept check it opens on its two places. */
  function tryTwo(check = null) {
    const keys = [...app.engines.keys()].filter((key) => app.engines.get(key).ends.length > 1);
    if (!keys.length) return app.say("No two devices of this plan carry the same radio.");
    if (!keys.includes(app.engine.radio)) useRadio(keys[0]);
    if (app.radio && keys.includes(app.radio) && !current) useRadio(app.radio);
    if (check) useRadio(check.radio);
    const names = [...app.ends.keys()],
      gateway = names.find((name) => app.devices.get(name).role === "gateway" && app.devices.get(name).in_plan) || names[0];
    const sensor =
      names.find((name) => app.devices.get(name).role === "sensor" && !app.devices.get(name).served) ||
      names.find((name) => app.devices.get(name).role === "sensor") ||
      names[names.length - 1];
    const side = (letter, name) => ({
      letter,
      name,
      label: name,
      place: latLng(app.devices.get(name)),
      moved: false,
      heightM: app.ends.get(name).antenna_agl_m,
    });
    const suits = (link) => link.radio === app.engine.radio && app.ends.has(link.a) && app.ends.has(link.b),
      doubtful = meshViews.doubtful(app, suits);
    const sides = check ? check.sides.map((one) => ({ ...one })) : doubtful ? [side("A", doubtful.a), side("B", doubtful.b)] : [side("A", sensor), side("B", gateway)];
    let next = 0;
    const result = h("div", { id: "trial-result", "aria-live": "polite" });
    const put = (one, place) => {
      one.place = place;
      one.moved = true;
      one.label = `point ${one.letter}`;
      one.marker.setLatLng(place);
      refresh();
    };
    enter("two", (place) => {
      put(sides[next], place);
      next = 1 - next;
      app.say(`Point ${sides[1 - next].letter} set. The next click sets point ${sides[next].letter}.`);
    });
    for (const one of sides) one.marker = movable(one.place, one.letter, `Point ${one.letter}`, (place) => put(one, place));
    const line = L.polyline([sides[0].place, sides[1].place], { pane: "trial", weight: 5, interactive: false }).addTo(layer);
    const fields = sides.map((one) => {
      const choose = h(
        "select",
        { id: `kind-${one.letter}` },
        names.map((name) => h("option", { value: name, selected: name === one.name }, name)),
      );
      const up = heightField(`height-${one.letter}`, `Antenna height of ${one.letter} above ground, m`, one.heightM, (metresUp) => {
        one.heightM = metresUp;
        refresh();
      });
      choose.addEventListener("change", () => {
        Object.assign(one, side(one.letter, choose.value));
        one.marker.setLatLng(one.place);
        up.set(one.heightM);
        refresh();
      });
      return h(
        "fieldset",
        {},
        h("legend", {}, `Point ${one.letter}`),
        h("div", { class: "field" }, h("label", { for: `kind-${one.letter}` }, "Place and device as at"), choose),
        up.element,
      );
    });
    function refresh() {
      for (const one of sides) one.end = endAt(app.ends.get(one.name), one.place, one.heightM, one.moved);
      const trial = compute(sides[0], sides[1]);
      line.setLatLngs([sides[0].place, sides[1].place]);
      if (trial.unknown) {
        line.setStyle({ color: "#23211c", dashArray: "1 6" });
        app.showSection(null);
        return result.replaceChildren(h("p", {}, h("strong", {}, UNKNOWN_WORDS[trial.unknown])));
      }
      const style = app.verdicts.get(trial.verdict),
        { losses } = trial.found,
        plants = losses.seasons[trial.season].vegetationDb;
      line.setStyle({ color: style.colour, dashArray: style.dash || null });
      result.replaceChildren(
        h(
          "p",
          { class: "verdict-line" },
          verdictBadge(style),
          `: ${style.words}. Works in ${chance(trial.now.chance)}${app.data.seasons.length ? `, season “${seasonWords(app.data.seasons[trial.season].name)}”` : ""}.`,
        ),
        h("p", {}, clearanceOf(trial, sides[0]).sentence),
        table(
          "",
          [["What is lost on the way"], ["dB", "num"]],
          [
            ["Free space", losses.freeSpaceDb],
            ["Terrain and ground", losses.terrainDb + losses.behindHillDb],
            ["Buildings", losses.buildingDb],
            ["Plants", plants],
            ["What stands around the ends", trial.now.clutterDb],
            ["Relief finer than the elevation data", trial.found.hiddenReliefDb],
            ["Snow or wet on both antennas", 2 * app.engine.season_antenna_loss_db[trial.season]],
            [`${app.data.calibrated ? "Learned from readings" : "As the plan has it"} (${trial.ownLessons ? "this link in the plan" : "usual in this plan"})`, trial.extra.lossDb],
          ]
            .filter(([, value], i) => i < 2 || Math.abs(value) >= 0.05)
            .map(([name, value]) => h("tr", {}, h("th", { scope: "row" }, name), h("td", { class: "num" }, plain(value, 1))))
            .concat(
              h(
                "tr",
                { class: "sum" },
                h("th", { scope: "row" }, "Path loss"),
                h("td", { class: "num", id: "trial-loss" }, plain(trial.now.lossDb, 1)),
              ),
              h(
                "tr",
                { class: "sum" },
                h("th", { scope: "row" }, `Margin, weaker way (over ${metres(trial.profile.distanceM)})`),
                h("td", { class: "num", id: "trial-margin" }, plain(trial.now.marginDb, 1)),
              ),
            ),
        ),
      );
      showCut(trial, sides[0], sides[1]);
    }
    app.view = refresh;
    app.tell(
      [
        meshViews.backRow(app, "Check two places"),
        h(
          "p",
          {},
          "Click the map to set A, then B, and so on; or drag the yellow marks. Choose which device stands there and how high its antenna is.",
        ),
        radioField(keys, () => tryTwo()),
        result,
        h(
          "div",
          { class: "buttons" },
          h("button", { type: "button", id: "keep-check", onclick: () => meshKept.keep(app.engine.radio, sides) }, "Keep this check"),
        ),
        fields,
        landNote(),
      ],
      "Check two places: click the map to set A, then B.",
    );
    refresh();
    intoView(sides.map((one) => one.place));
  }

  /* ---- one site moved or raised ---- */
  function wireWarning(place, heightM) {
    const words = meshWires.words(place, heightM);
    return words ? h("p", { class: "refused", id: "wire-warning" }, words) : "";
  }

  function trySite(name) {
    const device = app.devices.get(name),
      home = latLng(device),
      keys = engineKeys(name);
    if (!keys.length) return app.say(`${name} has no radio in this plan to try.`);
    if (!keys.includes(app.engine.radio)) useRadio(keys[0]);
    if (keys.includes(app.radio) && !current) useRadio(app.radio);
    const base = app.ends.get(name),
      site = standing(name),
      atHome = { name, label: name, place: home, end: base };
    /* All that the plan sends over this site counts, whatever else is shown; beside it the strongest of the others. */
    const around = [...app.ends.keys()]
      .filter(
        (other) =>
          other !== name &&
          !(app.devices.get(other).role === "sensor" && device.role === "sensor") &&
          (app.devices.get(other).in_plan || app.devices.get(other).role === "sensor" || embedded(name, other)),
      )
      .map((other) => ({ ...standing(other), link: embedded(name, other) }));
    const marginOf = (trial) => (trial.now ? trial.now.marginDb : -999);
    const before = new Map(around.map((other) => [other.name, compute(atHome, planned(other.name))]));
    const byMargin = (p, q) => marginOf(before.get(q.name)) - marginOf(before.get(p.name)) || (p.name < q.name ? -1 : 1);
    const used = around.filter((other) => other.link && other.link.chosen),
      others = around.filter((other) => !(other.link && other.link.chosen)).sort(byMargin);
    /* A sensor without a route may gain by this site however weak its link is now, so each of them is counted. */
    const mayGain = (other) => [device, app.devices.get(other.name)].some((one) => one.role === "sensor" && !one.served);
    const partners = [...used, ...others.filter((other, i) => i < MOST_OTHERS || mayGain(other))];
    let shown = partners[0] && partners.reduce((weak, one) => (marginOf(before.get(one.name)) < marginOf(before.get(weak.name)) ? one : weak), partners[0]).name;
    const result = h("div", { id: "trial-result", "aria-live": "polite" }),
      box = meshChanges.takeOver();
    const put = (place) => {
      site.place = place;
      site.moved = place.distanceTo(home) > 0.3;
      marker.setLatLng(place);
      refresh();
    };
    enter("site", put);
    const marker = movable(site.place, "M", name, put),
      trail = L.polyline([home, home], { pane: "trial", color: "#23211c", weight: 2, dashArray: "2 6", interactive: false }).addTo(
        layer,
      );
    const lines = L.layerGroup().addTo(layer);
    const up = heightField("height-M", "Antenna height above ground, m", site.heightM, (metresUp) => {
      site.heightM = metresUp;
      refresh();
    });

    function refresh() {
      site.end = endAt(base, site.place, site.heightM, site.moved);
      trail.setLatLngs([home, site.place]);
      lines.clearLayers();
      const isChanged = site.moved || site.heightM !== base.antenna_agl_m;
      if (isChanged) changed.set(keyOf(name), { name, place: site.place, moved: site.moved, heightM: site.heightM });
      else changed.delete(keyOf(name));
      const refused = site.moved ? meshChanges.faultOfPlace(site.place) : "";
      const moved = site.moved ? `${metres(home.distanceTo(site.place))} away` : "at its place";
      const trials = partners.map((other) => ({ other, was: before.get(other.name), is: compute(site, other) }));
      const inPlan = ({ other }) => Boolean(other.link && other.link.chosen);
      trials.sort(
        (p, q) =>
          Number(inPlan(q)) - Number(inPlan(p)) ||
          (inPlan(p) ? 1 : -1) * (marginOf(p.is) - marginOf(q.is)) ||
          (p.other.name < q.other.name ? -1 : 1),
      );
      const cell = (trial) =>
        trial.unknown
          ? h("td", { colspan: 2 }, trial.unknown)
          : [h("td", {}, verdictBadge(app.verdicts.get(trial.verdict))), h("td", { class: "num" }, plain(trial.now.marginDb))];
      const effect = effectOn(trials, name);
      for (const { other, is } of trials) {
        if (is.unknown || !((other.link && other.link.chosen) || other.name === shown)) continue;
        const style = app.verdicts.get(is.verdict);
        L.polyline([site.place, other.place], { pane: "trial", interactive: false, color: "#fff", weight: 8 }).addTo(lines);
        L.polyline([site.place, other.place], {
          pane: "trial",
          interactive: false,
          color: style.colour,
          dashArray: style.dash || null,
          weight: 5,
        }).addTo(lines);
      }
      const rows = trials.slice(0, MOST_ROWS),
        hidden = trials.length - rows.length;
      result.replaceChildren(
        h(
          "p",
          {},
          h(
            "strong",
            { id: "trial-effect" },
            isChanged
              ? `${name} ${moved}, antenna ${height(site.heightM)} up: ${effectWords(effect)}.`
              : `${name} stands as planned. Move it or change its height.`,
          ),
        ),
        refused ? h("p", { class: "refused" }, refused) : "",
        wireWarning(site.place, site.heightM),
        table(
          "“Before” starts from the plan’s own figures; “now” adds what the change does. Links that the plan uses come first, the weakest on top." +
            (hidden ? ` ${count(hidden, "further link is", "further links are")} counted above and not listed.` : ""),
          [["To"], ["Before"], ["dB", "num"], ["Now"], ["dB", "num"]],
          rows.map(({ other, was, is }) =>
            h(
              "tr",
              { class: other.name === shown ? "now" : null, "data-partner": other.name },
              h(
                "th",
                { scope: "row" },
                h(
                  "button",
                  {
                    type: "button",
                    class: "plain",
                    "aria-pressed": String(other.name === shown),
                    onclick: () => {
                      shown = other.name;
                      refresh();
                    },
                  },
                  other.name,
                ),
                other.link && other.link.chosen ? h("div", { class: "small soft" }, "in plan") : null,
              ),
              cell(was),
              cell(is),
            ),
          ),
        ),
      );
      box.refresh({ ...site, name });
      const one = trials.find(({ other }) => other.name === shown);
      if (one && !one.is.unknown) showCut(one.is, site, one.other);
      else app.showSection(null);
    }
    app.view = refresh;
    app.tell(
      [
        meshViews.backRow(app, `Try ${name} elsewhere`),
        radioField(keys, () => trySite(name)),
        h("p", {}, "Drag the yellow mark, or click where the site should stand. Raise or lower its antenna here:"),
        up.element,
        h(
          "div",
          { class: "buttons" },
          h(
            "button",
            {
              type: "button",
              onclick: () => {
                site.heightM = base.antenna_agl_m;
                up.set(site.heightM);
                put(home);
              },
            },
            "Put it back",
          ),
        ),
        result,
        box.content,
        landNote(),
      ],
      `Trying ${name}: drag it or change its height.`,
    );
    refresh();
    intoView([site.place]);
  }

  const planned = (name) => ({ name, label: name, place: latLng(app.devices.get(name)), end: app.ends.get(name) });

  /* What a change does to sensors: a sensor has service as long as no link of one of its routes fails, and is as sure as the weakest
     link of its best route. Sensors without a route gain by a link of their own that is as sure as the plan asks. */
  function effectOn(trials, name) {
    const rank = { ample: 3, good: 2, "not sure": 1, thin: 1, failing: 0 };
    const verdictNow = new Map(),
      verdictBefore = new Map();
    for (const { other, was, is } of trials) {
      if (other.link) verdictNow.set(other.link.key, is.unknown ? "failing" : is.verdict);
      if (other.link) verdictBefore.set(other.link.key, was.unknown ? "failing" : was.verdict);
    }
    const usual = (key) => rank[(app.links.get(key) || { verdict: "failing" }).verdict] ?? 0;
    const level = (links, verdicts) => Math.min(...links.map((key) => (verdicts.has(key) ? rank[verdicts.get(key)] : usual(key))));
    const best = (route, verdicts) =>
      Math.max(level(route.links, verdicts), route.second_links.length ? level(route.second_links, verdicts) : 0);
    const effect = { lose: [], thin: [], gain: [] };
    for (const route of app.data.routes) {
      const touched = [...route.links, ...route.second_links].some((key) => verdictNow.has(key));
      if (!touched) continue;
      const was = best(route, verdictBefore),
        now = best(route, verdictNow);
      if (was > 0 && now === 0) effect.lose.push(route.sensor);
      else if (was > 1 && now === 1) effect.thin.push(route.sensor);
      else if (was < 2 && now > 1) effect.gain.push(route.sensor);
    }
    const served = new Set(app.data.routes.map((route) => route.sensor));
    const sensorOf = (other) => (app.devices.get(name).role === "sensor" ? name : other);
    for (const { other, was, is } of trials) {
      const sensor = sensorOf(other.name),
        collector = sensor === name ? other.name : name;
      if (served.has(sensor) || app.devices.get(sensor).role !== "sensor" || !app.devices.get(collector).in_plan) continue;
      const before = was.unknown ? 0 : rank[was.verdict],
        now = is.unknown ? 0 : rank[is.verdict];
      if (before < 2 && now > 1 && !effect.gain.includes(sensor)) effect.gain.push(sensor);
    }
    return effect;
  }
  const effectWords = ({ lose, thin, gain }) =>
    `${count(lose.length, "sensor loses", "sensors lose")} service, ${count(thin.length, "becomes", "become")} thin, ${count(gain.length, "gains", "gain")}`;

  return {
    start,
    compute,
    computeBare,
    effectOn,
    endAt,
    useRadio,
    enter,
    movable,
    heightField,
    standing,
    embedded,
    latLng,
    verdictOf,
    showCut,
    wireWarning,
    landNote,
    intoView,
    trialLayer: () => layer,
    UNKNOWN_WORDS,
  };
})();
