/* The card: a form made from the reader's own columns for what is chosen; what the reader says stands beside its field. */
"use strict";
const makeCard = (desk) => {
  const { h } = meshParts;
  const byId = (id) => document.getElementById(id);
  const FIRST = ["name", "role", "antenna_agl_m", "note"],
    PLACE = ["lon_deg", "lat_deg", "x_m", "y_m"],
    SHAPE_FIRST = ["kind", "name", "height_m", "width_m"];
  let shown = { what: "none" };

  /* One blank of a form; `changed` is told what was entered. */
  function blank(column, value, { prefix, locked = false, changed }) {
    const id = `${prefix}-${column.key}`;
    const usual = column.usual ? `usual: ${column.usual}` : "";
    let entry;
    if (column.kind === "one of" || column.kind === "yes or no") {
      const words = column.kind === "yes or no" ? ["yes", "no"] : column.choices;
      entry = h(
        "select",
        { id, disabled: locked },
        h("option", { value: "" }, usual || "–"),
        (words.includes(value) || !value ? words : [value, ...words]).map((word) =>
          h("option", { value: word, selected: word === value }, word),
        ),
      );
    } else {
      entry = h("input", {
        id,
        type: "text",
        value,
        placeholder: usual,
        autocomplete: "off",
        spellcheck: "false",
        readonly: locked,
        list: desk.listOf(column.key),
      });
      if (["number", "whole number"].includes(column.kind)) entry.inputMode = "decimal";
    }
    entry.setAttribute("aria-describedby", `${id}-about ${id}-fault`);
    entry.addEventListener("change", () => {
      if (entry.value !== value || entry.getAttribute("aria-invalid")) changed(entry.value);
    });
    const said =
      column.meaning.includes("Allowed:") || !column.allowed || entry.tagName === "SELECT" ? "" : `Allowed: ${column.allowed}.`;
    return h(
      "div",
      { class: "blank", "data-key": column.key },
      h("label", { for: id }, column.title, h("span", { class: "key" }, column.key)),
      h("span", { class: "entry" }, entry, column.unit ? h("span", { class: "unit" }, column.unit) : null),
      h("p", { class: "about", id: `${id}-about` }, [column.meaning, said].filter(Boolean).join(" ")),
      h("p", { class: "fault", id: `${id}-fault`, role: "alert" }),
    );
  }

  function lay(what, tab, content, { focus = false } = {}) {
    const open = shown.key === what.key ? [...byId("ledger").querySelectorAll("details[open]")].map((one) => one.dataset.fold) : [],
      top = shown.key === what.key ? byId("ledger").scrollTop : 0;
    shown = what;
    byId("card-tab").textContent = tab;
    byId("ledger").replaceChildren(...[content].flat(Infinity).filter(Boolean));
    for (const one of byId("ledger").querySelectorAll("details[data-fold]")) if (open.includes(one.dataset.fold)) one.open = true;
    byId("ledger").scrollTop = top;
    byId("card").dataset.what = what.what;
    if (focus) {
      byId("ledger").focus({ preventScroll: true });
      desk.pane("card");
    }
  }
  const fold = (name, title, content) =>
    content.length ? h("details", { "data-fold": name }, h("summary", {}, title), content) : "";
  const button = (id, words, act) => h("button", { type: "button", id, onclick: act }, words);

  function none() {
    lay({ what: "none", key: "none" }, "Card", [
      h("p", { class: "soft" }, "Choose a place, a link or a shape on the sheet, or take a sign from the key and set it."),
      h(
        "p",
        { class: "soft" },
        "Everything here is written into the folder as ordinary files; the field book below puts any step back.",
      ),
    ]);
  }

  function show(thing, { focus = true } = {}) {
    if (!thing) {
      if (["none", "thing", "shape"].includes(shown.what)) none();
      return;
    }
    const columns = desk.columns().filter((column) => !PLACE.includes(column.key)),
      isFirst = (column) => FIRST.includes(column.key) || thing.values[column.key];
    const field = (column) =>
      blank(column, thing.values[column.key] || "", {
        prefix: "field",
        locked: !thing.row,
        changed: (value) => desk.filled(thing, column, value),
      });
    const place = PLACE.filter((key) => thing.values[key]).map((key) => thing.values[key]);
    lay(
      { what: "thing", key: `thing ${thing.values.name}` },
      thing.row ? `${thing.file}, row ${thing.row}` : `${thing.file} (stays as it was recorded)`,
      [
        h("h2", {}, thing.values.name),
        h("p", { class: "soft" }, `${thing.values.role || "place"} at ${place.join(", ")}`),
        desk.onPlan(thing),
        columns.filter(isFirst).map(field),
        fold("more", "All other columns", columns.filter((column) => !isFirst(column)).map(field)),
        thing.row
          ? h(
              "p",
              { class: "acts" },
              button("copy", "Copy it", () => desk.copied(thing)),
              button("rub-out", "Rub it out", () => desk.dropped(thing)),
            )
          : "",
      ],
      { focus },
    );
  }

  /* The card of a shape: fields of the cover file; an outline of the property has none. */
  function showShape(shape, { focus = true } = {}) {
    const columns = shape.use === "cover" ? desk.coverColumns() : [],
      isFirst = (column) => SHAPE_FIRST.includes(column.key) || shape.values[column.key] !== undefined;
    const one = (column) =>
      blank(
        column,
        shape.values[column.key] === undefined || shape.values[column.key] === null ? "" : String(shape.values[column.key]),
        { prefix: "shape", changed: (value) => desk.shapeFilled(shape, column, value) },
      );
    lay(
      { what: "shape", key: `shape ${shape.file} ${shape.feature}` },
      `${shape.file}, feature ${shape.feature}`,
      [
        h("h2", {}, desk.titleOf(shape)),
        h("p", { class: "soft" }, desk.measured(shape)),
        shape.use === "search_ground" ? [h("p", {}, "The planner looks for relay places here."), desk.searched()] : "",
        columns.filter(isFirst).map(one),
        fold("more", "All other fields", columns.filter((column) => !isFirst(column)).map(one)),
        h(
          "p",
          { class: "acts" },
          button("copy", "Copy it", () => desk.shapeCopied(shape)),
          button("cut", "Cut it here", () => desk.pencil().cutAt(shape)),
          button("rub-out", "Rub it out", () => desk.shapeDropped(shape)),
        ),
        h(
          "p",
          { class: "soft small" },
          "Yellow pegs move corners, white diamonds make new ones, the ring moves the whole. " +
            "On a peg: arrows move it, + gives a corner, X cuts, Delete takes it out.",
        ),
      ],
      { focus },
    );
  }

  /* Anything else that lies on the card: a link, a section, the conditions, what is handed out. */
  function showView(content, tab, what = "view", options = { focus: true }) {
    lay(
      { what, key: what },
      tab,
      [
        content,
        h(
          "p",
          { class: "acts" },
          button("close-card", "Lay it aside", () => desk.aside()),
        ),
      ],
      options,
    );
  }
  function again() {
    shown = { what: "none" };
    desk.showChosen();
  }

  /* The reader's sentence beside its field, and what it offers as a button. */
  function complain(faults) {
    for (const old of document.querySelectorAll(".blank .fault")) old.replaceChildren();
    for (const old of document.querySelectorAll(".blank [aria-invalid]")) old.removeAttribute("aria-invalid");
    const rest = [];
    for (const fault of faults) {
      const settings = fault.file === "property.toml" && shown.what !== "shape",
        fits = settings === ["terms", "begin"].includes(shown.what),
        box = fault.key && fits ? byId("ledger").querySelector(`[data-key="${CSS.escape(fault.key)}"]`) : null;
      if (!box) {
        rest.push(fault);
        continue;
      }
      const entry = box.querySelector("input, select, textarea"),
        offer = /^Write ([-+\d.]+)[, ]/.exec(fault.fix);
      for (let up = box.parentElement; up; up = up.parentElement) if (up.tagName === "DETAILS") up.open = true;
      entry.setAttribute("aria-invalid", "true");
      box.querySelector(".fault").append(
        `✕ ${fault.problem}. ${fault.fix} `,
        offer
          ? h(
              "button",
              {
                type: "button",
                onclick: () => {
                  entry.value = offer[1];
                  entry.dispatchEvent(new Event("change"));
                },
              },
              `Take ${offer[1]}`,
            )
          : "",
      );
    }
    return rest;
  }

  return { show, showShape, showView, again, none, blank, complain, fold, button, what: () => shown.what };
};
