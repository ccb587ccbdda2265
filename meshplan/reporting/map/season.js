/* The plan as the season shown has it: verdicts, what a sensor's mark says, who is without a route. One place for map, table and title. */
"use strict";
const meshSeason = (() => {
  const { known } = meshParts;

  /* A link as the chosen season sees it; without one, in its own worst season. */
  function seen(app, link) {
    const result = app.season ? link.seasons.find((one) => one.season === app.season) : null;
    const worst = link.seasons.find((one) => one.season === link.worst_season) || link.seasons[0];
    if (!result)
      return { verdict: link.verdict, chance: link.chance, margin: link.margin_db, result: worst, season: link.worst_season };
    return {
      verdict: result.verdict,
      chance: result.chance,
      margin: Math.min(result.margin_at_a_db ?? Infinity, result.margin_at_b_db ?? Infinity),
      result,
      season: result.season,
    };
  }

  /* The link that comes nearest to serving a sensor without a route. */
  const missedLink = (app, one) =>
    [...app.links.values()].find(
      (link) => (link.a === one.sensor && link.b === one.nearest) || (link.b === one.sensor && link.a === one.nearest),
    );

  /* What a link lacks in the season shown: the plan's own requirement, its part for uncertainty by that season's spread. */
  function lackDb(app, link) {
    const now = seen(app, link),
      worst = link.seasons.find((one) => one.season === link.worst_season) || link.seasons[0],
      uncertainty = (link.required_margin_db - link.fade_margin_db) * (now.result.spread.total_db / worst.spread.total_db);
    return link.fade_margin_db + uncertainty - now.margin;
  }

  /* Sensors that the plan leaves out, split by the season shown: those that lack something in it, and those heard in it all the same. */
  function missing(app) {
    const lacking = [],
      heard = [];
    for (const one of app.data.unserved) {
      const link = app.season && known(one.missing_db) && one.missing_db > 0 ? missedLink(app, one) : null,
        near = app.devices.get(one.nearest);
      if (!link) {
        lacking.push(one);
        continue;
      }
      const lack = lackDb(app, link);
      if (near && near.in_plan && ["ample", "good"].includes(seen(app, link).verdict)) heard.push({ ...one, link });
      else lacking.push({ ...one, missing_db: lack > 0 ? Math.max(lack, 0.1) : 0 });
    }
    return { lacking, heard };
  }

  /* A sensor's state: whether it is reached in the season shown, and the verdict of the weakest link on its way. */
  function stateOf(app, device) {
    if (device.role !== "sensor" || !app.season) return { served: device.served, verdict: device.verdict };
    if (!device.served) {
      const heard = missing(app).heard.find((one) => one.sensor === device.name);
      return heard ? { served: true, verdict: seen(app, heard.link).verdict } : { served: false, verdict: "" };
    }
    const route = app.data.routes.find((one) => one.sensor === device.name),
      verdicts = (route ? route.links : []).map((key) => app.links.get(key)).filter(Boolean);
    if (!verdicts.length) return { served: device.served, verdict: device.verdict };
    const weakest = verdicts
      .map((link) => seen(app, link))
      .reduce((weak, one) => ((one.chance ?? -1) < (weak.chance ?? -1) ? one : weak));
    return { served: true, verdict: weakest.verdict };
  }
  const inSeason = (app, device) => ({ ...device, ...stateOf(app, device) });

  return { seen, missedLink, lackDb, missing, stateOf, inSeason };
})();
