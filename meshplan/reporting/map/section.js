/* The strip under the map that holds the section through the land, with a mark that walks along it on chart and map. */
"use strict";
const makeSection = (app) => {
  const { h, wide } = meshParts;
  const { data, map } = app;
  const byId = (id) => document.getElementById(id);
  let strip = null,
    reopen = false,
    unwanted = false;
  /* On a screen lower or narrower than this the opening section is one line, so that the first view is a map; on one taller than the
     last the key stays open too. */
  const ROOM_PX = 640,
    ROOM_WIDE_PX = 1200,
    TALL_PX = 960;
  function showSection(cut) {
    const host = byId("section");
    const folded = Boolean(cut && cut.opening && (window.innerHeight < ROOM_PX || window.innerWidth < ROOM_WIDE_PX));
    strip = folded ? null : cut;
    host.hidden = !cut;
    host.classList.toggle("opening", Boolean(cut && cut.opening));
    host.classList.toggle("folded", folded);
    if ((!cut || folded) && reopen) {
      byId("legend").open = true;
      reopen = false;
    }
    if (app.walker) app.walker.remove();
    if (folded) {
      host.replaceChildren(
        h(
          "div",
          { class: "section-head" },
          h("h2", {}, cut.title),
          h("button", { type: "button", class: "no-print", onclick: () => showSection({ ...cut, opening: false }) }, "Show section"),
        ),
      );
      map.invalidateSize({ pan: false });
      return;
    }
    if (cut && wide() && window.innerHeight < TALL_PX && byId("legend").open) {
      byId("legend").open = false;
      reopen = true;
    }
    if (cut) {
      const plot = h("div", { class: "plot" }),
        walk = h("input", { type: "range", id: "walk", min: 0, max: 200, value: 0 }),
        words = h("output", { for: "walk" }, cut.words);
      host.replaceChildren(
        h(
          "div",
          { class: "section-head" },
          h("h2", {}, cut.title),
          h(
            "button",
            {
              type: "button",
              class: "no-print",
              onclick: () => {
                unwanted = unwanted || Boolean(cut.opening);
                showSection(null);
                byId("ledger").focus();
              },
            },
            "Close section",
          ),
        ),
        plot,
        h("div", { class: "walk" }, h("label", { for: "walk" }, "Walk along the line"), walk, words),
      );
      const figure = () => meshChart.draw(plot, cut, data.cover_kinds);
      let chart = figure();
      const stepTo = (along) => {
        chart.showAt(along);
        words.textContent = chart.wordsAt(along);
        const share = along / cut.profile.distanceM,
          [a, b] = cut.ends,
          place = [a.lat_deg + (b.lat_deg - a.lat_deg) * share, a.lon_deg + (b.lon_deg - a.lon_deg) * share];
        if (!app.walker)
          app.walker = L.circleMarker(place, {
            pane: "measured",
            radius: 7,
            color: "#8c0f2b",
            weight: 3,
            fillColor: "#fff",
            fillOpacity: 1,
            interactive: false,
          });
        app.walker.setLatLng(place).addTo(map);
      };
      walk.addEventListener("input", () => stepTo((walk.value / 200) * cut.profile.distanceM));
      plot.addEventListener("pointermove", (event) => {
        const along = chart.alongAt(event.clientX);
        walk.value = (along / cut.profile.distanceM) * 200;
        stepTo(along);
      });
      host.redraw = () => {
        chart = figure();
      };
    }
    map.invalidateSize({ pan: false });
  }

  return {
    showSection,
    isUnwanted: () => unwanted,
    redraw: () => {
      if (strip) byId("section").redraw();
    },
  };
};
