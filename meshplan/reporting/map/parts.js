/* Small parts that every view is built from. Text from the plan only ever becomes a text node. */
"use strict";
const meshParts = (() => {
  const SVG_SPACE = "http://www.w3.org/2000/svg";
  const INK = "#23211c",
    ALARM = "#8c0f2b";

  function fill(node, attributes, children) {
    for (const [name, value] of Object.entries(attributes || {})) {
      if (value === null || value === undefined || value === false) continue;
      if (name === "onclick") node.addEventListener("click", value);
      else node.setAttribute(name, value === true ? "" : value);
    }
    for (const child of children.flat(Infinity)) {
      if (child === null || child === undefined || child === false || child === "") continue;
      node.append(child instanceof Node ? child : document.createTextNode(String(child)));
    }
    return node;
  }
  const h = (tag, attributes, ...children) => fill(document.createElement(tag), attributes, children);
  const svg = (tag, attributes, ...children) => fill(document.createElementNS(SVG_SPACE, tag), attributes, children);

  /* Numbers as people read them; unknown stays a dash. */
  const known = (value) => typeof value === "number" && Number.isFinite(value);
  /* A value that lies just between two goes to the even one, as Python writes it: terminal, sheets and map round alike. */
  const EXACT_DIGITS = 60;
  function fixed(value, digits) {
    const scale = 10 ** digits,
      scaled = Math.abs(value) * scale,
      low = Math.floor(scaled);
    const between = scaled - low === 0.5 && /^50*$/.test(Math.abs(value).toFixed(EXACT_DIGITS).split(".")[1].slice(digits));
    return (between ? (Math.sign(value) * (low + (low % 2))) / scale : value).toFixed(digits);
  }
  const plain = (value, digits = 0) =>
    known(value)
      ? fixed(value, digits)
          .replace(/^-(?=0(\.0+)?$)/, "")
          .replace("-", "−")
      : "–";
  const signed = (value, digits = 1) => (known(value) ? (value > 0 ? "+" : "") + plain(value, digits) : "–");
  const metres = (value) => (!known(value) ? "–" : Math.abs(value) < 1000 ? `${plain(value)} m` : `${plain(value / 1000, 2)} km`);
  const height = (value) => (known(value) ? `${plain(value, Math.abs(value - Math.round(value)) < 0.05 ? 0 : 1)} m` : "–");
  /* A margin or a lack, rounded as everywhere: tenths below 10 dB, whole above. */
  const level = (value) => plain(value, known(value) && Math.abs(value) < 9.95 ? 1 : 0);
  const decibel = (value, digits) => `${digits === undefined ? level(value) : plain(value, digits)} dB`;
  const amount = (value, currency) =>
    known(value) ? `${plain(value, Math.abs(value - Math.round(value)) < 0.005 ? 0 : 2)} ${currency}` : "–";
  /* 0.9996 is never shown as certain, nor 0.0004 as impossible. */
  function chance(value) {
    if (!known(value)) return "unknown";
    if (value >= 0.995) return "over 99 %";
    if (value < 0.005) return "under 1 %";
    return `${fixed(100 * value, 0)} %`;
  }
  const compass = (degrees) => `${plain(degrees)}° ${["N", "NE", "E", "SE", "S", "SW", "W", "NW"][Math.round(degrees / 45) % 8]}`;
  /* A season as every sentence of the plan, every table and the terminal call it. */
  const MONTHS =
    "January February March April May June July August September October November December".split(" ");
  const monthWords = (number) => MONTHS[number - 1];
  const seasonWords = (name) => (name ? MONTHS.find((month) => month.slice(0, 3) === name) || name.replaceAll("_", " ") : "");
  /* The same where a line begins with it. */
  const seasonTitle = (name) => {
    const words = seasonWords(name);
    return words ? words[0].toUpperCase() + words.slice(1) : "";
  };
  /* "wood_deciduous" reads "deciduous wood". */
  const kindWords = (kind) => kind.replace(/^(wood|hedge)_(.+)$/, "$2 $1").replaceAll("_", " ");
  /* A catalogue key in readable words. */
  const plainName = (key) => (key ? key.replaceAll("-", " ").replaceAll("_", " ") : key);
  const wide = () => window.matchMedia("(min-width: 861px)").matches;
  const count = (number, one, many) => `${number} ${number === 1 ? one : many}`;

  /* A stretch of line as the map draws it. */
  function lineSample(style, width = 38) {
    return svg(
      "svg",
      { width, height: 12, viewBox: `0 0 ${width} 12`, "aria-hidden": "true" },
      svg("line", {
        x1: 1,
        x2: width - 1,
        y1: 6,
        y2: 6,
        stroke: style.colour,
        "stroke-width": 4,
        "stroke-dasharray": style.dash || null,
      }),
    );
  }
  const verdictBadge = (style) => h("span", { class: "verdict" }, lineSample(style, 32), style.name);

  /* Marks of the sites. Shape tells the role; inside a sensor's disc a second sign tells its verdict. */
  const verdictSigns = {
    full: (colour) => [svg("circle", { cx: 12, cy: 12, r: 8, fill: colour, stroke: "#fff", "stroke-width": 1.5 })],
    ring: (colour) => [svg("circle", { cx: 12, cy: 12, r: 6.5, fill: "#fff", stroke: colour, "stroke-width": 4.5 })],
    half: (colour) => [
      svg("circle", { cx: 12, cy: 12, r: 7.5, fill: "#fff", stroke: colour, "stroke-width": 2.5 }),
      svg("path", { d: "M4.5 12a7.5 7.5 0 0 0 15 0z", fill: colour }),
    ],
    cross: (colour) => [
      svg("circle", { cx: 12, cy: 12, r: 7.5, fill: "#fff", stroke: colour, "stroke-width": 2.5 }),
      svg("path", { d: "M8.5 8.5l7 7m0-7l-7 7", stroke: colour, "stroke-width": 2.5, fill: "none" }),
    ],
    query: (colour) => [
      svg("circle", { cx: 12, cy: 12, r: 7.5, fill: "#fff", stroke: colour, "stroke-width": 2.5, "stroke-dasharray": "4 2" }),
      svg("path", { d: "M9.6 9.8a2.5 2.4 0 1 1 3.6 2.2q-1.2.6-1.2 1.6", stroke: colour, "stroke-width": 2, fill: "none" }),
      svg("circle", { cx: 12, cy: 16, r: 1.2, fill: colour }),
    ],
  };
  const roleShapes = {
    gateway: (solid) => [
      svg("path", {
        d: "M12 1.5L22 9.5V22H2V9.5z",
        fill: solid ? INK : "#fff",
        stroke: solid ? "#fff" : INK,
        "stroke-width": 1.5,
        "stroke-dasharray": solid ? null : "3 2",
      }),
      svg("path", { d: "M6.5 17.5v-3.5a5.5 5.5 0 0 1 11 0v3.5z", fill: solid ? "#fff" : INK }),
    ],
    relay: (solid) => [
      svg("path", {
        d: "M12 1L21.5 12L12 23L2.5 12z",
        fill: solid ? INK : "#fff",
        stroke: solid ? "#fff" : INK,
        "stroke-width": 1.5,
        "stroke-dasharray": solid ? null : "3 2",
      }),
      svg("path", { d: "M7 12h10m-3.5-3.5l3.5 3.5l-3.5 3.5", stroke: solid ? "#fff" : INK, "stroke-width": 2, fill: "none" }),
    ],
    unserved: () => [
      svg("circle", { cx: 12, cy: 12, r: 11, fill: ALARM, stroke: "#fff", "stroke-width": 2 }),
      svg("path", { d: "M7.5 7.5l9 9m0-9l-9 9", stroke: "#fff", "stroke-width": 3.2, fill: "none" }),
    ],
    lost: () => [
      svg("circle", { cx: 12, cy: 12, r: 10, fill: "#111", stroke: "#fff", "stroke-width": 2 }),
      svg("path", { d: "M5 19L19 5", stroke: "#fff", "stroke-width": 2.5 }),
    ],
  };
  function mark(device, verdicts, { size = 24, lost = false } = {}) {
    const solid = device.in_plan;
    let shape;
    if (lost) shape = roleShapes.lost();
    else if (device.role !== "sensor") shape = roleShapes[device.role](solid);
    else if (!device.served) shape = roleShapes.unserved();
    else {
      const style = verdicts.get(device.verdict);
      shape = style ? verdictSigns[style.mark](style.colour) : verdictSigns.ring(INK);
    }
    return svg("svg", { width: size, height: size, viewBox: "0 0 24 24", "aria-hidden": "true" }, shape);
  }
  const signOf = (style, size = 20) =>
    svg("svg", { width: size, height: size, viewBox: "0 0 24 24", "aria-hidden": "true" }, verdictSigns[style.mark](style.colour));
  const roleSign = (role, size = 24) =>
    svg("svg", { width: size, height: size, viewBox: "0 0 24 24", "aria-hidden": "true" }, roleShapes[role](true));
  const spareSign = (role, size = 24) =>
    svg("svg", { width: size, height: size, viewBox: "0 0 24 24", "aria-hidden": "true" }, roleShapes[role](false));

  function table(caption, head, rows, css) {
    return h(
      "table",
      { class: css },
      caption ? h("caption", {}, caption) : null,
      h(
        "thead",
        {},
        h(
          "tr",
          {},
          head.map(([words, css]) => h("th", { scope: "col", class: css }, words)),
        ),
      ),
      h("tbody", {}, rows),
    );
  }
  const list = (texts) =>
    texts.length
      ? h(
          "ul",
          {},
          texts.map((text) => h("li", {}, text)),
        )
      : null;
  function facts(pairs) {
    return h(
      "dl",
      { class: "facts" },
      pairs
        .filter(([, value]) => value !== null && value !== undefined && value !== "")
        .map(([name, value]) => [h("dt", {}, name), h("dd", {}, value)]),
    );
  }
  /* Content that is made when it is opened, or printed. */
  function later(title, make) {
    const box = h("details", { class: "more" }, h("summary", {}, title));
    box.fill = () => {
      if (make) fill(box, {}, [make()]);
      make = null;
    };
    box.addEventListener("toggle", () => box.fill());
    return box;
  }
  /* A table whose first rows stand there and the others wait until they are asked for: hundreds of rows would hold up the page. */
  const MANY_ROWS = 80,
    FIRST_ROWS = 40;
  function longTable(caption, head, items, rowOf, what) {
    if (items.length <= MANY_ROWS) return table(caption, head, items.map(rowOf));
    const rest = items.slice(FIRST_ROWS);
    return [
      table(`${caption} The first ${FIRST_ROWS} of ${items.length}.`, head, items.slice(0, FIRST_ROWS).map(rowOf)),
      later(`The other ${rest.length} ${what}`, () => table("", head, rest.map(rowOf))),
    ];
  }
  const more = (title, ...content) => h("details", { class: "more" }, h("summary", {}, title), content);

  return {
    h,
    svg,
    known,
    plain,
    signed,
    metres,
    height,
    decibel,
    level,
    amount,
    chance,
    compass,
    seasonWords,
    seasonTitle,
    monthWords,
    kindWords,
    plainName,
    count,
    wide,
    lineSample,
    verdictBadge,
    mark,
    signOf,
    roleSign,
    spareSign,
    table,
    list,
    facts,
    more,
    later,
    longTable,
    INK,
    ALARM,
  };
})();
