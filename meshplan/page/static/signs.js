/* The key is the tool box: a sign is taken from it and set on the sheet. */
"use strict";
const makeSigns = (desk) => {
  const { h, svg, roleSign, signOf, kindWords } = meshParts;
  const byId = (id) => document.getElementById(id);
  const BUILT = ["building", "water"],
    WALL = {
      name: "building",
      sign: "wall",
      words: "wall",
      line: true,
      width_m: 0.4,
      colour: "#6a5d52",
      values: { name: "wall", width_m: 0.4, height_m: 2 },
    };
  let taken = "";

  const swatch = (colour) => {
    const box = h("span", { class: "swatch" });
    box.style.background = colour;
    return box;
  };
  const stroke = (colour, width, dash) =>
    svg(
      "svg",
      { width: 26, height: 14, viewBox: "0 0 26 14", "aria-hidden": "true" },
      svg("path", {
        d: "M1 10q6-7 12-4t12-2",
        fill: "none",
        stroke: colour,
        "stroke-width": width,
        "stroke-dasharray": dash || null,
      }),
    );
  const hatched = () =>
    svg(
      "svg",
      { width: 26, height: 16, viewBox: "0 0 26 16", "aria-hidden": "true" },
      svg("path", { d: "M1 15L15 1M7 15L21 1M13 15L25 3M19 15L25 9M1 9L9 1", stroke: "#23211c", "stroke-width": 1 }),
      svg("rect", { x: 0.5, y: 0.5, width: 25, height: 15, fill: "none", stroke: "#23211c", "stroke-dasharray": "2 2" }),
    );
  const brick = () =>
    svg(
      "svg",
      { width: 26, height: 12, viewBox: "0 0 26 12", "aria-hidden": "true" },
      svg("path", { d: "M1 6h24M4 3v6M9 3v6M14 3v6M19 3v6M24 3v6", stroke: "#6a5d52", "stroke-width": 2.5 }),
    );

  function sign(role, words, sample, kind, countId) {
    return h(
      "button",
      { type: "button", class: "sign", "data-role": role, "aria-pressed": "false", onclick: () => take(role, kind) },
      h("span", { class: "sample" }, sample),
      h("span", { class: "sign-words" }, words),
      h("span", { class: "sign-count soft", id: `count-${countId || role}` }),
    );
  }

  function fill(kinds) {
    const known = kinds.map((kind) => ({ ...kind, words: kindWords(kind.name), square: kind.name === "building" })),
      of = (kind) =>
        sign(kind.name, kind.words, kind.name.startsWith("hedge") ? stroke(kind.colour, 5) : swatch(kind.colour), kind);
    const group = (title, signs) => h("div", { class: "sign-group" }, h("h3", {}, title), h("div", { class: "sign-list" }, signs));
    byId("sign-row").replaceChildren(
      group("Places", [
        sign("sensor", "sensor", signOf({ mark: "full", colour: "#0a3a6b" }, 22)),
        sign("gateway", "gateway place", roleSign("gateway", 22)),
        sign("relay", "relay place", roleSign("relay", 22)),
        sign("search", "ground to search", hatched(), {
          name: "search",
          words: "ground to search",
          areaOnly: true,
          colour: "#b9ad95",
        }),
      ]),
      group("Growing", known.filter((kind) => !BUILT.includes(kind.name)).map(of)),
      group("Built, wet, limits", [
        ...known.filter((kind) => BUILT.includes(kind.name)).map(of),
        sign("wall", "wall", brick(), WALL),
        sign("boundary", "boundary", stroke("#23211c", 2, "8 3 2 3"), { name: "boundary", words: "boundary", width_m: null }),
      ]),
    );
  }

  function counts() {
    const told = {};
    for (const site of desk.things()) for (const role of (site.role || "").split(" ")) told[role] = (told[role] || 0) + 1;
    for (const shape of desk.shapes()) {
      const kind = { boundary: "boundary", search_ground: "search" }[shape.use] || desk.kindOf(shape);
      told[kind] = (told[kind] || 0) + 1;
    }
    for (const one of document.querySelectorAll(".sign-count"))
      one.textContent = told[one.id.slice(6)] ? String(told[one.id.slice(6)]) : "";
  }

  /* A sign taken from the key is set where the sheet is clicked, or in its middle by Enter. */
  function take(role, kind) {
    desk.draft().drop();
    taken = taken === role ? "" : role;
    if (taken && kind) desk.draft().begin(kind);
    else desk.hint(taken ? `${words()}: click where it stands · Enter: the middle of the sheet · Escape lays the sign back` : "");
    byId("cross").hidden = !taken || Boolean(kind);
    if (!taken) desk.layDown();
    for (const one of document.querySelectorAll("#sign-row .sign"))
      one.setAttribute("aria-pressed", String(one.dataset.role === taken));
    byId("land").classList.toggle("setting", Boolean(taken));
    if (taken) desk.showSheet();
  }
  const words = () => {
    const button = document.querySelector(`#sign-row [data-role="${taken}"] .sign-words`);
    return button ? button.textContent : taken;
  };
  function layBack() {
    if (taken) take(taken);
  }
  function set(at) {
    if (!taken) return;
    const role = taken;
    take(role);
    desk.added(role, at);
  }
  document.addEventListener("keydown", (event) => {
    if (!taken || desk.draft().drawing()) return;
    if (event.key === "Escape") layBack();
    if (event.key === "Enter" && desk.map() && event.target.closest("#sign-row, #sheet")) {
      event.preventDefault();
      set(desk.map().getCenter());
    }
  });

  return { fill, counts, take, layBack, set, taken: () => taken };
};
