/* The card of a chosen place: a form made from the reader's own columns; what the reader says stands beside its field. */
"use strict";
const makeCard = (desk) => {
  const { h } = meshParts;
  const byId = (id) => document.getElementById(id);
  const FIRST = ["name", "role", "antenna_agl_m", "note"],
    PLACE = ["lon_deg", "lat_deg", "x_m", "y_m"];
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
      });
      if (["number", "whole number"].includes(column.kind)) entry.inputMode = "decimal";
    }
    entry.setAttribute("aria-describedby", `${id}-about ${id}-fault`);
    entry.addEventListener("change", () => {
      if (entry.value !== value || entry.getAttribute("aria-invalid")) changed(entry.value);
    });
    const said = column.meaning.includes("Allowed:") || !column.allowed ? "" : `Allowed: ${column.allowed}.`;
    return h(
      "div",
      { class: "blank", "data-key": column.key },
      h("label", { for: id }, column.title, h("span", { class: "key" }, column.key)),
      h("span", { class: "entry" }, entry, column.unit ? h("span", { class: "unit" }, column.unit) : null),
      h("p", { class: "about", id: `${id}-about` }, [column.meaning, said].filter(Boolean).join(" ")),
      h("p", { class: "fault", id: `${id}-fault`, role: "alert" }),
    );
  }
  const field = (column, thing) =>
    blank(column, thing.values[column.key] || "", {
      prefix: "field",
      locked: !thing.row,
      changed: (value) => desk.filled(thing, column, value),
    });

  function show(thing, { focus = true } = {}) {
    const card = byId("card");
    if (!thing) {
      card.replaceChildren(h("p", { class: "soft" }, "Choose a place on the sheet, or take a sign from the key."));
      return;
    }
    const columns = desk.columns().filter((column) => !PLACE.includes(column.key)),
      isFirst = (column) => FIRST.includes(column.key) || thing.values[column.key];
    const place = PLACE.filter((key) => thing.values[key]).map((key) => thing.values[key]);
    card.replaceChildren(
      h("p", { class: "tab" }, thing.row ? `${thing.file}, row ${thing.row}` : `${thing.file} (stays as it was recorded)`),
      h("h2", {}, thing.values.name),
      h("p", { class: "soft" }, `${thing.values.role || "place"} at ${place.join(", ")}`),
      ...columns.filter(isFirst).map((column) => field(column, thing)),
      h(
        "details",
        {},
        h("summary", {}, "All other columns"),
        columns.filter((column) => !isFirst(column)).map((column) => field(column, thing)),
      ),
      thing.row ? h("p", {}, h("button", { type: "button", id: "rub-out", onclick: () => desk.dropped(thing) }, "Rub it out")) : "",
    );
    if (focus) card.focus({ preventScroll: true });
  }

  /* The card of a shape: fields of the cover file; an outline of the property has none. */
  function showShape(shape, { focus = true } = {}) {
    const columns = shape.use === "cover" ? desk.coverColumns() : [],
      isFirst = (column) => ["kind", "name", "height_m", "width_m"].includes(column.key) || shape.values[column.key] !== undefined;
    const one = (column) =>
      blank(
        column,
        shape.values[column.key] === undefined || shape.values[column.key] === null ? "" : String(shape.values[column.key]),
        {
          prefix: "shape",
          changed: (value) => desk.shapeFilled(shape, column, value),
        },
      );
    byId("card").replaceChildren(
      h("p", { class: "tab" }, `${shape.file}, feature ${shape.feature}`),
      h("h2", {}, shape.values.name || (shape.use === "boundary" ? "Boundary" : shape.values.kind || "Shape")),
      h("p", { class: "soft" }, "Pegs move its corners; a small diamond makes a new one; Delete takes one out."),
      ...columns.filter(isFirst).map(one),
      columns.length
        ? h("details", {}, h("summary", {}, "All other fields"), columns.filter((column) => !isFirst(column)).map(one))
        : "",
      h("p", {}, h("button", { type: "button", id: "rub-out", onclick: () => desk.shapeDropped(shape) }, "Rub it out")),
    );
    if (focus) byId("card").focus({ preventScroll: true });
  }

  /* The reader's sentence beside its field, and what it offers as a button. */
  function complain(faults) {
    for (const old of document.querySelectorAll(".blank .fault")) old.replaceChildren();
    for (const old of document.querySelectorAll(".blank [aria-invalid]")) old.removeAttribute("aria-invalid");
    const rest = [];
    for (const fault of faults) {
      const form = byId(fault.file === "property.toml" ? "terms" : "card"),
        box = fault.key ? form.querySelector(`[data-key="${CSS.escape(fault.key)}"]`) : null;
      if (!box) {
        rest.push(fault);
        continue;
      }
      const entry = box.querySelector("input, select"),
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

  return { show, showShape, blank, complain };
};
