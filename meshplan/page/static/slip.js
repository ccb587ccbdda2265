/* The slip under the sheet: what the last change did, and what the planner has in pencil. */
"use strict";
const makeSlip = (desk) => {
  const { h, amount, chance, count, plain } = meshParts;
  const byId = (id) => document.getElementById(id);
  const MOST_NAMES = 2;
  let seeking = "",
    told = null;

  function title(words) {
    byId("slip-title").textContent = words;
  }

  function cell(name, main, detail, { css = "", names = [], more = null } = {}) {
    return h(
      "div",
      { class: `cell ${css}` },
      h("p", { class: "cell-title" }, name),
      h("p", { class: "cell-main" }, css.includes("worse") ? h("span", { "aria-hidden": "true" }, "▾ ") : "", main),
      names.length
        ? h("p", { class: "soft" }, h("button", { type: "button", class: "plain", onclick: () => desk.light(names) }, detail))
        : h("p", { class: "soft" }, detail),
      more,
    );
  }

  const changes = ({ lost, gained }) =>
    [lost.length ? `lost: ${few(lost)}` : "", gained.length ? `gained: ${few(gained)}` : ""].filter(Boolean).join("; ");
  const few = (names) =>
    names.length > MOST_NAMES + 1
      ? `${names.slice(0, MOST_NAMES).join(", ")} and ${names.length - MOST_NAMES} more`
      : names.join(", ");

  /* `told` holds what is inked, what it was before the change, and what is in pencil. */
  function show(fresh) {
    told = fresh;
    seeking = "";
    byId("cells").classList.remove("old");
    title(fresh.title || "What the last change did");
    draw();
  }

  function draw() {
    if (!told) return;
    const { inked, pencil, strip } = told,
      money = (value) => amount(value, strip.cost.currency),
      dearer = inked.wasCost === null ? 0 : inked.cost - inked.wasCost;
    const proof = strip.proof.optimal
      ? "nothing cheaper is possible"
      : `at most ${plain(100 * strip.proof.gap, 1)} % dearer than the best`;
    const weakest = inked.weakest;
    byId("cells").replaceChildren(
      cell("Sensors served", `${inked.served} of ${inked.of}`, changes(inked) || (inked.first ? inked.lacking : "="), {
        css: inked.lost.length ? "worse" : "",
        names: [...inked.lost, ...inked.gained],
      }),
      cell(
        "Cost",
        money(inked.cost),
        Math.abs(dearer) < 0.005 ? (pencil ? "as it was inked" : "=") : `${dearer > 0 ? "+" : "−"}${money(Math.abs(dearer))}`,
      ),
      cell("Weakest link in use", weakest ? chance(weakest.chance) : "–", weakest ? `${weakest.a} → ${weakest.b}` : "", {
        names: weakest ? [weakest.a, weakest.b] : [],
      }),
      cell("Radio rules", strip.rules.kept ? "kept" : "broken", strip.rules.broken.join("; "), {
        css: strip.rules.kept ? "" : "worse",
      }),
      pencilCell(pencil, strip, money, proof),
    );
    byId("strap-state").textContent = `${inked.served} of ${count(inked.of, "sensor", "sensors")} served, ${money(inked.cost)}`;
    desk.say(byId("strap-state").textContent);
  }

  function pencilCell(pencil, strip, money, proof) {
    if (seeking) return cell("In pencil", "…", seeking, { css: "pencilled-cell" });
    if (!pencil) return cell("In pencil", "nothing new", proof, { css: "pencilled-cell" });
    return cell("In pencil", `${pencil.served} of ${strip.sensors.of}, ${money(pencil.cost)}`, pencil.words || proof, {
      css: "pencilled-cell found-one",
      more: h("button", { type: "button", id: "ink", class: "dark", onclick: () => desk.inkIt() }, "Ink it in"),
    });
  }

  /* While the planner works the figures stay, in grey. */
  function working(words) {
    seeking = words;
    byId("cells").classList.add("old");
    title(`${words.replace(/[.…]*$/, "")} …`);
    draw();
  }
  /* The best so far, with how much dearer than the very best it can be. */
  function best({ cost, gap }) {
    const money = told ? amount(cost, told.strip.cost.currency) : plain(cost);
    seeking =
      gap > 0 ? `${money} so far, at most ${plain(100 * gap, 1)} % dearer than the best` : `${money}, nothing cheaper is possible`;
    byId("cells").classList.add("old");
    draw();
  }
  function touched({ touched: links, of, failing }) {
    const routes = failing.length ? `without their route now: ${few(failing)}` : "every route still stands";
    seeking = "looking for a better plan";
    title(`${count(links.length, "link", "links")} of ${of} touched; ${routes}`);
    byId("cells").classList.add("old");
    if (told && failing.length) draw();
  }
  function none(faults) {
    seeking = "";
    told = null;
    byId("cells").classList.remove("old");
    title("There is no plan of the folder as it is");
    byId("strap-state").textContent = "no plan yet";
    byId("cells").replaceChildren(
      h(
        "ul",
        { class: "no-plan" },
        faults.map((fault) => h("li", {}, `${fault.where ? `${fault.where}: ` : ""}${fault.problem}. ${fault.fix}`)),
      ),
    );
  }

  return { show, working, seeking: best, touched, none, title };
};
