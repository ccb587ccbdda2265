/* What leaves the desk: jobs with the command that does the same; land from open data; and readings from the field, typed in. */
"use strict";
const makeHandout = (desk, card) => {
  const { h, count } = meshParts;
  const byId = (id) => document.getElementById(id);
  const OUTPUTS = [
      ["plan", "The plan and its map", "Map file for the pocket, report, parts list, tables and exports of the plan as it now is."],
      ["sheets", "Survey sheets", "A cover, a page for each place, a table for readings; to print from any browser."],
      ["coverage", "Coverage", "Where a further sensor would be heard; it becomes a layer of the map file."],
      ["compare", "Radio classes compared", "The same property planned with each class, side by side."],
      [
        "land-preview",
        "Land from open data",
        "Heights, woods and buildings around the place. First only what would be asked of whom.",
      ],
    ],
    ON_A_PLAN = ["sheets", "coverage"],
    SHOWN = /\.(svg|png|webp)$/i,
    ENDS = {
      done: "Made.",
      unserved: "Made; something is left unserved or breaks a rule.",
      stopped: "Stopped; nothing was written.",
      failed: "It did not work.",
    },
    READING = ["a", "b", "power_dbm"],
    HEADS = ["Sent from", "Heard at", "dBm"];
  const jobs = new Map();
  let readings = [["", "", ""]],
    kinds = {},
    faults = [],
    picture = null,
    layers = [];

  async function look() {
    const told = await deskWire.ask("/ask/jobs");
    kinds = told.kinds;
    for (const job of told.jobs) jobs.set(job.kind, { ...job, clock: desk.clock() });
  }

  function layerRow(layer) {
    const shown = desk.reach().shownReach(),
      on = Boolean(shown) && shown.name === layer.name;
    const classes = layer.classes.map((one) => {
      const box = h("span", { class: "swatch" });
      box.style.background = one.seen;
      return h("span", { class: "verdict" }, box, ` ${one.name} `);
    });
    const show = () =>
      desk
        .reach()
        .showReach(on ? null : layer)
        .then(again);
    return h("p", {}, h("button", { type: "button", "aria-pressed": String(on), onclick: show }, layer.name), on ? classes : "");
  }

  const command = (kind) =>
    (jobs.get(kind) && jobs.get(kind).command) || `${(kinds[kind] || {}).command || `meshplan ${kind}`} ${desk.folder()}`;
  const running = (job) => Boolean(job) && ["asked", "running", "waiting"].includes(job.state);

  function stateOf(kind) {
    const job = jobs.get(kind);
    if (!job) return "";
    if (running(job))
      return h(
        "span",
        { class: "entry" },
        h("progress", {
          max: String(job.total || 1),
          value: job.total ? String(job.done || 0) : null,
          "aria-label": `${kind}: how far`,
        }),
        h("span", { class: "soft" }, job.state === "waiting" ? "waits for the job before it" : job.stage || "at work …"),
        job.job ? h("button", { type: "button", class: "stop", onclick: () => stop(job) }, "Stop") : "",
      );
    const stale = desk.clock() > job.clock ? ` Made ${count(desk.clock() - job.clock, "step", "steps")} ago.` : "";
    return [
      h(
        "p",
        { class: job.state === "failed" ? "fault" : "soft" },
        `${ENDS[job.state] || job.state}${job.state === "failed" ? "" : stale}`,
      ),
      job.said ? h("pre", { class: job.state === "failed" ? "fault" : "soft" }, job.said) : "",
      h(
        "p",
        {},
        (job.files || []).map((file) => [
          h("button", { type: "button", class: "plain", onclick: () => openFile(job, file) }, file),
          " ",
        ]),
      ),
      kind === "coverage" ? layers.map(layerRow) : "",
      kind === "land-preview" && job.data ? landOf(job.data) : "",
      picture && picture.kind === kind ? h("img", { src: picture.address, alt: picture.file, class: "result" }) : "",
    ];
  }

  /* Nothing is asked of others before one has seen what, and said yes; the lines that land asks for are a step of their own. */
  function landOf(data) {
    const wishes = data.would_ask || [],
      land = jobs.get("land"),
      lines = (land && land.data && land.data.property_toml) || [];
    const size = (one) => `${meshParts.plain(one.expected_mb, 1)} MB`;
    return [
      wishes.length
        ? h("p", {}, "Would be asked for; the box around your sites is told, their places are not:")
        : h("p", {}, "Nothing needs to be asked for."),
      h(
        "ul",
        { class: "small" },
        wishes.map((one) => h("li", {}, `${one.source}, ${one.gives.replaceAll("_", " ")}, about ${size(one)} (${one.licence})`)),
      ),
      wishes.length
        ? h(
            "button",
            { type: "button", id: "land-yes", class: "dark", disabled: running(land), onclick: () => start("land", {}, true) },
            "Yes, fetch it",
          )
        : "",
      h("div", {}, stateOf("land")),
      lines.length ? h("button", { type: "button", id: "land-lines", onclick: () => takeLines(land) }, "Read it from now on") : "",
    ];
  }
  async function takeLines(land) {
    try {
      await deskWire.tell("/do/lines", { job: land.job });
      await desk.arrived();
    } catch (error) {
      desk.complain(error.faults && error.faults.length ? error.faults : [{ where: "", problem: error.message, fix: "" }]);
    }
  }

  /* Pictures are shown here; all else is saved by the browser like any download. */
  async function openFile(job, file) {
    try {
      const address = await deskWire.blob(`/ask/result?job=${job.job}&file=${encodeURIComponent(file)}`);
      if (SHOWN.test(file)) {
        picture = { kind: job.kind, file, address };
        again();
        return;
      }
      h("a", { href: address, download: file }).click();
    } catch (error) {
      desk.say(`${file} cannot be opened from here: ${error.message}`);
    }
  }

  function show(options = { focus: true }) {
    card.showView(
      [
        h("h2", {}, "Hand out"),
        h(
          "p",
          { class: "soft" },
          "Each is made by the command beside it; the page only starts it. What is made lies in the folder of results.",
        ),
        OUTPUTS.map(([kind, title, meaning]) =>
          h(
            "div",
            { class: "output", "data-output": kind },
            h("h3", {}, title),
            h(
              "button",
              { type: "button", id: `make-${kind}`, disabled: running(jobs.get(kind)), onclick: () => make(kind) },
              kind === "land-preview" ? "Look first" : "Make it",
            ),
            h("p", { class: "soft" }, meaning),
            h("code", {}, command(kind)),
            h("div", { class: "output-state", "aria-live": "polite" }, stateOf(kind)),
          ),
        ),
      ],
      "Results",
      "handout",
      options,
    );
  }

  /* Sheets and coverage are of a plan that is written: where there is none of the folder as it is, it is written first. */
  async function make(kind) {
    picture = null;
    if (ON_A_PLAN.includes(kind)) {
      const ink = await deskWire.ask("/ask/ink").catch(() => ({ fits: true }));
      if (!ink.fits && !running(jobs.get("plan"))) await start("plan");
    }
    await start(kind);
  }

  async function start(kind, given = {}, yes = false) {
    jobs.set(kind, { kind, state: "asked", clock: desk.clock() });
    again();
    try {
      const told = await deskWire.tell("/do/job", { kind, with: given, ...(yes ? { yes } : {}) });
      const now = jobs.get(kind);
      if (now.state === "asked") jobs.set(kind, { ...told, clock: desk.clock() });
    } catch (error) {
      const said = (error.faults || []).map((fault) => `${fault.problem}. ${fault.fix}`).join(" ");
      jobs.set(kind, { kind, state: "failed", clock: desk.clock(), said: said || error.message });
    }
    again();
  }
  async function stop(job) {
    try {
      await deskWire.tell("/do/stop", { job: job.job });
    } catch (error) {
      desk.say(error.message);
    }
  }

  /* Jobs of all pages of this folder are told; whoever looks at the list sees them move. */
  function heard(job) {
    const before = jobs.get(job.kind);
    jobs.set(job.kind, { ...job, clock: running(before) ? before.clock : desk.clock() });
    if (job.kind === "coverage" && !running(job))
      desk
        .reach()
        .coverage()
        .then((found) => ((layers = found), again()));
    if (!running(job)) desk.say(`${job.title}: ${ENDS[job.state] || job.state}`);
    again();
  }
  function again() {
    const held = document.activeElement && document.activeElement.id;
    if (card.what() === "handout") show({ focus: false });
    if (card.what() === "readings") showReadings({ focus: false });
    if (held && byId(held)) byId(held).focus({ preventScroll: true });
  }

  /* ---- readings ---- */
  function showReadings(options = { focus: true }) {
    const names = h(
      "datalist",
      { id: "reading-names" },
      desk.things().map((thing) => h("option", { value: thing.values.name })),
    );
    card.showView(
      [
        h("h2", {}, "Readings from the field"),
        h(
          "p",
          { class: "soft" },
          "What was heard between two places, in dBm (with its minus sign), or “not heard”. A table can be pasted too.",
        ),
        names,
        h(
          "table",
          { class: "readings" },
          h(
            "thead",
            {},
            h(
              "tr",
              {},
              HEADS.map((words) => h("th", { scope: "col" }, words)),
            ),
          ),
          h(
            "tbody",
            {},
            readings.map((row, i) =>
              h(
                "tr",
                {},
                HEADS.map((words, column) => cell(row, i, column, words)),
              ),
            ),
          ),
        ),
        faults.length
          ? h(
              "ul",
              { class: "fault" },
              faults.map((fault) => h("li", {}, `${fault.where ? `${fault.where}: ` : ""}${fault.problem}. ${fault.fix}`)),
            )
          : "",
        h(
          "p",
          { class: "acts" },
          h("button", { type: "button", class: "dark", id: "learn", onclick: () => learn() }, "Learn from these"),
        ),
        h("code", {}, `${command("calibrate")} readings-desk.csv`.replace(/( readings-desk\.csv){2,}/, " readings-desk.csv")),
        h("div", { class: "output-state", "aria-live": "polite" }, stateOf("calibrate")),
      ],
      "Readings",
      "readings",
      options,
    );
  }

  function cell(row, i, column, words) {
    const entry = h("input", {
      type: "text",
      id: `reading-${i}-${column}`,
      value: row[column],
      "aria-label": `${words}, row ${i + 1}`,
      list: column < 2 ? "reading-names" : null,
    });
    const wrong = faults.find((fault) => fault.row === i + 2 && (!fault.key || fault.key === READING[column]));
    if (wrong) entry.setAttribute("aria-invalid", "true");
    entry.addEventListener("input", () => {
      row[column] = entry.value;
      if (i === readings.length - 1 && entry.value) {
        readings.push(["", "", ""]);
        again();
      }
    });
    /* Rows of a spreadsheet fall into place. */
    entry.addEventListener("paste", (event) => {
      const text = event.clipboardData.getData("text");
      if (!/[\t\n]/.test(text)) return;
      event.preventDefault();
      const rows = text
        .trim()
        .split(/\r?\n/)
        .map((line) => line.split(/\t|;|,/).map((part) => part.trim()));
      readings.splice(i, 1, ...rows.map((parts) => [parts[0] || "", parts[1] || "", parts[2] || ""]));
      if (readings[readings.length - 1].some(Boolean)) readings.push(["", "", ""]);
      again();
    });
    return h("td", {}, entry);
  }

  async function learn() {
    const rows = readings
      .filter((row) => row.some((text) => text.trim()))
      .map((row) => Object.fromEntries(READING.map((key, column) => [key, row[column].trim()])));
    faults = [];
    try {
      const told = await deskWire.tell("/do/readings", { rows, words: `${count(rows.length, "reading", "readings")} typed in` });
      await desk.read();
      await start("calibrate", { readings: [told.file] });
    } catch (error) {
      faults = error.faults && error.faults.length ? error.faults : [{ where: "", problem: error.message, fix: "" }];
      again();
    }
  }

  return { look, show, showReadings, start, heard };
};
