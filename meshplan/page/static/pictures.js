/* What lies under the sheet: shaded ground before any plan, pictures of one's own, pinned where need be, tiles if one asks. */
"use strict";
const makePictures = (desk, card) => {
  const { h, plain, count } = meshParts;
  const byId = (id) => document.getElementById(id);
  const LEAST = 3;
  let told = { pictures: [] },
    layers = null,
    pinning = null,
    reach = null,
    asked = 0;
  const blobs = new Map();

  /* An overview at once, the fine relief after it. */
  async function look() {
    const mine = ++asked;
    for (const path of desk.planned() ? ["/ask/ground"] : ["/ask/ground?fine=no", "/ask/ground"]) {
      const now = await deskWire.ask(path);
      if (mine !== asked) return;
      told = now;
      if (now.picture && !desk.planned()) desk.showGround(now.picture);
      if (!desk.planned() && now.picture) desk.tellGround(now.words);
      await onMap(desk.map());
    }
    if (card.what() === "pictures") show({ focus: false });
  }

  /* Pictures come with the session key, so each is fetched and held as a blob. */
  async function onMap(map) {
    if (!map) return;
    if (layers) layers.remove();
    layers = L.layerGroup().addTo(map);
    const own = layers;
    tiles(map);
    for (const one of told.pictures) {
      if (!one.bounds) continue;
      const key = `${one.file} ${one.mark}`;
      try {
        if (!blobs.has(key)) blobs.set(key, await deskWire.blob(`/ask/picture?file=${encodeURIComponent(one.file)}`));
      } catch (error) {
        desk.say(`${one.file}: ${error.message}`);
        continue;
      }
      if (layers !== own) return;
      L.imageOverlay(blobs.get(key), one.bounds, { opacity: one.strength, className: "picture under", alt: "" }).addTo(own);
    }
    if (reach) L.imageOverlay(reach.uri, reach.bounds, { opacity: 0.6, className: "picture coverage", alt: "" }).addTo(own);
    if (pinning) spots();
  }

  /* Coverage as it lies on the map file, one layer at a time. */
  async function coverage() {
    return (await deskWire.ask("/ask/coverage").catch(() => ({ layers: [] }))).layers;
  }
  async function showReach(layer) {
    reach = layer;
    await onMap(desk.map());
    desk.say(layer ? `${layer.name}: shown on the sheet. ${layer.note || ""}` : "Coverage is off the sheet.");
  }

  /* ---- tiles of the network: off until somebody names an address ---- */
  function tiles(map) {
    const now = desk.tiles();
    if (now)
      L.tileLayer(now.address, { maxZoom: 21, maxNativeZoom: 19, referrerPolicy: "origin", attribution: now.credit }).addTo(layers);
    const note = byId("tile-credit") || h("p", { id: "tile-credit" });
    note.textContent = now ? now.credit : "";
    note.hidden = !now;
    map.getContainer().after(note);
  }
  async function switchTiles(message) {
    try {
      await deskWire.tell("/do/tiles", message);
      location.reload();
    } catch (error) {
      desk.complain(error.faults && error.faults.length ? error.faults : [{ problem: error.message, fix: "", where: "tiles" }]);
    }
  }

  function show(options = { focus: true }) {
    const now = desk.tiles();
    const field = (id, title, value, about) =>
      h(
        "div",
        { class: "blank" },
        h("label", { for: id }, title),
        h("span", { class: "entry" }, h("input", { id, type: "text", value, autocomplete: "off" })),
        h("p", { class: "about" }, about),
      );
    card.showView(
      [
        h("h2", {}, "Picture under the sheet"),
        h(
          "p",
          { class: "soft" },
          "An aerial picture or a sketch of your own. One that knows where it lies is laid under the sheet at once; " +
            "any other is pinned by points that you click on both.",
        ),
        h("p", {}, h("button", { type: "button", class: "dark", onclick: () => byId("file-input").click() }, "Choose a picture")),
        told.pictures.map(row),
        h("h3", {}, "Pictures of a map from the network"),
        now
          ? h(
              "p",
              {},
              `They come from ${now.host}, which learns where you look. `,
              act("tiles-off", "Switch them off", () => switchTiles({})),
            )
          : [
              h(
                "p",
                { class: "soft" },
                "Off. If you name an address, your browser asks that one host for the land in view, " +
                  "and nothing else leaves this machine. The page then loads anew.",
              ),
              field("tile-address", "Address", "", "With {z}, {x} and {y} where the numbers of a tile stand."),
              field("tile-name", "Whom to name", "", "The credit that its maker asks for."),
              h(
                "p",
                {},
                act("tiles-on", "Switch them on", () =>
                  switchTiles({ address: byId("tile-address").value, credit: byId("tile-name").value }),
                ),
              ),
            ],
      ],
      "Pictures",
      "pictures",
      options,
    );
  }
  const act = (id, words, what) => h("button", { type: "button", id, onclick: what }, words);

  function row(one) {
    const slide = h("input", {
      type: "range",
      min: "0",
      max: "1",
      step: "0.05",
      value: String(one.strength),
      "aria-label": `${one.file}: how strongly it shows`,
    });
    slide.addEventListener("change", () =>
      tell({ file: one.file, strength: Number(slide.value), words: `${one.file} shown at ${plain(100 * slide.value)} %` }),
    );
    const worst = (one.residual_m || []).length ? Math.max(...one.residual_m) : null;
    return h(
      "div",
      { class: "output" },
      h("h3", {}, one.file),
      act(`off-${one.mark || "picture"}`, "Take it off", () =>
        tell({ file: one.file, drop: true, words: `${one.file} taken off the sheet` }),
      ),
      h(
        "p",
        { class: one.faults ? "fault" : "soft" },
        one.faults
          ? one.faults.map((fault) => `${fault.problem}. ${fault.fix}`).join(" ")
          : one.pins.length
            ? `Pinned by ${count(one.pins.length, "point", "points")}${worst === null ? "" : `, at most ${plain(worst, 1)} m off`}.`
            : "It says itself where it lies.",
      ),
      h("label", { class: "entry" }, "Strength ", slide),
      one.pins.length ? act(`pins-${one.mark || "picture"}`, "Change the pins", () => pin({ file: one.file, pins: one.pins })) : "",
    );
  }
  async function tell(message) {
    try {
      await deskWire.tell("/do/picture", message);
      await look();
      show({ focus: false });
    } catch (error) {
      desk.complain(
        error.faults && error.faults.length ? error.faults : [{ problem: error.message, fix: "", where: message.file || "" }],
      );
      return false;
    }
    return true;
  }

  /* ---- pinning: a point of the picture, then the same on the sheet ---- */
  async function pin({ held = "", file, pins = [] }) {
    stop();
    const { address, scale } = await deskWire.blobAndScale(
      held ? `/ask/photo?held=${held}` : `/ask/photo?file=${encodeURIComponent(file)}`,
    );
    pinning = {
      held,
      file,
      address,
      scale,
      pins: pins.map((one) => ({ ...one })),
      half: null,
      fit: null,
      marks: L.layerGroup().addTo(desk.map()),
    };
    byId("land").classList.add("setting");
    lay();
    tryFit();
  }
  function stop() {
    if (!pinning) return;
    pinning.marks.remove();
    pinning = null;
    byId("land").classList.remove("setting");
  }

  function lay(focus = true) {
    const image = h("img", { src: pinning.address, alt: `${pinning.file}: the picture to pin`, class: "photo" }),
      frame = h("div", { class: "photo-frame" }, image);
    const dots = () => {
      for (const old of frame.querySelectorAll(".photo-pin")) old.remove();
      const factor = pinning.scale;
      const all = [...pinning.pins, ...(pinning.half ? [pinning.half] : [])];
      all.forEach((one, i) => {
        const dot = h("span", { class: "photo-pin", "aria-hidden": "true" }, String(i + 1));
        dot.style.left = `${(100 * one.x_px) / factor / image.naturalWidth}%`;
        dot.style.top = `${(100 * one.y_px) / factor / image.naturalHeight}%`;
        frame.append(dot);
      });
    };
    image.addEventListener("load", dots);
    image.addEventListener("click", (event) => {
      const box = image.getBoundingClientRect(),
        factor = pinning.scale;
      pinning.half = {
        x_px: ((event.clientX - box.left) / box.width) * image.naturalWidth * factor,
        y_px: ((event.clientY - box.top) / box.height) * image.naturalHeight * factor,
      };
      dots();
      desk.hint(`Pin ${pinning.pins.length + 1}: now click the same point on the sheet`);
    });
    const number = (one, key, words, i) => {
      const entry = h("input", {
        type: "text",
        inputmode: "decimal",
        value: plainNumber(one[key]),
        "aria-label": `Pin ${i + 1}, ${words}`,
      });
      entry.addEventListener("change", () => {
        one[key] = Number(entry.value);
        tryFit();
      });
      return h("td", {}, entry);
    };
    const off = (i) => (pinning.fit && pinning.fit.residual_m ? `${plain(pinning.fit.residual_m[i], 1)} m` : "");
    card.showView(
      [
        h("h2", {}, `Pin ${pinning.file}`),
        h(
          "p",
          { class: "soft" },
          "Click a point of the picture, then the same point on the sheet; a corner of a building or a crossing is best. " +
            "Three at least; five can be checked.",
        ),
        frame,
        pinning.pins.length
          ? h(
              "table",
              { class: "readings" },
              h(
                "thead",
                {},
                h(
                  "tr",
                  {},
                  ["Pin", "across", "down", "latitude", "longitude", "off"].map((words) => h("th", { scope: "col" }, words)),
                ),
              ),
              h(
                "tbody",
                {},
                pinning.pins.map((one, i) =>
                  h(
                    "tr",
                    {},
                    h(
                      "td",
                      {},
                      h(
                        "button",
                        { type: "button", class: "plain", "aria-label": `Take pin ${i + 1} out`, onclick: () => takeOut(i) },
                        `${i + 1} ✕`,
                      ),
                    ),
                    number(one, "x_px", "pixels across", i),
                    number(one, "y_px", "pixels down", i),
                    number(one, "lat_deg", "latitude", i),
                    number(one, "lon_deg", "longitude", i),
                    h("td", { class: "num" }, off(i)),
                  ),
                ),
              ),
            )
          : "",
        h(
          "p",
          { id: "pin-words", class: pinning.refused ? "fault" : "soft", "aria-live": "polite" },
          pinning.refused || (pinning.fit && pinning.fit.words) || "",
        ),
        h(
          "p",
          { class: "acts" },
          act("add-pin", "Add a pin by numbers", () =>
            addPin({ x_px: 0, y_px: 0, lat_deg: desk.map().getCenter().lat, lon_deg: desk.map().getCenter().lng }),
          ),
          h("button", { type: "button", id: "pin-down", class: "dark", disabled: !pinning.fit, onclick: pinDown }, "Pin it down"),
        ),
      ],
      pinning.file,
      "pins",
      { focus },
    );
    spots();
  }
  const plainNumber = (value) => String(Number(value.toFixed(7)));

  function spots() {
    pinning.marks.remove();
    pinning.marks = L.layerGroup().addTo(desk.map());
    pinning.pins.forEach((one, i) => {
      const icon = L.divIcon({ className: "sheet-pin", html: h("span", {}, String(i + 1)), iconSize: [28, 28] });
      const marker = L.marker([one.lat_deg, one.lon_deg], { icon, draggable: true, zIndexOffset: 1500 }).addTo(pinning.marks);
      marker.getElement().setAttribute("aria-label", `Pin ${i + 1} on the sheet`);
      marker.on("dragend", () => {
        const at = marker.getLatLng();
        Object.assign(one, { lat_deg: at.lat, lon_deg: at.lng });
        tryFit();
      });
    });
    if (pinning.fit && pinning.fit.corners)
      L.polygon(
        pinning.fit.corners.map((one) => [one.lat_deg, one.lon_deg]),
        { color: "#23211c", dashArray: "4 4", weight: 2, fillOpacity: 0.08, interactive: false },
      ).addTo(pinning.marks);
  }

  /* A click on the sheet ends the pin that was begun on the picture. */
  function placed(at) {
    if (!pinning) return false;
    if (!pinning.half) desk.hint("First click a point of the picture on the card");
    else addPin({ ...pinning.half, lat_deg: at.lat, lon_deg: at.lng });
    return true;
  }
  function addPin(one) {
    pinning.pins.push(one);
    pinning.half = null;
    desk.hint("");
    tryFit();
  }
  function takeOut(i) {
    pinning.pins.splice(i, 1);
    tryFit();
  }
  async function tryFit() {
    const mine = pinning;
    mine.fit = null;
    mine.refused = mine.pins.length < LEAST ? "" : mine.refused;
    if (mine.pins.length >= LEAST) {
      try {
        mine.fit = await deskWire.tell("/do/fit", { ...(mine.held ? { held: mine.held } : { file: mine.file }), pins: mine.pins });
        mine.refused = "";
      } catch (error) {
        mine.refused = (error.faults || []).map((fault) => `${fault.problem}. ${fault.fix}`).join(" ") || error.message;
      }
    }
    if (pinning === mine) lay(false);
  }
  async function pinDown() {
    const { held, file, pins } = pinning;
    const done = await tell({ ...(held ? { held } : { file }), pins, words: `${file} pinned down by ${pins.length} points` });
    if (done) {
      stop();
      show({ focus: true });
    }
  }

  return { look, coverage, showReach, shownReach: () => reach, onMap, show, pin, stop, placed, pinning: () => Boolean(pinning) };
};
