/* What leaves the desk: jobs with the command that does the same; and readings from the field, typed in. */
"use strict";
const makeHandout = (desk, card, files) => {
  const { h, count } = meshParts;
  const OUTPUTS = [
      ["map", "Map", "One file with the whole plan, for the pocket; works without any network.", "plan"],
      ["sheets", "Survey sheets", "A cover, a page for each place, a table for readings; to print.", "sheets"],
      ["report", "Report and parts", "The plan in words, the parts list, tables and exports.", "plan"],
      ["coverage", "Coverage", "Where a further sensor would be heard, as a layer of the map.", "coverage"],
      ["compare", "Radio classes compared", "The same property planned with each class, side by side.", "compare"],
    ],
    ENDS = { done: "Made.", stopped: "Stopped; nothing was written.", failed: "It did not work." },
    READING = ["from", "to", "power_dbm"];
  const jobs = new Map();
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
    if (card.what() === "readings") showReadings({ focus: false });
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
    const file = new File([`${text}\n`], "readings.csv", { type: "text/csv" });
    try {
      const name = await files.put(file, "readings");
      await start("calibrate", { readings: [name] });
    } catch (error) {
      const words =
        (error.faults || []).map((fault) => `${fault.where}: ${fault.problem}. ${fault.fix}`).join(" ") || error.message;
      jobs.set("calibrate", { kind: "calibrate", state: "failed", clock: desk.clock(), words });
      again();
    }
  }

  return { show, showReadings, start, heard };
};
