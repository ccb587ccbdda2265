/* The section through the land between two antennas: ground lifted by the Earth's curve, what stands on it, the first Fresnel zone
   over it, the straight line, and the tightest place. Draws what it is given. */
"use strict";
const meshChart = (() => {
  const { svg, plain, metres, height, kindWords } = meshParts;
  const LEFT = 46,
    RIGHT = 16,
    TOP = 26,
    BOTTOM = 30,
    ZONE_POINTS = 60;

  /* Round steps for an axis: 1, 2, 5 times a power of ten. */
  function axisSteps(low, high, wanted) {
    const rough = (high - low) / Math.max(wanted, 1),
      power = 10 ** Math.floor(Math.log10(rough || 1));
    const step = [1, 2, 5, 10].map((n) => n * power).find((one) => one >= rough) || power;
    const found = [];
    for (let n = Math.ceil(low / step - 1e-9); n * step <= high + 1e-9; n++) found.push(n * step);
    return { step, found };
  }

  /* Heights of everything along the path, on the flat drawing: the bulge of the Earth is added to the ground. */
  function linesOf(cut) {
    const { profile } = cut,
      total = profile.distanceM,
      points = [];
    const startAmsl = profile.ground[0] + cut.startAgl,
      endAmsl = profile.ground[profile.ground.length - 1] + cut.endAgl;
    for (let i = 0; i < profile.along.length; i++) {
      const along = profile.along[i];
      const bulge = meshEngine.earthBulgeM(along, total, profile.radiusKm);
      const line = startAmsl + ((endAmsl - startAmsl) * along) / total;
      const zone = meshEngine.fresnelRadiusM(along, total - along, cut.frequencyMhz);
      points.push({
        along,
        raw: profile.ground[i],
        ground: profile.ground[i] + bulge,
        top: profile.ground[i] + bulge + profile.cover[i],
        line,
        zone,
        cover: profile.cover[i],
        kind: profile.kind[i],
      });
    }
    return { points, startAmsl, endAmsl };
  }

  /* Stretches of one kind of cover, as [first, last] sample. */
  function stretches(points) {
    const found = [];
    points.forEach((point, i) => {
      if (!(point.cover > 0)) return;
      const open = found[found.length - 1];
      if (open && open.last === i - 1 && open.kind === point.kind) open.last = i;
      else found.push({ kind: point.kind, first: i, last: i });
    });
    return found;
  }

  /* The things beside the tightest place that reach furthest into the zone, by share of its half-width: at most two, each named once. */
  const MOST_REACHING_IN = 2;
  function reachIn(points, coverKinds, tightAt) {
    const total = points[points.length - 1].along;
    return stretches(points)
      .map(({ kind, first, last }) => {
        const point = points
          .slice(first, last + 1)
          .reduce((best, p) => ((p.top - p.line) / (p.zone || 1) > (best.top - best.line) / (best.zone || 1) ? p : best));
        return {
          point,
          from: points[first].along,
          to: points[last].along,
          inM: point.top - (point.line - point.zone),
          share: (point.top - point.line) / (point.zone || 1),
          name: kindWords((coverKinds[kind] || { name: "cover" }).name),
        };
      })
      .filter((one) => one.inM > 0 && one.point.zone > 0.2 && one.point.along > 0 && one.point.along < total)
      .filter((one) => !(tightAt >= one.from - 1 && tightAt <= one.to + 1))
      .sort((a, b) => b.share - a.share)
      .slice(0, MOST_REACHING_IN);
  }

  function draw(host, cut, coverKinds) {
    const box = host.getBoundingClientRect();
    const wide = Math.max(box.width, 280),
      high = Math.max(box.height, 100);
    const { points, startAmsl, endAmsl } = linesOf(cut),
      total = cut.profile.distanceM;
    const levels = points.flatMap((p) => [p.ground, p.top, p.line + p.zone, p.line - 0.3 * p.zone]).filter(Number.isFinite);
    const lowest = Math.min(...levels),
      highest = Math.max(...levels),
      span = Math.max(highest - lowest, 4);
    const bottom = lowest - 0.08 * span,
      top = highest + 0.06 * span;
    const x = (along) => LEFT + (along / total) * (wide - LEFT - RIGHT);
    const y = (amsl) => TOP + ((top - amsl) / (top - bottom)) * (high - TOP - BOTTOM);
    const path = (list) => list.map(([a, b], i) => `${i ? "L" : "M"}${a.toFixed(1)} ${b.toFixed(1)}`).join("");
    const known = points.filter((p) => Number.isFinite(p.ground));
    const frame = svg(
      "clipPath",
      { id: "plot-frame" },
      svg("rect", { x: LEFT, y: TOP - 4, width: wide - LEFT - RIGHT, height: high - TOP - BOTTOM + 4 }),
    );
    const figure = svg(
      "svg",
      { viewBox: `0 0 ${wide} ${high}`, role: "img", "aria-label": cut.sentence, preserveAspectRatio: "none" },
      frame,
    );

    const rungs = axisSteps(bottom, top, (high - TOP - BOTTOM) / 34),
      marks = axisSteps(0, total, (wide - LEFT - RIGHT) / 95);
    for (const rung of rungs.found) {
      figure.append(
        svg("line", { x1: LEFT, x2: wide - RIGHT, y1: y(rung), y2: y(rung), stroke: "#b9ad95", "stroke-width": 0.6 }),
        svg("text", { x: LEFT - 6, y: y(rung) + 4, "text-anchor": "end" }, plain(rung, rungs.step < 1 ? 1 : 0)),
      );
    }
    figure.append(svg("text", { x: 4, y: 14 }, "m above sea"));
    figure.append(
      svg("path", {
        class: "ground",
        d: path([...known.map((p) => [x(p.along), y(p.ground)]), [x(total), y(bottom)], [x(0), y(bottom)]]) + "Z",
        fill: "#cdbb97",
        stroke: "none",
      }),
    );
    for (const stretch of stretches(points)) {
      const run = points.slice(stretch.first, stretch.last + 1),
        half = total / (points.length - 1) / 2;
      const from = Math.max(run[0].along - half, 0),
        to = Math.min(run[run.length - 1].along + half, total);
      const kind = coverKinds[stretch.kind] || { name: "cover", colour: "#9a9176" };
      const outline = [
        [x(from), y(run[0].ground)],
        [x(from), y(run[0].top)],
        ...run.map((p) => [x(p.along), y(p.top)]),
        [x(to), y(run[run.length - 1].top)],
        [x(to), y(run[run.length - 1].ground)],
        ...run
          .slice()
          .reverse()
          .map((p) => [x(p.along), y(p.ground)]),
      ];
      figure.append(
        svg("path", { class: "cover", d: path(outline) + "Z", fill: kind.colour, stroke: "#23211c", "stroke-width": 0.6 }),
      );
      if (x(to) - x(from) > 8.2 * kind.name.length * 0.8) {
        const middle = run[run.length >> 1];
        figure.append(
          svg(
            "text",
            {
              x: x(middle.along),
              y: Math.min(y(middle.ground) + 15, high - BOTTOM - 4),
              "text-anchor": "middle",
              "font-style": "italic",
            },
            kindWords(kind.name),
          ),
        );
      }
    }
    figure.append(
      svg("path", { d: path(known.map((p) => [x(p.along), y(p.ground)])), fill: "none", stroke: "#5b4a2c", "stroke-width": 1.5 }),
    );
    /* Closer together near the ends, where the zone opens fast. */
    const lens = Array.from({ length: ZONE_POINTS + 1 }, (_, i) => {
      const along = (total * (1 - Math.cos((Math.PI * i) / ZONE_POINTS))) / 2;
      return {
        along,
        line: startAmsl + ((endAmsl - startAmsl) * along) / total,
        zone: meshEngine.fresnelRadiusM(along, total - along, cut.frequencyMhz),
      };
    });
    const upper = lens.map((p) => [x(p.along), y(p.line + p.zone)]),
      lower = lens.map((p) => [x(p.along), y(p.line - p.zone)]);
    figure.append(
      svg("path", {
        class: "fresnel",
        "clip-path": "url(#plot-frame)",
        d: path([...upper, ...lower.slice().reverse()]) + "Z",
        fill: "#2f7fc1",
        "fill-opacity": 0.38,
        stroke: "#1c5f9c",
        "stroke-opacity": 0.8,
        "stroke-width": 0.8,
      }),
    );
    figure.append(
      svg("path", {
        "clip-path": "url(#plot-frame)",
        d: path(lens.map((p) => [x(p.along), y(p.line - meshFigures.clear_share * p.zone)])),
        fill: "none",
        stroke: "#0a3a6b",
        "stroke-dasharray": "4 3",
        "stroke-width": 1,
      }),
    );
    figure.append(
      svg("line", {
        class: "ray",
        x1: x(0),
        y1: y(startAmsl),
        x2: x(total),
        y2: y(endAmsl),
        stroke: "#0a3a6b",
        "stroke-width": 1.8,
      }),
    );
    for (const [along, base, antenna] of [
      [0, points[0].ground, startAmsl],
      [total, points[points.length - 1].ground, endAmsl],
    ]) {
      figure.append(
        svg("line", { x1: x(along), x2: x(along), y1: y(base), y2: y(antenna), stroke: "#23211c", "stroke-width": 3 }),
        svg("circle", { cx: x(along), cy: y(antenna), r: 4, fill: "#23211c", stroke: "#fff" }),
      );
    }
    const taken = [
      { left: 0, right: 90, top: 0, bottom: 17 },
      { left: wide - RIGHT - 190, right: wide, top: 0, bottom: 17 },
    ];
    if (Number.isFinite(cut.tightAt) && cut.tightAt > 0 && cut.tightAt < total) {
      const spot = points.reduce((best, p) => (Math.abs(p.along - cut.tightAt) < Math.abs(best.along - cut.tightAt) ? p : best));
      const px = x(spot.along),
        py = y(Math.max(spot.top, spot.ground));
      const words = cut.tightWords,
        nearRight = px > wide - 40 - 6.2 * words.length,
        long = 6.8 * words.length,
        left = nearRight ? px - 10 - long : px + 10,
        up = Math.max(py - 8, 24);
      taken.push({ left, right: left + long, top: up - 10, bottom: up + 3 });
      figure.append(
        svg("path", { class: "tightest", d: `M${px} ${py - 1}l-6 -11h12z`, fill: "#8c0f2b", stroke: "#fff" }),
        svg(
          "text",
          {
            x: nearRight ? px - 10 : px + 10,
            y: Math.max(py - 8, 24),
            "text-anchor": nearRight ? "end" : "start",
            "font-weight": 600,
            stroke: "#f6f1e6",
            "stroke-width": 3,
            "paint-order": "stroke",
          },
          words,
        ),
      );
    }
    /* A label goes to the nearest height where it covers no other; none if it must give way everywhere. */
    const label = (words, at, up, anchor, css) => {
      const long = 6.4 * words.length,
        left = { start: at, middle: at - long / 2, end: at - long }[anchor];
      const boxAt = (down) => ({ left, right: left + long, top: up + down - 10, bottom: up + down + 3 });
      const free = (box) =>
        box.top >= 2 &&
        box.bottom <= high - BOTTOM &&
        !taken.some((one) => box.left < one.right && one.left < box.right && box.top < one.bottom && one.top < box.bottom);
      const down = [0, -13, 13, 26, -26, 39, 52].find((step) => free(boxAt(step)));
      if (down === undefined) return "";
      taken.push(boxAt(down));
      return svg(
        "text",
        { class: css, x: at, y: up + down, "text-anchor": anchor, stroke: "#f6f1e6", "stroke-width": 3, "paint-order": "stroke" },
        words,
      );
    };
    /* The masts by name, the zone and its 60 % line by what they are. */
    if (cut.names) {
      const room = (wide - LEFT - RIGHT) / 2 / 6.6,
        short = (name) => (name.length > room ? `${name.slice(0, Math.max(room - 1, 3))}…` : name);
      figure.append(
        label(short(cut.names[0]), x(0) + 8, Math.max(y(startAmsl) - 9, TOP + 2), "start", "mast-name"),
        label(short(cut.names[1]), x(total) - 8, Math.max(y(endAmsl) - 9, TOP + 2), "end", "mast-name"),
      );
    }
    const third = lens[Math.round(ZONE_POINTS * 0.38)],
      later = lens[Math.round(ZONE_POINTS * 0.66)];
    if (wide > 420 && y(third.line - third.zone) - y(third.line + third.zone) > 11)
      figure.append(
        label("first Fresnel zone", x(third.along), Math.max(y(third.line + third.zone) - 3, TOP + 8), "middle", "zone-name"),
        label(
          `${Math.round(100 * meshFigures.clear_share)} % line: keep it free`,
          x(later.along),
          Math.min(y(later.line - meshFigures.clear_share * later.zone) + 12, high - BOTTOM - 3),
          "middle",
          "zone-name",
        ),
      );
    for (const one of reachIn(points, coverKinds, cut.tightAt)) {
      const at = x(one.point.along);
      figure.append(
        svg("path", { class: "reaches-in", d: `M${at} ${y(one.point.top) - 1}l-4 -8h8z`, fill: "#23211c", stroke: "#fff" }),
        label(
          `${one.name}, ${plain(one.inM, 1)} m into the zone`,
          Math.min(Math.max(at, LEFT + 70), wide - RIGHT - 70),
          Math.max(y(one.point.top) - 12, TOP + 6),
          "middle",
          "reaches-in-name",
        ),
      );
    }
    for (const mark of marks.found) {
      figure.append(
        svg("line", { x1: x(mark), x2: x(mark), y1: high - BOTTOM, y2: high - BOTTOM + 5, stroke: "#23211c" }),
        svg(
          "text",
          { x: x(mark), y: high - BOTTOM + 17, "text-anchor": mark === 0 ? "start" : mark > 0.97 * total ? "end" : "middle" },
          metres(mark),
        ),
      );
    }
    figure.append(svg("line", { x1: LEFT, x2: wide - RIGHT, y1: high - BOTTOM, y2: high - BOTTOM, stroke: "#23211c" }));
    const times = (wide - LEFT - RIGHT) / total / ((high - TOP - BOTTOM) / (top - bottom));
    if (times < 0.67)
      figure.append(
        svg(
          "text",
          { x: wide - RIGHT, y: 14, "text-anchor": "end" },
          `heights drawn ${plain(1 / times, 1 / times < 10 ? 1 : 0)} times larger`,
        ),
      );
    const hair = svg("line", {
      class: "hair",
      x1: x(0),
      x2: x(0),
      y1: TOP,
      y2: high - BOTTOM,
      stroke: "#8c0f2b",
      "stroke-width": 1.2,
      visibility: "hidden",
    });
    figure.append(hair);
    host.replaceChildren(figure);
    return {
      alongAt: (clientX) => {
        const place = figure.getBoundingClientRect();
        return Math.min(Math.max((((clientX - place.left) / place.width) * wide - LEFT) / (wide - LEFT - RIGHT), 0), 1) * total;
      },
      showAt: (along) => {
        hair.setAttribute("x1", x(along));
        hair.setAttribute("x2", x(along));
        hair.setAttribute("visibility", "visible");
      },
      wordsAt: (along) => wordsAt(points, along, coverKinds),
    };
  }

  function wordsAt(points, along, coverKinds) {
    const spot = points.reduce((best, p) => (Math.abs(p.along - along) < Math.abs(best.along - along) ? p : best));
    const stands = spot.cover > 0 ? `, ${kindWords((coverKinds[spot.kind] || { name: "cover" }).name)} ${height(spot.cover)}` : "";
    const gap = spot.line - spot.top,
      zone = spot.zone > 0.05 ? `; the zone there is ${plain(spot.zone, 1)} m wide to each side` : "";
    return (
      `${metres(spot.along)} from the start: ground ${plain(spot.raw, 1)} m${stands}. ` +
      `The line passes ${plain(Math.abs(gap), 1)} m ${gap >= 0 ? "above" : "below the top"}${zone}.`
    );
  }

  return { draw };
})();
