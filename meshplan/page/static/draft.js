/* A new shape, corner by corner: by click or tap, by Space in the middle of the sheet, measured and snapped on the way. */
"use strict";
const makeDraft = (desk) => {
  const { h, plain, kindWords } = meshParts;
  const byId = (id) => document.getElementById(id);
  const CLOSE_PX = 14;
  const { snap } = desk;
  let map = null,
    draft = null,
    tape = null;

  function onMap(fresh) {
    map = fresh;
    draft = null;
    map.on("mousemove", ({ latlng, originalEvent }) => follow(latlng, originalEvent));
    map.on("move", () => {
      if (draft && draft.byKeys) follow(map.getCenter(), {});
    });
    buttons();
  }

  const byTouch = () => window.matchMedia("(pointer: coarse)").matches;
  const wordsOf = (kind) => kind.words || kindWords(kind.name);
  function begin(kind) {
    drop();
    if (!map) return;
    draft = {
      kind,
      corners: [],
      byKeys: false,
      line: L.polyline([], { color: "#23211c", weight: 2.5, dashArray: "7 5", interactive: false }).addTo(map),
      wash: L.polygon([], { stroke: false, fillColor: kind.colour || "#7d9463", fillOpacity: 0.25, interactive: false }).addTo(map),
      dots: L.layerGroup().addTo(map),
    };
    tell();
    buttons();
  }

  function tell(to) {
    const { kind, corners } = draft,
      all = to ? [...corners, to] : corners;
    const leg = all.length > 1 ? map.distance(all[all.length - 2], all[all.length - 1]) : 0;
    const tenths = (metres) => `${plain(metres, metres < 20 ? 1 : 0)} m`,
      wide = all.length > 2 && !kind.line ? `, ${snap.areaWords(snap.area(all))}` : "";
    const measure = all.length > 1 ? `${tenths(snap.length(all))} along, this leg ${tenths(leg)}${wide}` : "";
    const keys = byTouch() ? [] : ["Space sets a corner", "Enter ends", "Backspace takes one back"];
    desk.hint(
      [wordsOf(kind), ...(corners.length || !byTouch() ? keys : ["tap its first corner"]), measure].filter(Boolean).join(" · "),
    );
    return measure;
  }

  function landed(at, event) {
    if (event && event.altKey) return { at, spot: null };
    const spot = snap.near(at);
    if (spot) return { at: spot.at, spot };
    return { at: draft.kind.square ? snap.squared(draft.corners, at) : at, spot: null };
  }

  const near = (a, b) => map.latLngToContainerPoint(a).distanceTo(map.latLngToContainerPoint(b)) < CLOSE_PX;
  function corner(raw, event) {
    const { corners, kind } = draft;
    if (corners.length > 2 && !kind.line && near(raw, corners[0])) {
      end(true);
      return;
    }
    const { at } = landed(raw, event);
    if (!corners.length || !near(at, corners[corners.length - 1])) corners.push(at);
    lay();
  }
  function lay(to) {
    const { corners, line, wash, dots, kind } = draft;
    line.setLatLngs(to ? [...corners, to] : corners);
    wash.setLatLngs(kind.line ? [] : to ? [...corners, to] : corners);
    dots.clearLayers();
    corners.forEach((at, i) =>
      L.circleMarker(at, {
        radius: i ? 4 : 7,
        color: "#23211c",
        weight: 2,
        fillColor: "#ffd84d",
        fillOpacity: 1,
        interactive: false,
      }).addTo(dots),
    );
    const measure = tell(to);
    hang(to, measure);
    buttons();
  }

  /* The tape: what is measured stands beside the point that is being set. */
  function hang(to, words) {
    if (tape) tape.remove();
    tape = null;
    if (!to || !words || !draft) return;
    tape = L.tooltip({ permanent: true, direction: "right", offset: [16, 18], className: "tape" })
      .setLatLng(to)
      .setContent(h("span", {}, words))
      .addTo(map);
  }
  function follow(raw, event) {
    if (!draft) return;
    const { at, spot } = landed(raw, event);
    desk.pencil().ring(spot);
    if (draft.corners.length) lay(at);
  }

  const asArea = () => !draft.kind.line && (draft.closed || !draft.kind.width_m || draft.kind.areaOnly);
  function end(closed) {
    if (!draft) return;
    draft.closed = closed;
    const { kind, corners } = draft,
      area = asArea();
    if (corners.length < (area ? 3 : 2)) {
      desk.say(area ? "An area needs three corners." : "A line needs two corners.");
      return;
    }
    drop();
    const pairs = corners.map((at) => [at.lng, at.lat]);
    desk.drawn(
      kind,
      area ? { type: "Polygon", coordinates: [[...pairs, pairs[0]]] } : { type: "LineString", coordinates: pairs },
      corners,
    );
  }
  function oneBack() {
    if (!draft) return;
    draft.corners.pop();
    lay();
  }
  function drop() {
    if (draft && map) for (const layer of [draft.line, draft.wash, draft.dots]) layer.remove();
    hang(null);
    if (map) desk.pencil().ring(null);
    draft = null;
    desk.hint("");
    buttons();
  }

  /* The same by buttons, for fingers. */
  function buttons() {
    const bar = byId("draft-bar");
    bar.hidden = !draft;
    if (!draft) return;
    const { kind, corners } = draft,
      button = (id, words, act, least) =>
        h("button", { type: "button", id, disabled: corners.length < least, onclick: act }, words);
    const held = document.activeElement && bar.contains(document.activeElement) ? document.activeElement.id : "";
    bar.replaceChildren(
      ...[
        button(
          "end-line",
          `End the line${kind.width_m ? `, ${plain(kind.width_m, kind.width_m < 1 ? 1 : 0)} m wide` : ""}`,
          () => end(false),
          2,
        ),
        button("end-area", "Close the area", () => end(true), 3),
        button("one-back", "One corner back", oneBack, 1),
        button("lay-back", "Lay the sign back", () => desk.layBack(), 0),
      ].filter((one) => (one.id !== "end-line" || kind.width_m || kind.line) && (one.id !== "end-area" || !kind.line)),
    );
    if (held && byId(held)) byId(held).focus({ preventScroll: true });
    byId("cross").hidden = !draft.byKeys;
  }

  document.addEventListener("keydown", (event) => {
    if (!draft || event.target.closest("#margin, #draft-bar, #strap, #bar, dialog")) return;
    if (event.key.startsWith("Arrow") && !draft.byKeys) {
      draft.byKeys = true;
      byId("cross").hidden = false;
    }
    const act = {
      Escape: () => desk.layBack(),
      Enter: () => end(false),
      Backspace: oneBack,
      " ": () => {
        draft.byKeys = true;
        byId("cross").hidden = false;
        corner(map.getCenter(), event);
      },
    }[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  });

  return { onMap, begin, corner, drop, end, drawing: () => Boolean(draft) };
};
