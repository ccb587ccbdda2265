/* Runs the page's own formulas on golden vectors; put behind formulas.js, links.js and terrain.js, in a bare runtime or a browser.
   Each row: the samples of a link, the plan's constants with both ends, and the height errors of the land. */
async function goldenResults(rows) {
  const found = [];
  for (const { ground, number, cellM, constants, errorRecords } of rows) {
    const along = ground.map((_, i) => i * cellM),
      last = along.length - 1,
      covered = [...number.keys()].filter((i) => number[i] > 0);
    const errors = await Promise.all(errorRecords.map(meshLand.openErrors)),
      land = { record: { full_cell_m: cellM }, cellM, errors };
    const profile = {
      along,
      ground,
      number,
      canopy: null,
      pieces: { sample: covered, number: covered.map((i) => number[i]), share: covered.map(() => 1), canopy: null },
      bearingDeg: 90,
      around: new Map(),
      distanceM: along[last],
      errors: meshLand.Land.prototype.errorsAlong.call(land, { column: 0, row: 1 }, { column: last, row: 1 }, along.length),
    };
    const [a, b] = constants.ends,
      link = meshLinks.linkBetween(profile, a, b, constants),
      { losses, seasons } = link;
    found.push({
      free_space_db: losses.freeSpaceDb,
      terrain_db: losses.terrainDb,
      behind_hill_db: losses.behindHillDb,
      building_db: losses.buildingDb,
      hidden_relief_db: link.hiddenReliefDb,
      elevation_spread_db: link.elevationSpreadDb,
      vegetation_db: losses.seasons.map((one) => one.vegetationDb),
      vegetation_spread_db: losses.seasons.map((one) => one.spreadDb),
      clutter_db: seasons.map((one) => one.clutterDb),
      loss_db: seasons.map((one) => one.lossDb),
      margin_db: seasons.map((one) => one.marginDb),
      spread_db: seasons.map((one) => one.spreadDb),
      chance: seasons.map((one) => one.chance),
    });
  }
  return found;
}
