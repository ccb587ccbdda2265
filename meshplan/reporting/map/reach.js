/* Reach of a future sensor: one layer at a time, and its word for the place under the pointer. */
"use strict";
const makeReach = (app) => {
  const { h, chance, known } = meshParts;
  const { data, map } = app;
  const byId = (id) => document.getElementById(id);
  const pictures = new Map();

  const shown = () => data.coverage.findIndex((_, i) => map.hasLayer(app.layers[`coverage-${i}`]));
  /* Switching one on switches the others off: two washes of colour over each other mean nothing. */
  function only(key) {
    for (let i = 0; i < data.coverage.length; i++) {
      const other = `coverage-${i}`;
      if (other === key) continue;
      map.removeLayer(app.layers[other]);
      const box = document.querySelector(`[data-layer=${other}]`);
      if (box) box.checked = false;
    }
  }

  function pixels(i) {
    const image = app.layers[`coverage-${i}`].getElement();
    if (!image || !image.complete || !image.naturalWidth) return null;
    if (!pictures.has(i)) {
      const canvas = document.createElement("canvas");
      canvas.width = image.naturalWidth;
      canvas.height = image.naturalHeight;
      const brush = canvas.getContext("2d", { willReadFrequently: true });
      brush.drawImage(image, 0, 0);
      pictures.set(i, { brush, wide: canvas.width, high: canvas.height });
    }
    return pictures.get(i);
  }

  /* The word of the layer shown at a place: its picture lies straight on the map's own projection. Null where it says nothing. */
  function wordAt(place) {
    const i = shown(),
      picture = i < 0 ? null : pixels(i);
    if (!picture) return null;
    const bounds = app.layers[`coverage-${i}`].getBounds(),
      at = map.project(place, 20),
      corner = map.project(bounds.getNorthWest(), 20),
      end = map.project(bounds.getSouthEast(), 20);
    const x = Math.floor(((at.x - corner.x) / (end.x - corner.x)) * picture.wide),
      y = Math.floor(((at.y - corner.y) / (end.y - corner.y)) * picture.high);
    if (x < 0 || y < 0 || x >= picture.wide || y >= picture.high) return null;
    const [red, green, blue, alpha] = picture.brush.getImageData(x, y, 1, 1).data;
    if (!alpha) return null;
    /* Half clear pixels come back a step off. */
    const away = (one) =>
      [red, green, blue].reduce((sum, value, c) => sum + Math.abs(value - Number.parseInt(one.colour.slice(1 + 2 * c, 3 + 2 * c), 16)), 0);
    return data.coverage[i].classes.reduce((best, one) => (away(one) < away(best) ? one : best)).name;
  }

  function tell(place) {
    const box = byId("reach"),
      word = shown() < 0 ? null : wordAt(place);
    box.hidden = word === null;
    if (word === null) return;
    const style = app.verdicts.get(word);
    box.textContent = style ? `Here: ${word}, ${style.words}${known(style.limit) && style.limit > 0 && word !== "not sure" ? ` (at least ${chance(style.limit)})` : ""}` : `Here: ${word}`;
  }

  function start() {
    if (!data.coverage.length) return;
    byId("sheet").append(h("p", { id: "reach", hidden: true }));
    map.on("mousemove click", (event) => tell(event.latlng));
    map.on("mouseout layerremove", () => {
      byId("reach").hidden = true;
    });
  }

  return { start, only, wordAt };
};
