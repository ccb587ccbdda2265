/* Ink and pencil: the plan that one has taken stays as it is; what the planner finds since then is pencilled beside it. */
"use strict";
const meshInk = (() => {
  const needed = (data) => data.devices.filter((one) => one.in_plan && one.role !== "sensor").map((one) => one.name);
  const routeOf = ({ sensor, devices, links, second_devices, second_links }) => ({
    sensor,
    devices,
    links,
    second_devices,
    second_links,
  });

  /* What a plan chose, without any figure that changes with the land. */
  const taken = (data) => ({
    devices: needed(data).sort(),
    routes: Object.fromEntries(data.routes.map((route) => [route.sensor, routeOf(route)])),
    cost: data.proof.cost,
  });

  const same = (ink, data) => {
    const now = taken(data);
    return JSON.stringify([ink.devices, ink.routes]) === JSON.stringify([now.devices, now.routes]);
  };

  /* The names of a place that was given another one. */
  function renamed(ink, from, to) {
    const named = (text) =>
        text === from || text.startsWith(`${from} at `) || text.startsWith(`${from} (`) ? to + text.slice(from.length) : text,
      key = (text) => text.split(" ~ ").map(named).join(" ~ ");
    const route = (one) => ({
      sensor: named(one.sensor),
      devices: one.devices.map(named),
      links: one.links.map(key),
      second_devices: one.second_devices.map(named),
      second_links: one.second_links.map(key),
    });
    return {
      ...ink,
      devices: ink.devices.map(named).sort(),
      routes: Object.fromEntries(Object.values(ink.routes).map((one) => [named(one.sensor), route(one)])),
    };
  }

  /* The newest figures with what is inked chosen in them. `chanceOf` answers for links that the newest plan does not list. */
  function over(data, ink, chanceOf) {
    const links = new Map(data.links.map((link) => [link.key, link])),
      there = new Set(data.devices.map((one) => one.name)),
      inked = new Set(ink.devices.filter((name) => there.has(name)));
    const kept = new Map();
    const works = (key, devices, i) => {
      const link = links.get(key);
      const chance = link
        ? link.chance
        : there.has(devices[i]) && there.has(devices[i + 1])
          ? chanceOf(devices[i], devices[i + 1])
          : 0;
      const good = chance !== null && chance >= data.required_chance;
      if (good && !link) kept.set(key, { key, a: devices[i], b: devices[i + 1], chance });
      return good;
    };
    const served = new Map();
    for (const route of Object.values(ink.routes))
      if (there.has(route.sensor) && route.links.every((key, i) => works(key, route.devices, i))) served.set(route.sensor, route);
    const chosen = new Set([...served.values()].flatMap((route) => [...route.links, ...route.second_links]));
    const limits = data.verdicts.filter((one) => one.limit !== null && one.name !== "not sure").sort((p, q) => q.limit - p.limit),
      named = (chance) => (limits.find((one) => chance >= one.limit) || { name: "failing" }).name;
    const verdict = (route) => {
      const hops = route.links.map((key) => links.get(key) || kept.get(key)),
        weak = hops.reduce((least, hop) => (!least || (hop.chance ?? -1) < (least.chance ?? -1) ? hop : least), null);
      return weak ? weak.verdict || named(weak.chance) : "not sure";
    };
    const devices = data.devices.map((one) =>
      one.role === "sensor"
        ? { ...one, served: served.has(one.name), verdict: served.has(one.name) ? verdict(served.get(one.name)) : "" }
        : { ...one, in_plan: inked.has(one.name) },
    );
    const pencilled = data.links.filter((link) => link.chosen && !chosen.has(link.key));
    return {
      data: {
        ...data,
        devices,
        links: data.links.map((link) => ({ ...link, chosen: chosen.has(link.key) })),
        routes: data.routes.filter((route) => served.has(route.sensor)).map((route) => ({ ...route, ...served.get(route.sensor) })),
        unserved: data.unserved.filter((one) => !served.has(one.sensor)),
      },
      served: [...served.keys()].sort(),
      kept: [...kept.values()].filter((one) => chosen.has(one.key)),
      lines: pencilled.map((link) => ({ key: link.key, a: link.a, b: link.b })),
      places: needed(data).filter((name) => !inked.has(name)),
    };
  }

  return { taken, same, renamed, over };
})();
