/* Answers while something is in the hand: the page's own engine, as on the offline map; exact links follow at release. */
"use strict";
const makeLive = () => {
  const { chance, count } = meshParts;
  const MOST_MS = 9;
  let turn = 0;

  /* Ends of a place as the plan knows them: one for each role and height. */
  const endsOf = (app, isOf, name) => [...app.devices.keys()].filter((own) => isOf(own, name) && app.ends && app.ends.has(own));

  /* What the links of a place would be, were it moved: those that are drawn, as many as a frame has time for. */
  function heldAt(app, isOf, name, at) {
    if (!app.land || !app.ends) return [];
    const found = [],
      begun = performance.now(),
      own = endsOf(app, isOf, name),
      mine = app.data.links.filter(
        (link) => (link.chosen || app.pencilled.has(link.key)) && (own.includes(link.a) || own.includes(link.b)),
      );
    turn = mine.length ? turn % mine.length : 0;
    for (let k = 0; k < mine.length; k++) {
      const link = mine[(turn + k) % mine.length],
        here = own.includes(link.a) ? link.a : link.b,
        there = here === link.a ? link.b : link.a;
      if (!app.ends.has(there)) continue;
      const base = app.ends.get(here),
        one = { name: here, label: here, place: at, moved: true, end: meshTrial.endAt(base, at, base.antenna_agl_m, true) };
      const now = meshTrial.compute(one, meshTrial.standing(there));
      found.push({ link, there, verdict: now.unknown ? "not sure" : now.verdict, chance: now.unknown ? null : now.now.chance });
      if (performance.now() - begun > MOST_MS) {
        turn = (turn + k + 1) % mine.length;
        break;
      }
    }
    return found;
  }

  /* Restyle what was answered, and say it in a line. */
  function show(app, found) {
    for (const { link, verdict } of found) {
      const style = app.verdicts.get(verdict),
        { line } = app.drawn.get(link.key);
      if (style) line.setStyle({ color: style.colour, dashArray: style.dash || null });
    }
    const weak = found.filter((one) => one.chance === null || one.chance < app.data.required_chance);
    if (!found.length) return "";
    if (found.length === 1) return `${found[0].there}: ${chance(found[0].chance)}`;
    return weak.length
      ? `${count(weak.length, "link", "links")} below what is asked: ${weak
          .slice(0, 3)
          .map((one) => one.there)
          .join(", ")}`
      : `${count(found.length, "link", "links")} looked at, all hold`;
  }

  /* The chance of a link that the newest plan does not list; null where the page cannot tell. */
  function chanceOf(app, a, b) {
    if (!app.land || !app.ends || !app.ends.has(a) || !app.ends.has(b)) return null;
    const now = meshTrial.compute(meshTrial.standing(a), meshTrial.standing(b));
    return now.unknown ? null : now.now.chance;
  }

  return { heldAt, show, chanceOf };
};
