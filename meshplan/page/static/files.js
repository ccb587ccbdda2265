/* Files that come: dropped anywhere on the page or chosen, and what became of each. */
"use strict";
const makeFiles = (desk, card) => {
  const { h } = meshParts;
  const byId = (id) => document.getElementById(id);
  const arrivals = [];
  const words = (error) => (error.faults || []).map((fault) => `${fault.problem}. ${fault.fix}`).join(" ") || error.message;

  function show(options = { focus: true }) {
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
          button("choose-files", "Choose files", () => byId("file-input").click(), "dark"),
        ),
        list(),
        h("h3", {}, "Files of this folder"),
        h(
          "ul",
          { class: "small" },
          desk.filesOf().map(([use, one]) => standing(use, one)),
        ),
        h(
          "p",
          {},
          button("open-readings", "Type readings in", () => desk.readings()),
        ),
      ],
      "Files",
      "files",
      options,
    );
  }
  const button = (id, text, act, css) => h("button", { type: "button", id, class: css || null, onclick: act }, text);
  const standing = (use, one) =>
    h("li", {}, h("strong", {}, one.file), ` ${use}. `, h("span", { class: "soft" }, one.why_not || ""));
  const list = () => h("ul", { class: "arrivals", "aria-live": "polite" }, arrivals.map(arrival));
  function again() {
    if (card.what() === "files") show({ focus: false });
    if (card.what() === "begin") desk.beginAgain();
  }

  /* One way for each use that a file may serve; beside or over a file of the same name only if one says so. */
  function waysOf(one) {
    if (one.state !== "waiting") return "";
    if (!desk.isBegun()) return h("span", { class: "soft" }, " It comes with the first files.");
    const choice = (text, act) => h("button", { type: "button", onclick: act }, text);
    const ways = one.pin ? [choice("Pin it on the land", () => desk.pin(one))] : [];
    for (const { use, words: meaning } of one.pin ? [] : one.uses) {
      if (one.there) {
        ways.push(choice(`Keep it beside, as ${meaning}`, () => take(one, { use, beside: true })));
        ways.push(choice("Put it in place of the other", () => take(one, { use, replace: true })));
      } else ways.push(choice(`Take it as ${meaning}`, () => take(one, { use })));
    }
    ways.push(choice("Leave it", () => leave(one)));
    return h("span", { class: "choices" }, ways);
  }
  const arrival = (one) => h("li", { class: one.state }, h("strong", {}, one.name), ` ${one.words}`, waysOf(one));

  async function add(chosen) {
    if (desk.isBegun()) show();
    for (const file of chosen) {
      const one = { name: file.name, words: "on its way …", state: "coming", uses: [] };
      arrivals.unshift(one);
      again();
      try {
        await receive(one, file);
      } catch (error) {
        refuse(one, error);
      }
      again();
    }
  }
  async function receive(one, file) {
    const told = await deskWire.send("/do/file", one.name, file);
    Object.assign(one, told, { state: told.taken ? "taken" : "waiting", uses: told.uses || [] });
    if (one.there) one.words = `${one.words} There is a file of that name.`;
    if (told.taken) await desk.arrived(told);
    if (one.pin && desk.isBegun()) desk.pin(one);
  }
  async function take(one, how) {
    try {
      const told = await deskWire.tell("/do/take", { held: one.held, ...how });
      Object.assign(one, { state: "taken", words: told.words, file: told.file });
      await desk.arrived(told);
    } catch (error) {
      refuse(one, error);
    }
    again();
  }
  async function leave(one) {
    arrivals.splice(arrivals.indexOf(one), 1);
    again();
    await deskWire.tell("/do/leave", { held: one.held }).catch(() => null);
  }
  function refuse(one, error) {
    const still = one.held ? "waiting" : "refused";
    Object.assign(one, { state: still, words: `was not taken: ${words(error)}` });
    desk.say(`${one.name} was not taken.`);
  }

  /* A file that the page itself makes: it goes the way of all others and must serve for one use. */
  async function put(file, use) {
    const one = { name: file.name, words: "", state: "coming", uses: [] };
    const told = await deskWire.send("/do/file", one.name, file);
    if (told.taken) {
      await desk.arrived(told);
      return told.file;
    }
    const taken = await deskWire.tell("/do/take", { held: told.held, use, beside: true });
    await desk.arrived(taken);
    return taken.file;
  }

  const held = () => arrivals.filter((one) => one.state === "waiting" && one.held && !one.pin).map((one) => one.held);
  function begun(answer) {
    for (const one of arrivals)
      if (one.state === "waiting" && !one.pin) Object.assign(one, { state: "taken", words: "came with the first files." });
    for (const fault of answer.faults || []) {
      const one = arrivals.find((other) => other.name === fault.file);
      if (one) Object.assign(one, { state: "refused", words: `was not taken: ${fault.problem}. ${fault.fix}` });
    }
  }

  function listen() {
    const carries = (event) => event.dataTransfer && [...event.dataTransfer.types].includes("Files");
    let depth = 0;
    const over = (on) => document.body.classList.toggle("dropping", on);
    document.addEventListener("dragenter", (event) => {
      if (!carries(event)) return;
      depth += 1;
      over(true);
    });
    document.addEventListener("dragleave", (event) => {
      if (!carries(event)) return;
      depth -= 1;
      if (depth <= 0) over(false);
    });
    document.addEventListener("dragover", (event) => {
      if (carries(event)) event.preventDefault();
    });
    document.addEventListener("drop", (event) => {
      depth = 0;
      over(false);
      if (!carries(event)) return;
      event.preventDefault();
      if (event.dataTransfer.files.length) add([...event.dataTransfer.files]);
    });
    byId("file-input").addEventListener("change", () => {
      const chosen = [...byId("file-input").files];
      byId("file-input").value = "";
      if (chosen.length) add(chosen);
    });
  }

  return { show, add, put, held, begun, list, listen };
};
