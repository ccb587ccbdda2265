/* The terms of the plan: keys of property.toml as blanks, made from the reader's own models. */
"use strict";
const makeTerms = (desk, card) => {
  const { h } = meshParts;
  const byId = (id) => document.getElementById(id);
  const FIRST = [
      "radio",
      "country",
      "seasons",
      "requirement.hop_limit",
      "requirement.second_route",
      "requirement.link_chance",
      "requirement.budget",
    ],
    ELSEWHERE = ["sites", "cover", "boundary"];

  const valueOf = (key) =>
    key.split(".").reduce((table, part) => (table && typeof table === "object" ? table[part] : undefined), desk.settings());
  const shown = (value) =>
    value === undefined || value === null
      ? ""
      : Array.isArray(value)
        ? value.join(", ")
        : value === true
          ? "yes"
          : value === false
            ? "no"
            : String(value);

  /* What was typed as the file would say it; what is no number stays a text, and the reader says so. */
  function meant(column, text) {
    const words = text.trim();
    if (!words) return null;
    if (column.kind === "yes or no") return words === "yes";
    if (["number", "whole number"].includes(column.kind) && /^[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?$/i.test(words))
      return Number(words);
    if (column.kind === "several of") {
      const parts = words
        .split(",")
        .map((part) => part.trim())
        .filter(Boolean);
      return parts.length === 1 ? parts[0] : parts;
    }
    return words;
  }

  function blank(column) {
    const was = valueOf(column.key);
    return card.blank(column, shown(was), {
      prefix: "term",
      changed: (text) => desk.termed(column, meant(column, text), was === undefined ? null : was),
    });
  }

  function show() {
    const box = byId("terms"),
      open = new Set([...box.querySelectorAll("details[open]")].map((one) => one.dataset.table)),
      columns = desk.terms().filter((column) => !ELSEWHERE.includes(column.key)),
      tables = new Map();
    for (const column of columns)
      if (!FIRST.includes(column.key)) tables.set(column.table, [...(tables.get(column.table) || []), column]);
    const first = FIRST.map((key) => columns.find((column) => column.key === key)).filter(Boolean);
    byId("terms-body").replaceChildren(
      ...first.map(blank),
      ...[...tables].map(([table, rows]) =>
        h(
          "details",
          { "data-table": table, open: open.has(table) },
          h("summary", {}, rows[0].table_meaning ? rows[0].table_meaning.replace(/\.$/, "") : "Name and files"),
          rows.map(blank),
        ),
      ),
    );
  }

  return { show };
};
