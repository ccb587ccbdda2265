/* The desk: what is on the sheet, in the card and in the field book follows the folder; every change is a step on its files. */
"use strict";
const meshDesk = (() => {
  const { h, amount, count, plain, kindWords } = meshParts;
  const byId = (id) => document.getElementById(id);
  const SHIFT_M = 6,
    INK_STORE = "meshplan-ink",
    USES = { search_ground: "ground to search" };
  let told = { sites: [], files: {}, steps: [], place: 0, faults: [], settings: {}, shapes: [] },
    columns = [],
    terms = [],
    coverColumns = [],
    kinds = [],
    lists = {},
    chosenMark = "",
    chosen = "",
    reading = null,
    plan = null,
    ink = null,
    inkedNow = null,
    lastTerm = "";

  const find = (name) => told.sites.find((site) => site.values.name === name);
  const shapeAt = (edit) => (told.shapes || []).find((shape) => shape.file === edit.file && shape.feature === edit.feature);
  const nameOf = (shape) => shape.values.name || kindWords(shape.values.kind || USES[shape.use] || shape.use);
  const said = (words) => words.slice(0, 200);
  const still = () => window.matchMedia("(prefers-reduced-motion: reduce)").matches;

  const desk = {
    things: () => told.sites,
    shapes: () => told.shapes || [],
    settings: () => told.settings,
    folder: () => told.folder || "FOLDER",
    clock: () => told.clock || 0,
    columns: () => columns,
    terms: () => terms,
    coverColumns: () => coverColumns,
    chosen: () => chosen,
    chosenShape: () => desk.shapes().find((shape) => shape.mark === chosenMark),
    planned: () => plan,
    still,
    find,
    distance: (a, b) => sheet.map().distance(a, b),
    map: () => sheet.map(),
    startPlace: () => told.where || null,
    hasGround: () => Boolean((told.files.elevation || []).length),
    say: (words) => {
      byId("state").textContent = words;
    },
    hint: (words) => sheet.hint(words),
    pencil: () => pencil,
    draft: () => draft,
    signs: () => signs,
    card: () => card,
    setting: () => Boolean(signs.taken()),
    layBack: () => signs.layBack(),
    layDown: () => sheet.layDown(),
    light: (names) => sheet.light(names),
    job: (kind) => {
      handout.show();
      handout.start(kind);
    },
    listOf: (key) => (lists[key] ? `list-${key}` : null),
    pictures: (map) => pictures.onMap(map),
    kindOf: (shape) =>
      shape.values.kind === "building" && shape.geometry && shape.geometry.type === "LineString" ? "wall" : shape.values.kind,
    colourOf: (shape) => (kinds.find((kind) => kind.name === shape.values.kind) || { colour: "#b9ad95" }).colour,
    useWords: (use) =>
      ({
        sites: "sites",
        cover: "what stands on the land",
        boundary: "the boundary",
        search_ground: "ground to search",
        elevation: "heights of the land",
      })[use] || use.replaceAll("_", " "),
    filesOf: () => Object.entries(told.files).flatMap(([use, list]) => list.map((one) => [desk.useWords(use), one])),
    /* A file came into the folder: what it changes is read, and the ground under the sheet looked at. */
    arrived: async () => {
      await read();
      await pictures.look();
    },
    isBegun: () => !told.new,
    beginAgain: () => beginning.show(),
    reach: () => pictures,
    readings: () => handout.showReadings(),
    pin: (one) => pictures.pin({ held: one.held, file: one.name }),
    pinning: () => pictures.pinning(),
    pinned: (at) => pictures.placed(at),
    tiles: () => told.tiles || null,
    showGround: (picture) => sheet.showGround(picture),
    tellGround: (words) => desk.say([words, beginning.next()].filter(Boolean).join(" ")),

    /* ---- what is chosen ---- */
    choose,
    chooseShape: (shape, options) => {
      chosen = "";
      chosenMark = shape.mark;
      card.showShape(shape, options);
      sheet.mark("");
      pencil.show();
      if (!options || options.focus !== false) desk.pane("card");
    },
    showChosen: () => {
      const shape = desk.chosenShape();
      if (shape) card.showShape(shape, { focus: false });
      else if (find(chosen)) card.show(find(chosen), { focus: false });
      else card.none();
    },
    aside: () => {
      if (sheet.app()) sheet.closeSection();
      chosen = chosenMark = "";
      pencil.show();
      sheet.mark("");
      card.again();
      byId("ledger").focus({ preventScroll: true });
    },
    pane,
    showSheet: () => {
      if (window.matchMedia("(max-width: 860px)").matches) byId("sheet").scrollIntoView({ block: "nearest" });
    },
    onPlan: (thing) => {
      const device = sheet.deviceOf(thing.values.name);
      if (!device) return "";
      const box = h("details", { class: "on-plan", "data-fold": "plan" }, h("summary", {}, "What the plan says of it"));
      let filled = false;
      box.addEventListener("toggle", () => {
        if (!filled) box.append(...meshViews.siteView(sheet.app(), device.name).slice(1).flat(Infinity).filter(Boolean));
        filled = true;
      });
      return box;
    },
    searched: () => {
      const column = terms.find((one) => one.key === "generate_relays"),
        was = told.settings.generate_relays;
      return card.blank(column, was === undefined ? "" : String(was), {
        prefix: "search",
        changed: (value) => desk.termed(column, meant(column, value), was === undefined ? null : was),
      });
    },
    titleOf: (shape) => nameOf(shape)[0].toUpperCase() + nameOf(shape).slice(1),
    measured: (shape) => {
      const corners = pencil.cornersOf(shape.geometry);
      if (!corners || !sheet.map()) return "Of several parts; bent in a map program.";
      const closed = shape.geometry.type === "Polygon";
      const size = closed ? `An area of ${snap.areaWords(snap.area(corners))}` : `A line of ${plain(snap.length(corners))} m`;
      return `${size}, ${count(corners.length, "corner", "corners")}.`;
    },

    /* ---- places ---- */
    moved: (name, at, metres) => {
      const thing = find(name);
      if (!thing) return;
      const was = Object.fromEntries(
        ["lon_deg", "lat_deg", "x_m", "y_m"].filter((key) => key in thing.values).map((key) => [key, thing.values[key]]),
      );
      step(`${name} moved ${metres.toFixed(metres < 10 ? 1 : 0)} m`, [
        { what: "site.set", file: thing.file, name, place: { lon_deg: at.lng, lat_deg: at.lat }, was },
      ]).then(() => sheet.layDown());
    },
    filled: (thing, column, value) => {
      const name = thing.values.name,
        renamed = column.key === "name";
      if (renamed) chosen = value;
      const before = ink;
      if (renamed && ink && value) keepInk(meshInk.renamed(ink, name, value));
      step(`${name}: ${column.title.toLowerCase()} ${value || "emptied"}`, [
        {
          what: "site.set",
          file: thing.file,
          name,
          values: { [column.key]: value },
          was: column.key in thing.values ? { [column.key]: thing.values[column.key] } : {},
        },
      ]).then((done) => {
        if (!done && renamed) {
          chosen = name;
          keepInk(before);
        }
      });
    },
    added: (role, at) => {
      const name = freeName(role[0].toUpperCase() + role.slice(1));
      addSites(`${name} set on the sheet`, [{ values: { name, role }, at }]);
    },
    copied: (thing) => {
      const at = L.latLng(thing.place.lat_deg, thing.place.lon_deg),
        values = Object.fromEntries(
          Object.entries(thing.values).filter(([key]) => !["lon_deg", "lat_deg", "x_m", "y_m"].includes(key)),
        ),
        name = freeName(`${thing.values.name.replace(/ \d+$/, "")}`.slice(0, 70));
      addSites(`${name} copied from ${thing.values.name}`, [
        { values: { ...values, name }, at: snap.moved(at, SHIFT_M, -SHIFT_M), file: thing.file },
      ]);
    },
    dropped: (thing) => {
      chosen = "";
      step(`${thing.values.name} rubbed out`, [{ what: "site.drop", file: thing.file, name: thing.values.name }]);
    },

    /* ---- shapes ---- */
    bent: (shape, geometry, words) => {
      shapeStep(
        `${nameOf(shape)}: ${words}`,
        { what: "shape.draw", file: shape.file, feature: shape.feature, mark: shape.mark, geometry },
        shape,
      ).then(() => sheet.layDown());
    },
    shapeFilled: (shape, column, value) =>
      shapeStep(
        `${nameOf(shape)}: ${column.title.toLowerCase()} ${value || "emptied"}`,
        {
          what: "shape.set",
          file: shape.file,
          feature: shape.feature,
          mark: shape.mark,
          values: { [column.key]: meant(column, value) },
        },
        shape,
      ),
    shapeDropped: (shape) => {
      chosenMark = "";
      step(`${nameOf(shape)} rubbed out`, [
        { what: "shape.drop", use: shape.use, file: shape.file, feature: shape.feature, mark: shape.mark },
      ]);
    },
    shapeCopied: (shape) => {
      const values = shape.values.name ? { ...shape.values, name: said(`${shape.values.name} copy`) } : { ...shape.values };
      addShape(`${nameOf(shape)} copied`, {
        what: "shape.add",
        use: shape.use,
        file: shape.file,
        values,
        geometry: pencil.copyOf(shape.geometry),
      });
    },
    parted: (shape, first, second) => {
      const values = shape.values.name ? { ...shape.values, name: said(`${shape.values.name} 2`) } : { ...shape.values };
      step(`${nameOf(shape)} cut in two`, [
        { what: "shape.draw", file: shape.file, feature: shape.feature, mark: shape.mark, geometry: first },
        { what: "shape.add", use: shape.use, file: shape.file, values, geometry: second },
      ]).then((done) => {
        const now = shapeAt(shape);
        if (done && now) desk.chooseShape(now, { focus: false });
      });
    },
    drawn: (kind, geometry) => {
      signs.layBack();
      const use = { boundary: "boundary", search: "search_ground" }[kind.name] || "cover";
      const file = (told.files[use] || []).find((one) => !one.why_not),
        values = use === "cover" ? { kind: kind.name, ...(geometry.type === "LineString" ? kind.values || {} : {}) } : {};
      addShape(`${kind.words || kindWords(kind.name)} drawn`, {
        what: "shape.add",
        use,
        values,
        geometry,
        ...(file ? { file: file.file } : {}),
      });
    },

    /* ---- conditions, ink, faults ---- */
    termed: (column, value, was) => {
      lastTerm = column.key;
      return step(`${column.title.toLowerCase()}: ${value === null ? "as usual" : value}`, [
        { what: "key.set", key: column.key, value, was },
      ]);
    },
    inked: (data, chanceOf) => {
      if (!ink || !Object.keys(ink.routes).length || meshInk.same(ink, data)) {
        keepInk(meshInk.taken(data));
        inkedNow = null;
        return { data, lines: [], places: [], served: data.routes.map((route) => route.sensor).sort() };
      }
      inkedNow = meshInk.over(data, ink, chanceOf);
      return inkedNow;
    },
    inkIt: () => {
      if (!plan) return;
      keepInk(meshInk.taken(plan));
      sheet.draw(plan).then(() => slipFor("Inked in"));
      desk.say("What was in pencil is inked in; the plan is written beside it.");
      deskWire.tell("/do/ink").catch((error) => desk.say(error.message));
    },
    complain,
    read,
    begun: () => files.show({ focus: true }),
  };

  const snap = makeSnap(desk);
  desk.snap = snap;
  const pencil = makePencil(desk),
    draft = makeDraft(desk),
    sheet = makeSheet(desk),
    signs = makeSigns(desk),
    card = makeCard(desk),
    sheetTerms = makeTerms(desk, card),
    slip = makeSlip(desk),
    book = makeBook(desk),
    files = makeFiles(desk, card),
    pictures = makePictures(desk, card),
    handout = makeHandout(desk, card),
    beginning = makeBegin(desk, card, files);

  function keepInk(fresh) {
    ink = fresh;
    try {
      if (ink) sessionStorage.setItem(INK_STORE, JSON.stringify(ink));
    } catch {
      return;
    }
  }

  const meant = (column, text) => {
    const words = text.trim();
    if (!words) return null;
    return ["number", "whole number"].includes(column.kind) && /^[-+]?(\d+\.?\d*|\.\d+)$/.test(words) ? Number(words) : words;
  };
  function freeName(stem) {
    const names = new Set(told.sites.map((site) => site.values.name.toLowerCase()));
    let number = 1;
    while (names.has(`${stem} ${number}`.toLowerCase())) number += 1;
    return `${stem} ${number}`;
  }

  function addSites(words, places) {
    const file = (told.files.sites || []).find((one) => !one.why_not);
    const edits = places.map(({ values, at, file: own }) => ({
      what: "site.add",
      ...(own || file ? { file: own || file.file } : {}),
      values,
      place: { lon_deg: at.lng, lat_deg: at.lat },
    }));
    if (places.length === 1) chosen = places[0].values.name;
    chosenMark = "";
    return step(words, edits).then((done) => {
      if (done && places.length === 1 && find(chosen)) {
        choose(chosen, { focus: false });
        pane("card");
      }
      return done;
    });
  }
  async function addShape(words, edit) {
    const had = new Set(desk.shapes().map((shape) => shape.mark));
    const done = await step(words, [edit]);
    const fresh = desk.shapes().find((shape) => !had.has(shape.mark));
    if (done && fresh) desk.chooseShape(fresh);
  }
  /* A changed shape has a new mark; it stays chosen where it stands in its file. */
  async function shapeStep(words, edit, shape) {
    const done = await step(words, [edit]);
    const now = shapeAt(shape);
    if (done && now && chosenMark) chosenMark = now.mark;
    if (done && now && ["shape", "none"].includes(card.what())) desk.chooseShape(now, { focus: false });
    else pencil.show();
  }

  function choose(name, options) {
    const thing = find(name) || told.sites.find((site) => name.startsWith(`${site.values.name} (`));
    if (!thing) {
      desk.say(`${name} was found by the planner; it stands in no file.`);
      return;
    }
    if (sheet.app() && sheet.app().picked) sheet.closeSection();
    chosen = thing.values.name;
    chosenMark = "";
    pencil.show();
    card.show(thing, options);
    sheet.mark(chosen);
    if (!options || options.focus !== false) pane("card");
  }

  /* ---- steps ---- */
  async function step(words, edits, over) {
    book.close();
    try {
      await deskWire.tell("/do/step", { words: said(words), do: edits, ...(over ? { over } : {}) });
      complain([]);
      await read();
      return true;
    } catch (error) {
      if (!error.status) throw error;
      await read({ keepCard: true });
      const faults = error.faults.length ? error.faults : [{ problem: error.message, fix: "", where: "" }];
      if (error.status === 409) between(words, edits, faults, error.choices);
      else complain(faults);
      return false;
    }
  }

  /* What can be done where somebody else was first is for the server to say. */
  function between(words, edits, faults, choices) {
    book.chooseBetween({
      faults,
      choices,
      over: () => step(words, edits, "mine"),
      beside: () => step(`${words}, beside theirs`, edits, "both"),
      leave: () => read(),
    });
  }

  function complain(faults) {
    const rest = card.complain(faults),
      box = byId("faults");
    const lines = [...rest, ...(told.faults || [])];
    box.hidden = !lines.length;
    box.replaceChildren(
      h("h2", {}, rest.length ? "Not written" : "What the readers say"),
      h(
        "ul",
        {},
        lines.map((fault) =>
          h(
            "li",
            {},
            fault.where ? h("strong", {}, `${fault.where}: `) : null,
            `${fault.problem}. ${fault.fix} `,
            jumpTo(fault) ? h("button", { type: "button", class: "plain", onclick: jumpTo(fault) }, "Show it") : null,
          ),
        ),
      ),
    );
    if (faults.length) slip.title(`Not written: ${count(faults.length, "fault", "faults")}`);
  }
  function jumpTo(fault) {
    if (fault.file === "property.toml" && fault.key) return () => sheetTerms.open(fault.key);
    const thing = fault.row && told.sites.find((site) => site.file === fault.file && site.row === fault.row);
    return thing ? () => choose(thing.values.name) : null;
  }

  /* The folder as it is; questions that come while one is under way wait for one more. */
  function read(options = {}) {
    if (!reading) {
      reading = fetchSheet(options).finally(() => {
        reading = null;
      });
      return reading;
    }
    return reading.then(() => read(options));
  }

  async function fetchSheet({ keepCard = false } = {}) {
    told = { shapes: [], ...(await deskWire.ask("/ask/sheet")) };
    const name = (told.settings && told.settings.name) || told.folder;
    byId("folder").textContent = told.folder;
    byId("title").textContent = byId("strap-title").textContent = name;
    document.title = `${name}: working sheet`;
    book.show(told);
    signs.counts();
    if (!sheet.busy()) sheet.places();
    pencil.show();
    sheetTerms.digest();
    byId("blank-note").hidden = Boolean(plan) || desk.hasGround();
    byId("blank-note").textContent = "Blank paper. There is no ground yet.";
    if (told.new) {
      if (card.what() !== "begin") beginning.show();
      pane("card");
      return;
    }
    if (!keepCard && !book.isOpen()) {
      const busy = byId("margin").contains(document.activeElement) && document.activeElement.id;
      if (card.what() === "terms") sheetTerms.show();
      else if (["none", "thing", "shape"].includes(card.what())) desk.showChosen();
      if (card.what() === "places") listPlaces({ focus: false });
      if (busy && byId(busy)) byId(busy).focus({ preventScroll: true });
      complain([]);
    }
    if (!plan) desk.say(beginning.next());
  }

  function listPlaces(options = { focus: true }) {
    const row = (words, what, act) => h("li", {}, h("button", { type: "button", class: "plain", onclick: act }, words), ` ${what}`);
    card.showView(
      [
        h("h2", {}, "All places and shapes"),
        h(
          "ul",
          { id: "place-list" },
          told.sites.map((site) => row(site.values.name, site.values.role || "", () => choose(site.values.name))),
        ),
        h(
          "ul",
          { id: "shape-list" },
          desk
            .shapes()
            .map((shape) => row(nameOf(shape), `${shape.file}, feature ${shape.feature}`, () => desk.chooseShape(shape))),
        ),
      ],
      "List",
      "places",
      options,
    );
  }

  /* ---- the plan ---- */
  const slipNow = { served: null, cost: null };
  function slipFor(title) {
    if (!plan || !told.strip) return;
    const app = sheet.app();
    const data = app ? app.data : plan,
      sensors = data.devices.filter((one) => one.role === "sensor").map((one) => one.name),
      served = data.devices.filter((one) => one.role === "sensor" && one.served).map((one) => one.name),
      used = [...data.links.filter((link) => link.chosen), ...((inkedNow && inkedNow.kept) || [])],
      had = slipNow.served;
    const cost = inkedNow ? ink.cost : plan.proof.cost;
    const weakest = used.reduce((weak, link) => (!weak || (link.chance ?? -1) < (weak.chance ?? -1) ? link : weak), null);
    const lost = had ? had.filter((name) => sensors.includes(name) && !served.includes(name)) : [],
      gained = had ? served.filter((name) => !had.includes(name)) : [];
    const without = sensors.filter((name) => !served.includes(name)),
      lacking = without.length ? `without a route: ${without.join(", ")}` : "all of them";
    const pencilServed = plan.routes.length,
      places = inkedNow ? inkedNow.places : [];
    const words = places.length ? `with ${places.join(", ")}` : "by other routes";
    slip.show({
      title: had ? title : "The plan as it is",
      strip: told.strip,
      inked: {
        served: served.length,
        of: sensors.length,
        lost,
        gained,
        cost,
        wasCost: slipNow.cost,
        weakest,
        first: !had,
        lacking,
      },
      pencil: inkedNow ? { served: pencilServed, cost: plan.proof.cost, words } : null,
    });
    const effect = [
      lost.length ? `−${count(lost.length, "sensor", "sensors")}` : "",
      gained.length ? `+${count(gained.length, "sensor", "sensors")}` : "",
      slipNow.cost !== null && Math.abs(cost - slipNow.cost) >= 0.005
        ? `${cost > slipNow.cost ? "+" : "−"}${amount(Math.abs(cost - slipNow.cost), told.strip.cost.currency)}`
        : "",
      inkedNow ? "pencil" : "",
    ].filter(Boolean);
    const newest = told.steps[told.place - 1];
    if (newest && had) {
      book.effect(newest.number, effect.join(", ") || "=");
      book.show(told);
    }
    if (lastTerm) sheetTerms.effect(lastTerm, `What it did: ${effect.join(", ") || "nothing changed"}.`);
    lastTerm = "";
    slipNow.served = served;
    slipNow.cost = cost;
  }

  async function draw() {
    const data = await deskWire.ask("/ask/plan");
    if (!data.map) {
      return;
    }
    plan = data;
    await sheet.draw(data);
    byId("open-trial").hidden = !sheet.app() || !sheet.app().canTry();
    document.body.classList.add("has-plan");
  }

  const newestWords = () => (told.place && told.steps[told.place - 1] ? `What “${told.steps[told.place - 1].words}” did` : "");

  async function heard(kind, data) {
    if (kind === "hello" && data.whole) await Promise.all([read(), draw()]).then(() => slipFor());
    if (kind === "step") {
      await read();
      const names = data.step ? data.step.files : [];
      if (names.some((name) => !/\.(csv|tsv|geojson|json)$/i.test(name)) || !plan) await pictures.look();
    }
    if (kind === "stage") slip.working(data.stage);
    if (kind === "seeking") slip.seeking(data);
    if (kind === "links") {
      slip.touched(data);
      sheet.touched(data.touched);
    }
    if (kind === "plan") {
      told.strip = data.strip;
      await draw();
      slipFor(newestWords());
      if (card.what() === "thing") desk.showChosen();
    }
    if (kind === "faults") {
      slip.none(data.faults);
      plan = plan && sheet.app() ? plan : null;
    }
    if (kind === "job") handout.heard(data);
    if (kind === "tiles") location.reload();
    if (kind === "shut") {
      document.body.classList.add("shut");
      desk.say(
        data.words ||
          `The desk is closed. The folder is as the last line of the book says. Start it again: meshplan open ${told.folder || ""}`,
      );
    }
    if (kind === "waiting") desk.say("The desk does not answer; asking again …");
  }

  function pane(name) {
    document.body.dataset.pane = name;
    for (const one of document.querySelectorAll("#bar button")) one.setAttribute("aria-pressed", String(one.dataset.pane === name));
    byId("panel").scrollTop = 0;
    if (sheet.map()) sheet.map().invalidateSize({ pan: false });
  }

  async function start() {
    byId("open-files").addEventListener("click", () => files.show());
    byId("open-picture").addEventListener("click", () => pictures.show());
    byId("open-hand-out").addEventListener("click", () => handout.show());
    byId("open-places").addEventListener("click", () => listPlaces());
    byId("open-terms").addEventListener("click", () => sheetTerms.open());
    for (const one of document.querySelectorAll("#bar button")) one.addEventListener("click", () => pane(one.dataset.pane));
    pane("key");
    book.start();
    files.listen();
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && sheet.app() && (sheet.app().picked || sheet.app().picking)) sheet.closeSection();
    });
    try {
      ink = JSON.parse(sessionStorage.getItem(INK_STORE) || "null");
    } catch {
      ink = null;
    }
    try {
      await deskWire.enter();
      const forms = await deskWire.ask("/ask/forms");
      columns = forms.tables.site;
      coverColumns = forms.tables.cover;
      terms = forms.tables.settings;
      kinds = forms.kinds;
      const begin = await deskWire.ask("/ask/begin");
      lists = begin.lists;
      for (const [key, list] of Object.entries(lists))
        document.body.append(
          h(
            "datalist",
            { id: `list-${key}` },
            list.map((one) => h("option", { value: one.name }, one.title || "")),
          ),
        );
      signs.fill(kinds);
      card.none();
      await read();
      sheet.blank();
      await draw();
      slipFor();
      await pictures.look();
      await handout.look();
      deskWire.listen(heard);
      document.documentElement.dataset.ready = "yes";
    } catch (error) {
      document.body.classList.add("shut");
      desk.say(error.message);
    }
  }
  start();
  return desk;
})();
