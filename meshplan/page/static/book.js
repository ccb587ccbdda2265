/* The field book: every step on the folder's files, put back and done again; the choice where somebody else changed the same. */
"use strict";
const makeBook = (desk) => {
  const { h } = meshParts;
  const byId = (id) => document.getElementById(id);
  const effects = new Map();

  function show({ steps, place }) {
    byId("back").disabled = byId("back-phone").disabled = place === 0;
    byId("again").disabled = byId("again-phone").disabled = place === steps.length;
    byId("book-empty").hidden = steps.length > 0;
    byId("steps").replaceChildren(
      ...steps
        .map((one, i) =>
          h(
            "li",
            { class: `${i < place ? "done" : "put-back"}${i === place - 1 ? " newest" : ""}`, value: String(i + 1) },
            h("span", { class: "step-words" }, one.words || "change"),
            h("span", { class: "effect" }, i < place ? effects.get(one.number) || "" : "put back"),
            h("span", { class: "soft step-files" }, ` ${one.files.join(", ")}${one.by === "outside" ? ", by somebody else" : ""}`),
          ),
        )
        .reverse(),
    );
  }

  /* What a step did to the plan stands at the end of its line. */
  function effect(number, words) {
    if (number) effects.set(number, words);
  }

  async function turn(path, times = 1) {
    try {
      for (let i = 0; i < times; i++) await deskWire.tell(path);
      desk.complain([]);
    } catch (error) {
      desk.complain(error.faults || []);
    }
    await desk.read();
  }

  function start() {
    for (const id of ["back", "back-phone"]) byId(id).addEventListener("click", () => turn("/do/back"));
    for (const id of ["again", "again-phone"]) byId(id).addEventListener("click", () => turn("/do/again"));
    document.addEventListener("keydown", (event) => {
      if (!(event.ctrlKey || event.metaKey) || event.target.closest("input, select, textarea")) return;
      const key = event.key.toLowerCase();
      if (key === "z" || key === "y") {
        event.preventDefault();
        turn(key === "y" || event.shiftKey ? "/do/again" : "/do/back");
      }
    });
  }

  /* Somebody else changed the same thing: theirs stands already; mine goes over it, or lies beside it, only where one says so. */
  function chooseBetween({ faults, choices, over, beside, leave }) {
    const box = byId("conflict");
    const choice = (id, words, act, css) =>
      h(
        "button",
        {
          type: "button",
          id,
          class: css || null,
          onclick: () => {
            close();
            act();
          },
        },
        words,
      );
    box.hidden = false;
    box.replaceChildren(
      h("h2", {}, "Somebody else changed this too"),
      h(
        "ul",
        {},
        faults.map((fault) =>
          h("li", {}, fault.where ? h("strong", {}, `${fault.where}: `) : null, `${fault.problem}. ${fault.fix}`),
        ),
      ),
      h("p", { class: "soft" }, "Nothing of yours is written yet."),
      h(
        "p",
        { class: "choices" },
        choice("theirs", "Take theirs", leave, "dark"),
        choices.includes("mine") ? choice("mine", "Write mine over it", over) : "",
        choices.includes("both") ? choice("both", "Keep both", beside) : "",
      ),
    );
    desk.pane("card");
  }
  const close = () => {
    byId("conflict").hidden = true;
    byId("conflict").replaceChildren();
  };
  const isOpen = () => !byId("conflict").hidden;

  return { show, effect, turn, start, chooseBetween, close, isOpen };
};
