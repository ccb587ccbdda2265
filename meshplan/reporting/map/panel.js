/* On a phone the words lie in a panel over the lower part of the sheet: the map stays, the panel is made smaller or larger. */
"use strict";
const makePanel = (app) => {
  const { map } = app;
  const byId = (id) => document.getElementById(id);
  const SIZES = ["low", "half", "tall"];
  const narrow = () => window.matchMedia("(max-width: 860px)").matches;

  function setSize(size) {
    const panel = byId("panel"),
      grip = byId("panel-grip");
    if (panel.dataset.size === size) return;
    panel.dataset.size = size;
    grip.textContent = { low: "Show more", half: "Show more", tall: "Show the map" }[size];
    grip.setAttribute("aria-expanded", String(size !== "low"));
    map.invalidateSize({ pan: false });
    app.placeNames();
  }
  const sizeNow = () => byId("panel").dataset.size;

  /* While something is dragged the panel is no taller than half, and its headline is in view. */
  function makeRoom() {
    if (!narrow()) return;
    if (sizeNow() === "tall") setSize("half");
  }

  function start() {
    const grip = byId("panel-grip"),
      tools = byId("open-tools");
    byId("panel").dataset.size = "";
    setSize("half");
    new ResizeObserver(() => map.invalidateSize({ pan: false })).observe(map.getContainer());
    let from = null,
      swiped = false;
    grip.addEventListener("click", () => {
      if (!swiped) setSize(SIZES[(SIZES.indexOf(sizeNow()) + 1) % SIZES.length]);
      swiped = false;
    });
    grip.addEventListener("pointerdown", (event) => {
      from = event.clientY;
      swiped = false;
      grip.setPointerCapture(event.pointerId);
    });
    grip.addEventListener("pointerup", (event) => {
      const moved = from === null ? 0 : from - event.clientY;
      from = null;
      if (Math.abs(moved) < 24) return;
      swiped = true;
      setSize(SIZES[Math.min(Math.max(SIZES.indexOf(sizeNow()) + Math.sign(moved), 0), SIZES.length - 1)]);
    });
    tools.addEventListener("click", () => {
      const open = byId("cartouche").classList.toggle("tools-open");
      tools.setAttribute("aria-expanded", String(open));
      map.invalidateSize({ pan: false });
    });
    map.getContainer().addEventListener("pointerdown", (event) => {
      if (event.target.closest(".trial")) makeRoom();
    });
    /* Escape leaves what is chosen or tried, as it closes a dialog. */
    document.addEventListener("keydown", (event) => {
      if (event.key !== "Escape" || byId("help").open) return;
      if (event.target instanceof HTMLElement && event.target.matches("select, input[list]")) return;
      if (app.picking || app.picked) app.showOverview();
    });
  }

  return { start, setSize };
};
