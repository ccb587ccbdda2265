/* The conditions of the plan: keys of property.toml as blanks made from the reader's own models, and what each change did. */
"use strict";
const makeTerms = (desk, card) => {
  const { h } = meshParts;
  const byId = (id) => document.getElementById(id);
  const DIGEST = [
      ["radio", "Radio"],
      ["country", "Country"],
      ["seasons", "Seasons"],
      ["requirement.hop_limit", "Most hops"],
      ["requirement.second_route", "Second routes"],
      ["requirement.budget", "Budget"],
    ],
    ALSO = ["requirement.link_chance"],
    ELSEWHERE = ["sites", "cover", "boundary", "search_ground"];
  const effects = new Map();

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
    const made = card.blank(column, shown(was), {
      prefix: "term",
      changed: (text) => desk.termed(column, meant(column, text), was === undefined ? null : was),
    });
    const effect = effects.get(column.key);
    if (effect) made.append(h("p", { class: "about told-effect" }, effect));
    return made;
  }

  const columns = () => desk.terms().filter((column) => !ELSEWHERE.includes(column.key));

  /* In the margin: six of them in a word each; a click opens the card at that blank. */
  function digest() {
    byId("digest").replaceChildren(
      ...DIGEST.map(([key, title]) => {
        const column = columns().find((one) => one.key === key);
        if (!column) return "";
        const value = shown(valueOf(key)) || column.usual || "open";
        return h(
          "button",
          { type: "button", class: "term", "data-term": key, onclick: () => open(key) },
          h("span", { class: "soft" }, title),
          h("span", { class: "value" }, meshParts.plainName(value)),
        );
      }).filter(Boolean),
    );
  }

  function open(key) {
    show({ focus: true });
    const field = key && byId(`term-${key}`);
    if (field) field.focus();
  }

  function show(options = { focus: false }) {
    const tables = new Map(),
      first = [...DIGEST.map(([key]) => key), ...ALSO];
    for (const column of columns())
      if (!first.includes(column.key)) tables.set(column.table, [...(tables.get(column.table) || []), column]);
    card.showView(
      [
        h("h2", {}, "Conditions of the plan"),
        h(
          "p",
          { class: "soft" },
          "What is left empty is as usual. Each change is planned at once; what it did stands on the slip and below its blank.",
        ),
        first
          .map((key) => columns().find((column) => column.key === key))
          .filter(Boolean)
          .map(blank),
        h(
          "p",
          { class: "acts" },
          card.button("compare-classes", "Compare all radio classes", () => desk.job("compare")),
        ),
        [...tables].map(([table, rows]) =>
          card.fold(
            table || "names",
            rows[0].table_meaning ? rows[0].table_meaning.replace(/\.$/, "") : "Name and files",
            rows.map(blank),
          ),
        ),
      ],
      "property.toml",
      "terms",
      options,
    );
  }
  const effect = (key, words) => effects.set(key, words);

  return { show, open, digest, effect };
};
