/* The page itself: builds the map from the plan's data, keeps what is chosen, and joins map, margin and section. */
"use strict";
const meshPage = (() => {
  const { h, metres, count, amount, chance, seasonWords, seasonTitle, wide } = meshParts;
  const data = JSON.parse(document.getElementById("plan-data").textContent);
  const map = window[data.map.name];
  const byId = (id) => document.getElementById(id);

  const app = {
    data,
    map,
    season: "",
    radio: "",
    engine: data.engine,
    engines: new Map((data.engine ? [data.engine, ...data.more_engines] : []).map((one) => [one.radio, one])),
    profiles: null,
    land: null,
    picked: null,
    verdicts: new Map(data.verdicts.map((style) => [style.name, style])),
    devices: new Map(data.devices.map((one) => [one.name, one])),
    links: new Map(data.links.map((one) => [one.key, one])),
    drawn: new Map(),
    markers: new Map(),
    layers: {},
    sum: (rows) => rows.reduce((total, [row, value]) => total + (data.items[row][1] ? -value : value), 0),
    say: (words) => {
      byId("live").textContent = words;
    },
    /* Of the radio shown, all where none is chosen. A device may carry two classes. */
    carries: (device, radio) => device.radio.split("+").includes(radio),
    hasRadio: (device) => !app.radio || app.carries(device, app.radio),
    ofRadio: (links) => (app.radio ? links.filter((link) => link.radio === app.radio) : links),
    radioTitle: (key) => (data.radios.find((one) => one.key === key) || { title: key }).title,
    canTry: () => Boolean(app.land),
    leaveTrial: () => {},
    trySite: () => {},
    tryAdd: () => {},
    tryTwo: () => {},
    showSection: null,
    placeOf: (device) => [device.lat_deg, device.lon_deg],
  };
  const layers = makeLayers(app),
    section = makeSection(app);
  const { styleLinks, iconOf, placeNames, showAll } = layers;
  const { showSection } = section;
  app.showSection = showSection;

  /* ---- what is chosen ---- */
  function pick(picked) {
    app.picked = picked;
    const lost = new Set(picked ? picked.lost : []),
      along = new Set(picked ? picked.along : []);
    map.getContainer().classList.toggle("dimmed", Boolean(picked));
    for (const [name, marker] of app.markers) {
      const device = app.devices.get(name),
        wasLost = marker.options.lost || false;
      if (wasLost !== lost.has(name)) {
        marker.options.lost = lost.has(name);
        marker.setIcon(iconOf(device, lost.has(name)));
        marker.fire("add");
      }
      const element = marker.getElement();
      if (!element) continue;
      element.classList.toggle("chosen", Boolean(picked) && picked.name === name);
      element.classList.toggle("along", along.has(name) && picked.name !== name);
    }
    styleLinks();
    if (app.gather) app.gather.again();
    placeNames();
  }

  function tell(content, words, { focus = true } = {}) {
    const ledger = byId("ledger");
    ledger.replaceChildren(...[content].flat(Infinity).filter(Boolean));
    ledger.scrollTop = 0;
    byId("panel").scrollTop = 0;
    app.say(words);
    const title = ledger.querySelector(".view-title");
    if (focus && title) title.focus({ preventScroll: true });
  }

  /* The whole plan opens on the section of what is most in doubt, where there is room for both. */
  function openingCut() {
    if (!wide() || section.isUnwanted()) return null;
    const link = meshViews.doubtful(app),
      cut = link && meshViews.linkCut(app, link);
    return cut && { ...cut, opening: true, title: `Most in doubt: ${link.a} to ${link.b}` };
  }

  app.showOverview = (options) => {
    app.view = () => app.showOverview({ focus: false });
    app.leaveTrial();
    pick(null);
    showSection(openingCut());
    tell(meshViews.overview(app), "The whole plan.", options);
    if (!options || options.focus !== false) byId("ledger").focus({ preventScroll: true });
  };
  app.showSite = (name, options) => {
    const device = app.devices.get(name),
      route = data.routes.find((one) => one.sensor === name),
      own = data.links.filter((link) => link.chosen && (link.a === name || link.b === name)).map((link) => link.key);
    const lost = device.role === "sensor" ? [] : data.loses_service[name] || [];
    app.view = () => app.showSite(name, { focus: false });
    app.leaveTrial();
    if (!app.markers.get(name)._map) {
      app.layers.spares.addTo(map);
      const box = document.querySelector("[data-layer=spares]");
      if (box) box.checked = true;
    }
    pick({
      name,
      links: route ? [...route.links, ...route.second_links] : own,
      along: route ? [...route.devices, ...route.second_devices] : [],
      lost,
    });
    showSection(null);
    tell(
      meshViews.siteView(app, name),
      `${name}: ${route ? `route by ${route.devices.slice(1).join(", ")}` : device.role !== "sensor" ? `if it fails, ${lost.length ? count(lost.length, "sensor loses", "sensors lose") : "no sensor loses"} service` : "no route"}.`,
      options,
    );
    if (!map.getBounds().pad(-0.05).contains(app.placeOf(device))) map.panTo(app.placeOf(device));
  };
  app.showLink = (key, options) => {
    const link = app.links.get(key),
      now = meshViews.seen(app, link);
    app.view = () => app.showLink(key, { focus: false });
    app.leaveTrial();
    const group = layers.groupOf(link);
    if (group !== "links" && !map.hasLayer(app.layers[group])) {
      app.layers[group].addTo(map);
      const box = document.querySelector(`[data-layer=${group}]`);
      if (box) box.checked = true;
    }
    pick({ name: "", links: [key], along: [link.a, link.b], lost: [] });
    showSection(meshViews.linkCut(app, link));
    tell(meshViews.linkView(app, key), `Link ${link.a} to ${link.b}: ${now.verdict}, works in ${chance(now.chance)}.`, options);
    const bounds = L.latLngBounds([app.placeOf(app.devices.get(link.a)), app.placeOf(app.devices.get(link.b))]);
    if (!map.getBounds().contains(bounds)) map.fitBounds(bounds.pad(0.25), { maxZoom: map.getZoom() });
  };
  app.pick = pick;
  app.tell = tell;
  app.placeNames = placeNames;

  /* ---- tools ---- */
  /* The line below the title: counts, as the season shown has them. */
  function tellState() {
    const sensors = data.devices.filter((one) => one.role === "sensor").map((one) => meshSeason.inSeason(app, one)),
      served = sensors.filter((one) => one.served).length;
    const used = (role) => data.devices.filter((one) => one.role === role && one.in_plan).length;
    byId("state").replaceChildren(
      app.season ? `${seasonTitle(app.season)}: ` : "",
      h("strong", {}, `${served} of ${count(sensors.length, "sensor", "sensors")} ${app.season ? "reached" : "served"}`),
      data.single_routes.length ? `, ${data.single_routes.length} of them without the second route that was asked for,` : "",
      ` by ${count(used("gateway"), "gateway", "gateways")}${used("relay") ? ` and ${count(used("relay"), "relay", "relays")}` : ""}, ${amount(data.proof.cost, data.currency)}.`,
    );
    const doubtful = sensors.filter((one) => one.served && !["ample", "good"].includes(one.verdict));
    if (doubtful.length) {
      const unsure = doubtful.filter((one) => one.verdict === "not sure").length;
      byId("state").append(
        ` ${count(doubtful.length, "of them rests", "of them rest")} on a link that is ${unsure === doubtful.length ? "not sure" : unsure ? "thin or not sure" : "thin"}: test it first.`,
      );
    }
  }

  function fillHead() {
    byId("title").textContent = data.property_name;
    if (data.calibrated) {
      byId("kind-of-sheet").textContent = "Radio network plan, calibrated by readings";
      byId("kind-of-sheet").classList.add("telling");
    }
    tellState();
    const choose = byId("season");
    choose.append(
      h("option", { value: "" }, "Worst season"),
      ...data.seasons.map((season) => h("option", { value: season.name }, seasonTitle(season.name))),
    );
    if (data.seasons.length < 2) choose.closest(".choice").hidden = true;
    const radio = byId("radio");
    radio.append(
      h("option", { value: "" }, "All radios"),
      ...data.radios.map((one) => h("option", { value: one.key }, one.title)),
    );
    if (data.radios.length < 2) radio.closest(".choice").hidden = true;
    radio.addEventListener("change", () => {
      app.radio = radio.value;
      const inTrial = app.picking;
      layers.showRadio();
      app.gather.again();
      if (inTrial) app.showOverview();
      else app.view();
      const links = app.ofRadio(data.links.filter((link) => link.chosen)).length;
      app.say(
        radio.value
          ? `Shown: ${app.radioTitle(radio.value)}, ${count(links, "link", "links")} of the plan. Sites without it are pale.`
          : "All radios shown.",
      );
    });
    choose.addEventListener("change", () => {
      app.season = choose.value;
      layers.showSeason();
      if (app.canTry()) meshKept.draw();
      app.gather.again();
      tellState();
      app.view();
      app.say(choose.value ? `Season shown: ${seasonWords(choose.value)}.` : "Each link in its worst season.");
    });
    byId("search-names").append(...data.devices.map((one) => h("option", { value: one.name })));
    byId("search").addEventListener("submit", (event) => {
      event.preventDefault();
      find(byId("search-name").value);
    });
    byId("search-name").addEventListener("change", () => {
      if (app.devices.has(byId("search-name").value)) find(byId("search-name").value);
    });
    byId("print").addEventListener("click", () => window.print());
    byId("locate").addEventListener("click", locate);
    const dialog = byId("help");
    dialog.append(...meshViews.help(app, () => dialog.close()).flat().filter(Boolean));
    byId("open-help").addEventListener("click", () => {
      dialog.showModal();
      byId("help-title").focus();
    });
  }

  function find(words) {
    const wanted = words.trim().toLocaleLowerCase();
    if (!wanted) return app.say("Write the name of a site, or a part of it.");
    const names = [...app.devices.keys()],
      hit =
        names.find((name) => name.toLocaleLowerCase() === wanted) ||
        names.find((name) => name.toLocaleLowerCase().includes(wanted));
    if (!hit) return app.say(`No site is called “${words}”.`);
    app.showSite(hit);
    map.setView(app.placeOf(app.devices.get(hit)), Math.max(map.getZoom(), 16));
  }

  function locate() {
    const explain = (why) =>
      app.say(`Your position is not available: ${why} Every site has a link that opens it in the map program of your phone.`);
    if (!window.isSecureContext || !navigator.geolocation) return explain("this browser gives none to a page opened this way.");
    app.say("Asking for your position…");
    navigator.geolocation.getCurrentPosition(
      ({ coords }) => {
        const place = [coords.latitude, coords.longitude];
        if (app.here) app.here.remove();
        app.here = L.layerGroup([
          L.circle(place, {
            radius: coords.accuracy,
            pane: "here",
            color: "#23211c",
            weight: 1,
            fillOpacity: 0.1,
            interactive: false,
          }),
          L.circleMarker(place, {
            pane: "here",
            radius: 7,
            color: "#fff",
            weight: 3,
            fillColor: "#23211c",
            fillOpacity: 1,
            interactive: false,
          }),
        ]).addTo(map);
        const inside = L.latLngBounds(data.map.bounds).contains(place);
        if (inside) map.panTo(place);
        const nearest = data.devices
          .filter((one) => app.markers.get(one.name)._map)
          .map((one) => [map.distance(place, app.placeOf(one)), one.name]).sort((a, b) => a[0] - b[0])[0];
        app.say(
          `You are known within ${metres(coords.accuracy)}. ${inside ? "" : "You are off this sheet. "}The nearest site is ${nearest[1]}, ${metres(nearest[0])} away.`,
        );
      },
      (error) => explain(error.code === 1 ? "it was not allowed." : "the device did not find it."),
      { enableHighAccuracy: true, timeout: 15000 },
    );
  }

  async function start() {
    layers.addPanes();
    window[data.map.relief].addTo(map);
    for (const name of data.map.coverage) map.removeLayer(window[name]);
    map.setView(L.latLngBounds(data.map.bounds).getCenter(), 15);
    if (meshLand.canUnpack()) {
      const [profiles, contours, land] = await Promise.all([
        meshLand.openProfiles(data.profiles),
        meshLand.openContours(data.contours),
        data.engine ? meshLand.openLand(data.terrain, data.engine) : null,
      ]);
      app.profiles = profiles;
      app.land = land;
      layers.addContours(contours);
    }
    layers.addCover();
    layers.addWires();
    layers.addLinks();
    layers.addSites();
    layers.addMeasured();
    layers.addTiles();
    layers.addLens();
    app.reach = makeReach(app);
    app.reach.start();
    makeKey(app).fillLegend();
    makePanel(app).start();
    fillHead();
    meshChanges.start(app);
    meshTrial.start(app);
    meshAdd.start(app);
    meshKept.start(app);
    app.showOverview({ focus: false });
    map.invalidateSize();
    showAll(false);
    layers.bound();
    app.gather = makeGather(app);
    app.gather.start();
    app.say(
      meshLand.canUnpack()
        ? ""
        : "This browser is too old to unpack the land: contours, sections and trials are missing. All figures are here.",
    );
    map.on("click", () => {
      if (!app.picking && app.picked) app.showOverview({ focus: false });
    });
    window.addEventListener("resize", () => {
      section.redraw();
    });
    const fit = () => {
      map.invalidateSize({ pan: false, animate: false });
      showAll(false);
      section.redraw();
    };
    if (window.parent !== window) {
      /* A frame may get its size after the page has run: fit to it until somebody takes hold of the map. */
      const watch = new ResizeObserver(fit);
      watch.observe(map.getContainer());
      for (const kind of ["pointerdown", "keydown", "wheel"]) {
        window.addEventListener(kind, () => watch.disconnect(), { once: true, capture: true });
      }
    }
    window.addEventListener("beforeprint", () => {
      for (let shut; (shut = [...document.querySelectorAll("details.more:not([open])")]).length; )
        for (const one of shut) {
          if (one.fill) one.fill();
          one.open = true;
        }
      byId("legend").open = true;
      fit();
    });
    /* The paper's size holds only once its style does. */
    window.matchMedia("print").addEventListener("change", fit);
    window.addEventListener("afterprint", () => {
      fit();
    });
    app.readyAt = performance.now();
    document.documentElement.dataset.ready = "yes";
  }
  start();
  return app;
})();
