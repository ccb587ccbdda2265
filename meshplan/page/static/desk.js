/* The desk: what is on the sheet, in the card and in the field book follows the folder; every change is a step on its files. */
"use strict";
const meshDesk = (() => {
  const { h, roleSign, amount, chance, count, plain, kindWords } = meshParts;
  const byId = (id) => document.getElementById(id);
  const SIGNS = [
    ["sensor", "sensor"],
    ["gateway", "gateway place"],
    ["relay", "relay place"],
  ];
  let told = { sites: [], files: {}, steps: [], place: 0, faults: [], settings: {} },
    columns = [],
    terms = [],
    coverColumns = [],
    chosenMark = "",
    chosen = "",
    stale = "",
    reading = null;

  const desk = {
    things: () => told.sites,
    columns: () => columns,
    terms: () => terms,
    settings: () => told.settings,
    termed: (column, value, was) =>
      step(`${column.title.toLowerCase()}: ${value === null ? "as usual" : value}`.slice(0, 200), [
        { what: "key.set", key: column.key, value, was },
      ]),
    chosen: () => chosen,
    say: (words) => {
      byId("state").textContent = words;
    },
    choose,
    moved: (name, at, metres) => {
      const thing = find(name);
      if (!thing) return;
      const was = Object.fromEntries(
        ["lon_deg", "lat_deg", "x_m", "y_m"].filter((key) => key in thing.values).map((key) => [key, thing.values[key]]),
      );
      step(`${name} moved ${metres.toFixed(metres < 10 ? 1 : 0)} m`, [
        { what: "site.set", file: thing.file, name, place: { lon_deg: at.lng, lat_deg: at.lat }, was },
      ]);
    },
    filled: (thing, column, value) => {
      const name = thing.values.name,
        renamed = column.key === "name";
      if (renamed) chosen = value;
      step(`${name}: ${column.title.toLowerCase()} ${value || "emptied"}`.slice(0, 200), [
        {
          what: "site.set",
          file: thing.file,
          name,
          values: { [column.key]: value },
          was: column.key in thing.values ? { [column.key]: thing.values[column.key] } : {},
        },
      ]).then((done) => {
        if (!done && renamed) chosen = name;
      });
    },
    added: (role, at) => {
      const file = (told.files.sites || []).find((one) => !one.why_not);
      if (!file) {
        complain([
          { problem: "There is no table of sites that can be changed here", fix: "Add a sites.csv to the folder.", where: "" },
        ]);
        return;
      }
      const names = new Set(told.sites.map((site) => site.values.name.toLowerCase()));
      let number = 1;
      while (names.has(`${role} ${number}`)) number += 1;
      const name = `${role[0].toUpperCase()}${role.slice(1)} ${number}`;
      chosen = name;
      step(`${name} set on the sheet`, [
        { what: "site.add", file: file.file, values: { name, role }, place: { lon_deg: at.lng, lat_deg: at.lat } },
      ]);
    },
    pencil: () => pencil,
    hint: (words) => sheet.hint(words),
    setting: () => Boolean(sheet.taken()),
    layBack: () => sheet.take(sheet.taken()),
    shapes: () => told.shapes || [],
    coverColumns: () => coverColumns,
    chosenShape: () => (told.shapes || []).find((shape) => shape.mark === chosenMark),
    chooseShape: (shape, options) => {
      chosen = "";
      chosenMark = shape.mark;
      card.showShape(shape, options);
      sheet.mark("");
      pencil.show();
    },
    bent: (shape, geometry, words) =>
      shapeStep(
        `${nameOf(shape)}: ${words}`,
        { what: "shape.draw", file: shape.file, feature: shape.feature, mark: shape.mark, geometry },
        shape,
      ),
    shapeFilled: (shape, column, value) =>
      shapeStep(
        `${nameOf(shape)}: ${column.title.toLowerCase()} ${value || "emptied"}`.slice(0, 200),
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
    drawn: (kind, geometry) => {
      sheet.take(sheet.taken());
      const use = kind.name === "boundary" ? "boundary" : "cover",
        file = (told.files[use] || []).find((one) => !one.why_not),
        had = new Set((told.shapes || []).map((shape) => shape.mark));
      const edit = { what: "shape.add", use, values: use === "cover" ? { kind: kind.name } : {}, geometry };
      step(`${kindWords(kind.name)} drawn`, [file ? { ...edit, file: file.file } : edit]).then((done) => {
        const fresh = (told.shapes || []).find((shape) => !had.has(shape.mark));
        if (done && fresh) desk.chooseShape(fresh);
      });
    },
    dropped: (thing) => {
      chosen = "";
      step(`${thing.values.name} rubbed out`, [{ what: "site.drop", file: thing.file, name: thing.values.name }]);
    },
  };
  const nameOf = (shape) => shape.values.name || kindWords(shape.values.kind || shape.use);
  const meant = (column, text) => {
    const words = text.trim();
    if (!words) return null;
    return ["number", "whole number"].includes(column.kind) && /^[-+]?(\d+\.?\d*|\.\d+)$/.test(words) ? Number(words) : words;
  };
  /* A changed shape has a new mark; it stays chosen where it stands in its file. */
  async function shapeStep(words, edit, shape) {
    const done = await step(words, [edit]);
    const now = (told.shapes || []).find((one) => one.file === shape.file && one.feature === shape.feature);
    if (done && now) desk.chooseShape(now, { focus: false });
    else pencil.show();
  }
  const pencil = makePencil(desk),
    sheet = makeSheet(desk),
    card = makeCard(desk),
    sheetTerms = makeTerms(desk, card);
  const find = (name) => told.sites.find((site) => site.values.name === name);

  function choose(name, options) {
    const thing = find(name) || told.sites.find((site) => name.startsWith(`${site.values.name} (`));
    if (!thing) {
      desk.say(`${name} was found by the planner; it stands in no file.`);
      return;
    }
    chosen = thing.values.name;
    chosenMark = "";
    pencil.show();
    card.show(thing, options);
    sheet.mark(chosen);
  }

  async function step(words, edits) {
    openChoice = false;
    try {
      await deskWire.tell("/do/step", { words, do: edits });
      complain([]);
      await read();
      return true;
    } catch (error) {
      if (!error.faults) throw error;
      await read({ keepCard: true });
      complain(error.faults.length ? error.faults : [{ problem: error.message, fix: "", where: "" }]);
      if (error.status === 409) chooseBetween(words, edits);
      return false;
    }
  }

  /* Somebody else changed the same thing: theirs stands already; mine goes over it only where one says so. */
  let openChoice = false;
  function chooseBetween(words, edits) {
    openChoice = true;
    byId("faults").hidden = false;
    const gone = edits.some((edit) => edit.mark && !shapeAt(edit)) || edits.some((edit) => edit.name && !find(edit.name));
    byId("faults").append(
      h(
        "p",
        {},
        h("button", { type: "button", id: "theirs", onclick: takeTheirs }, "Take theirs"),
        " ",
        gone ? "" : h("button", { type: "button", id: "mine", onclick: () => step(words, edits.map(over)) }, "Write mine over it"),
      ),
    );
  }
  function takeTheirs() {
    openChoice = false;
    return read();
  }
  const shapeAt = (edit) => (told.shapes || []).find((shape) => shape.file === edit.file && shape.feature === edit.feature);
  function over(edit) {
    if (edit.mark) return { ...edit, mark: shapeAt(edit).mark };
    const now =
      edit.what === "key.set" ? edit.key.split(".").reduce((table, part) => (table ? table[part] : undefined), told.settings) : {};
    return { ...edit, was: now === undefined ? null : now };
  }

  async function turn(path) {
    try {
      await deskWire.tell(path);
      complain([]);
    } catch (error) {
      complain(error.faults || []);
    }
    await read();
  }

  function complain(faults) {
    const rest = card.complain(faults),
      box = byId("faults");
    const lines = [...rest, ...told.faults];
    box.hidden = !lines.length;
    box.replaceChildren(
      h("h2", {}, rest.length ? "Not written" : "What the readers say"),
      h(
        "ul",
        {},
        lines.map((fault) =>
          h("li", {}, fault.where ? h("strong", {}, `${fault.where}: `) : null, `${fault.problem}. ${fault.fix}`),
        ),
      ),
    );
    if (faults.length) byId("slip-title").textContent = `Not written: ${count(faults.length, "fault", "faults")}`;
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
    told = await deskWire.ask("/ask/sheet");
    byId("folder").textContent = told.folder;
    byId("title").textContent = told.settings.name || told.folder;
    document.title = `${told.settings.name || told.folder}: working sheet`;
    book();
    list();
    sheet.places();
    pencil.show();
    if (!keepCard && !openChoice) {
      const busy = byId("margin").contains(document.activeElement) && document.activeElement.id;
      const shape = desk.chosenShape();
      if (shape) card.showShape(shape, { focus: false });
      else card.show(find(chosen), { focus: false });
      sheetTerms.show();
      if (busy && byId(busy)) byId(busy).focus({ preventScroll: true });
      complain([]);
    }
    if (told.strip) slip(told.strip);
  }

  function book() {
    byId("back").disabled = told.place === 0;
    byId("again").disabled = told.place === told.steps.length;
    byId("steps").replaceChildren(
      ...told.steps
        .map((one, i) =>
          h(
            "li",
            { class: i < told.place ? "done" : "put-back", value: String(i + 1) },
            one.words || "change",
            h("span", { class: "soft" }, ` ${one.files.join(", ")}${i < told.place ? "" : " (put back)"}`),
          ),
        )
        .reverse(),
    );
  }

  function list() {
    byId("place-list").replaceChildren(
      ...told.sites.map((site) =>
        h(
          "li",
          {},
          h("button", { type: "button", onclick: () => choose(site.values.name) }, site.values.name),
          ` ${site.values.role || ""}`,
        ),
      ),
    );
    for (const [role] of SIGNS) byId(`count-${role}`).textContent = String(told.sites.filter((site) => site.role === role).length);
  }

  function cell(title, main, detail, css) {
    return h(
      "div",
      { class: `cell ${css || ""}` },
      h("p", { class: "cell-title" }, title),
      h("p", { class: "cell-main" }, main),
      h("p", { class: "soft" }, detail),
    );
  }

  function slip(strip) {
    const { sensors, cost, weakest, rules, proof } = strip,
      money = (value) => amount(value, cost.currency);
    const turned = [
      sensors.lost.length ? `lost: ${sensors.lost.join(", ")}` : "",
      sensors.gained.length ? `gained: ${sensors.gained.join(", ")}` : "",
    ].filter(Boolean);
    const dearer = cost.was === null ? null : cost.now - cost.was;
    byId("slip-title").textContent = stale || "What the last change did";
    byId("cells").replaceChildren(
      cell("Sensors served", `${sensors.served} of ${sensors.of}`, turned.join("; ") || "=", sensors.lost.length ? "worse" : ""),
      cell("Cost", money(cost.now), !dearer ? "=" : `${dearer > 0 ? "+" : "−"}${money(Math.abs(dearer))}`),
      cell("Weakest link in use", weakest ? chance(weakest.chance) : "–", weakest ? `${weakest.a} → ${weakest.b}` : ""),
      cell("Radio rules", rules.kept ? "kept" : "broken", rules.broken.join("; "), rules.kept ? "" : "worse"),
      cell(
        "Proof",
        proof.optimal ? "cheapest" : "not proven",
        proof.optimal ? "nothing cheaper is possible" : `at most ${plain(100 * proof.gap, 1)} % dearer`,
      ),
    );
  }

  async function draw() {
    const data = await deskWire.ask("/ask/plan");
    if (data.map) await sheet.draw(data);
  }

  function heard(kind, data) {
    if (kind === "hello" && data.whole) Promise.all([read(), draw()]);
    if (kind === "step") read();
    if (kind === "stage") {
      stale = `${data.stage} …`;
      byId("slip-title").textContent = stale;
      byId("cells").classList.add("old");
    }
    if (kind === "links") {
      const routes = data.failing.length ? `without their route: ${data.failing.join(", ")}` : "every route still stands";
      stale = `${count(data.touched.length, "link", "links")} of ${data.of} touched; ${routes} …`;
      byId("slip-title").textContent = stale;
    }
    if (kind === "plan") {
      stale = "";
      byId("cells").classList.remove("old");
      slip(data.strip);
      draw();
    }
    if (kind === "faults") {
      stale = "";
      byId("slip-title").textContent = "There is no plan of the folder as it is";
      byId("cells").replaceChildren(
        h(
          "ul",
          {},
          data.faults.map((fault) => h("li", {}, `${fault.where ? `${fault.where}: ` : ""}${fault.problem}. ${fault.fix}`)),
        ),
      );
    }
    if (kind === "shut") {
      document.body.classList.add("shut");
      desk.say(
        data.words ||
          `The desk is closed. The folder is as the last line of the book says. Start it again: meshplan open ${told.folder || ""}`,
      );
    }
    if (kind === "waiting") desk.say("The desk does not answer; asking again …");
    if (kind === "hello") desk.say("");
  }

  function coverSigns(kinds) {
    const sign = (kind, sample) =>
      h(
        "button",
        { type: "button", "data-role": kind.name, "aria-pressed": "false", onclick: () => sheet.take(kind.name, kind) },
        sample,
        ` ${kindWords(kind.name)}`,
      );
    const swatch = (colour) => {
      const box = h("span", { class: "swatch" });
      box.style.background = colour;
      return box;
    };
    byId("sign-row").append(
      ...kinds.map((kind) => sign(kind, swatch(kind.colour))),
      sign({ name: "boundary", width_m: null }, h("span", { class: "swatch border" })),
    );
  }

  async function start() {
    byId("sign-row").append(
      ...SIGNS.map(([role, words]) =>
        h(
          "button",
          { type: "button", "data-role": role, "aria-pressed": "false", onclick: () => sheet.take(role) },
          role === "sensor" ? meshParts.signOf({ mark: "full", colour: "#0a3a6b" }, 22) : roleSign(role, 22),
          ` ${words} `,
          h("span", { class: "soft", id: `count-${role}` }),
        ),
      ),
    );
    byId("back").addEventListener("click", () => turn("/do/back"));
    byId("again").addEventListener("click", () => turn("/do/again"));
    document.addEventListener("keydown", (event) => {
      if (!(event.ctrlKey || event.metaKey) || event.target.closest("input, select")) return;
      const key = event.key.toLowerCase();
      if (key === "z" || key === "y") {
        event.preventDefault();
        turn(key === "y" || event.shiftKey ? "/do/again" : "/do/back");
      }
    });
    try {
      await deskWire.enter();
      const { tables, kinds } = await deskWire.ask("/ask/forms");
      columns = tables.site;
      coverColumns = tables.cover;
      coverSigns(kinds);
      terms = tables.settings;
      await read();
      sheet.blank();
      await draw();
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
