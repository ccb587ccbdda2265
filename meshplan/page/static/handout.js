/* What leaves the desk and what comes to it: jobs with the command that does the same, dropped files, readings. */
"use strict";
const makeHandout = (desk, card) => {
  const { h, count } = meshParts;
  const byId = (id) => document.getElementById(id);
  const OUTPUTS = [
      ["map", "Map", "One file with the whole plan, for the pocket; works without any network.", "plan"],
      ["sheets", "Survey sheets", "A cover, a page for each place, a table for readings; to print.", "sheets"],
      ["report", "Report and parts", "The plan in words, the parts list, tables and exports.", "plan"],
      ["coverage", "Coverage", "Where a further sensor would be heard, as a layer of the map.", "coverage"],
      ["compare", "Radio classes compared", "The same property planned with each class, side by side.", "compare"],
    ],
    ENDS = { done: "Made.", stopped: "Stopped; nothing was written.", failed: "It did not work." },
    READING = ["from", "to", "power_dbm"];
  const jobs = new Map(),
    arrivals = [];
  let readings = [["", "", ""]];

  const command = (kind, verb) => (jobs.get(kind) && jobs.get(kind).command) || `meshplan ${verb} ${desk.folder()}`;
  const running = (job) => job && ["asked", "running", "waiting"].includes(job.state);

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
        h("span", { class: "soft" }, job.words || (job.total ? `${job.done} of ${job.total}` : "at work …")),
        h("button", { type: "button", onclick: () => stop(job) }, "Stop"),
      );
    const stale = desk.clock() > job.clock ? ` Made ${count(desk.clock() - job.clock, "step", "steps")} ago.` : "";
    return h(
      "span",
      { class: job.state === "failed" ? "fault" : "soft" },
      `${job.words || ENDS[job.state] || job.state}${stale} `,
      (job.files || []).map((file) => [
        h("button", { type: "button", class: "plain", onclick: () => openFile(job, file) }, file),
        " ",
      ]),
    );
  }

  async function openFile(job, file) {
    try {
      const address = await deskWire.blob(`/ask/output?job=${encodeURIComponent(job.job)}&name=${encodeURIComponent(file)}`);
      window.open(address, "_blank");
    } catch (error) {
      desk.say(`${file} stands in the folder of results; it cannot be opened from here (${error.message}).`);
    }
  }

  function show(options = { focus: true }) {
    card.showView(
      [
        h("h2", {}, "Hand out"),
        h(
          "p",
          { class: "soft" },
          "Each is made by the command beside it; the page only starts it. It is written to the folder of results.",
        ),
        OUTPUTS.map(([kind, title, meaning, verb]) =>
          h(
            "div",
            { class: "output", "data-output": kind },
            h("h3", {}, title),
            h("button", { type: "button", disabled: running(jobs.get(kind)), onclick: () => start(kind) }, "Make it"),
            h("p", { class: "soft" }, meaning),
            h("code", {}, command(kind, verb)),
            h("div", { class: "output-state", "aria-live": "polite" }, stateOf(kind)),
          ),
        ),
      ],
      "Results",
      "handout",
      options,
    );
  }

  async function start(kind, given = {}) {
    jobs.set(kind, { kind, state: "asked", clock: desk.clock() });
    again();
    try {
      const told = await deskWire.tell("/do/job", { kind, with: given });
      jobs.set(kind, {
        ...jobs.get(kind),
        ...told,
        kind,
        clock: desk.clock(),
        state: jobs.get(kind).state === "asked" ? "running" : jobs.get(kind).state,
      });
    } catch (error) {
      const said = (error.faults || []).map((fault) => `${fault.problem}. ${fault.fix}`).join(" ");
      jobs.set(kind, { kind, state: "failed", clock: desk.clock(), words: said || error.message });
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
  function heard(data) {
    const kind = data.kind || [...jobs.values()].filter((one) => one.job === data.job).map((one) => one.kind)[0];
    if (!kind) return;
    const before = jobs.get(kind) || { clock: desk.clock() };
    const words = data.words || (data.faults || []).map((fault) => `${fault.problem}. ${fault.fix}`).join(" ");
    jobs.set(kind, { ...before, ...data, kind, words });
    if (["done", "failed", "stopped"].includes(data.state)) desk.say(`${kind}: ${words || data.state}`);
    again();
  }
  function again() {
    if (card.what() === "handout") show({ focus: false });
    if (card.what() === "files") showFiles({ focus: false });
    if (card.what() === "readings") showReadings({ focus: false });
  }

  /* ---- files that come ---- */
  function showFiles(options = { focus: true }) {
    card.showView(
      [
        h("h2", {}, "Add a file"),
        h(
          "p",
          { class: "soft" },
          "Heights of the land, sites from a phone, woods and buildings from a map program, an aerial picture, readings: " +
            "drop them anywhere on the page, or choose them here. They are copied into the folder.",
        ),
        h(
          "p",
          {},
          h(
            "button",
            { type: "button", class: "dark", id: "choose-files", onclick: () => byId("file-input").click() },
            "Choose files",
          ),
        ),
        h("ul", { class: "arrivals" }, arrivals.map(arrival)),
        h("h3", {}, "Files of this folder"),
        h(
          "ul",
          { class: "small" },
          desk
            .filesOf()
            .map(([use, one]) =>
              h("li", {}, h("strong", {}, one.file), ` ${use}. `, h("span", { class: "soft" }, one.why_not || "")),
            ),
        ),
        h("p", {}, h("button", { type: "button", id: "open-readings", onclick: () => showReadings() }, "Type readings in")),
      ],
      "Files",
      "files",
      options,
    );
  }

  function arrival(one) {
    return h(
      "li",
      { class: one.state },
      h("strong", {}, one.name),
      ` ${one.words}`,
      (one.uses || []).length > 1 || (one.uses || []).length === 1
        ? h(
            "span",
            { class: "choices" },
            one.uses.map((use) =>
              h("button", { type: "button", onclick: () => take(one, use) }, `Take it as ${desk.useWords(use)}`),
            ),
          )
        : "",
    );
  }

  async function add(files) {
    showFiles();
    for (const file of files) {
      const one = { name: file.name, words: "on its way …", state: "coming", uses: [] };
      arrivals.unshift(one);
      again();
      try {
        Object.assign(one, { state: "waiting" }, desk.arrived(await deskWire.send("/do/file", file.name, file)));
        if (one.state === "taken") await desk.read();
      } catch (error) {
        refuse(one, error);
      }
      again();
    }
  }
  async function take(one, use) {
    try {
      const told = await deskWire.tell("/do/take", { key: one.key, use });
      Object.assign(one, { state: "taken", uses: [], words: told.words || `taken as ${desk.useWords(use)}.` });
      await desk.read();
    } catch (error) {
      refuse(one, error);
    }
    again();
  }
  function refuse(one, error) {
    const said = (error.faults || []).map((fault) => `${fault.problem}. ${fault.fix}`).join(" ");
    Object.assign(one, { state: "refused", uses: [], words: `was not taken: ${said || error.message}` });
  }

  function waitForDrops() {
    const carries = (event) => event.dataTransfer && [...event.dataTransfer.types].includes("Files");
    let depth = 0;
    document.addEventListener("dragenter", (event) => {
      if (!carries(event)) return;
      depth += 1;
      document.body.classList.add("dropping");
    });
    document.addEventListener("dragleave", (event) => {
      if (!carries(event)) return;
      depth -= 1;
      if (depth <= 0) document.body.classList.remove("dropping");
    });
    document.addEventListener("dragover", (event) => {
      if (carries(event)) event.preventDefault();
    });
    document.addEventListener("drop", (event) => {
      depth = 0;
      document.body.classList.remove("dropping");
      if (!carries(event)) return;
      event.preventDefault();
      if (event.dataTransfer.files.length) add([...event.dataTransfer.files]);
    });
    byId("file-input").addEventListener("change", () => {
      const files = [...byId("file-input").files];
      byId("file-input").value = "";
      if (files.length) add(files);
    });
  }

  /* ---- readings ---- */
  function showReadings(options = { focus: true }) {
    const names = h(
      "datalist",
      { id: "reading-names" },
      desk.things().map((thing) => h("option", { value: thing.values.name })),
    );
    const cell = (row, i, column, words) => {
      const entry = h("input", {
        type: "text",
        value: row[column],
        "aria-label": `${words}, row ${i + 1}`,
        list: column < 2 ? "reading-names" : null,
        inputmode: column === 2 ? "decimal" : null,
        "data-reading": `${i}-${column}`,
      });
      entry.addEventListener("input", () => {
        row[column] = entry.value;
        if (i === readings.length - 1 && entry.value) {
          readings.push(["", "", ""]);
          const at = entry.dataset.reading;
          showReadings({ focus: false });
          const held = document.querySelector(`[data-reading="${at}"]`);
          held.focus();
          held.setSelectionRange(held.value.length, held.value.length);
        }
      });
      return h("td", {}, entry);
    };
    card.showView(
      [
        h("h2", {}, "Readings from the field"),
        h(
          "p",
          { class: "soft" },
          "What was heard between two places, in dBm (with its minus sign). A table of your own can be dropped instead.",
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
              ["Sent from", "Heard at", "dBm"].map((words) => h("th", { scope: "col" }, words)),
            ),
          ),
          h(
            "tbody",
            {},
            readings.map((row, i) =>
              h(
                "tr",
                {},
                ["Sent from", "Heard at", "dBm"].map((words, column) => cell(row, i, column, words)),
              ),
            ),
          ),
        ),
        h(
          "p",
          { class: "acts" },
          h("button", { type: "button", class: "dark", id: "learn", onclick: () => learn() }, "Learn from these"),
        ),
        h("code", {}, command("calibrate", "calibrate")),
        h("div", { class: "output-state", "aria-live": "polite" }, stateOf("calibrate")),
      ],
      "Readings",
      "readings",
      options,
    );
  }
  async function learn() {
    const quoted = (text) => (/[",\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);
    const rows = readings.filter((row) => row.some((text) => text.trim()));
    const text = [READING, ...rows].map((row) => row.map((one) => quoted(one.trim())).join(",")).join("\n");
    const one = { name: "readings.csv", words: "on its way …", state: "coming", uses: [] };
    try {
      Object.assign(one, desk.arrived(await deskWire.send("/do/file", one.name, new Blob([`${text}\n`], { type: "text/csv" }))));
      const told = one.state === "taken" ? {} : await deskWire.tell("/do/take", { key: one.key, use: "readings" });
      await start("calibrate", { readings: told.file || one.name });
    } catch (error) {
      refuse(one, error);
      jobs.set("calibrate", { kind: "calibrate", state: "failed", clock: desk.clock(), words: one.words });
      again();
    }
  }

  return { show, showFiles, showReadings, start, heard, add, listen: waitForDrops };
};
