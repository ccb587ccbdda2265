/* Links inside the page: the formulas of formulas.js put together as meshplan/loss does, rule by rule. */
"use strict";
const meshLinks = (() => {
  /* loss/path_loss: every loss between two antennas, season by season, nothing counted twice.
     `profile` = {along, ground, number, canopy, pieces, bearingDeg, around}, pieces = {sample, number, share, canopy}; `ends` = {aAgl, bAgl, insideA, insideB}; `engine` = constants of the plan. */
  function pathLosses(profile, ends, engine) {
    const { along, ground, canopy } = profile,
      n = along.length,
      last = n - 1,
      total = along[last],
      f = engine.frequency_mhz,
      radiusKm = engine.effective_earth_radius_km;
    const land = {
      permittivity: engine.relative_permittivity,
      conductivity: engine.conductivity_s_per_m,
      vertical: engine.vertical,
    };
    const startAmsl = ground[0] + ends.aAgl,
      endAmsl = ground[last] + ends.bAgl;
    const coverOf = (i) => (number[i] ? engine.covers[number[i] - 1] : null);
    const number = Array.from(profile.number, (one) => (one === ends.insideA || one === ends.insideB ? 0 : one));
    const ray = Float64Array.from(
      along,
      (d, i) => startAmsl * (1 - i / last) + endAmsl * (i / last) - meshEngine.earthBulgeM(d, total, radiusKm),
    );
    const heightOf = (cover, seenM, heightM) => {
      if (seenM === null || !Number.isFinite(seenM)) return heightM(cover);
      return cover.tallest_m > 0 ? (seenM * heightM(cover)) / cover.tallest_m : 0;
    };
    const standing = (i, heightM) => (coverOf(i) ? heightOf(coverOf(i), canopy ? canopy[i] : null, heightM) : 0);
    const stepM = total / last;
    /* The first and last sample stand for half a step, whose middle lies a quarter of a step from the antenna. */
    const zoneM = Float64Array.from(along, (d) => {
      const fromA = Math.min(Math.max(d, 0.25 * stepM), total - 0.25 * stepM);
      return meshEngine.fresnelRadiusM(fromA, total - fromA, f);
    });
    const solid = Array.from(ground, (_, i) => Boolean(coverOf(i) && coverOf(i).solid));
    const tallest = Float64Array.from(ground, (g, i) => g + standing(i, (cover) => cover.tallest_m));
    const roofs = Float64Array.from(ground, (g, i) => (solid[i] ? tallest[i] : g));
    const terrain = (obstacle) => meshEngine.lowAntennaLossDb(along, ground, obstacle, startAmsl, endAmsl, f, radiusKm, land);
    const bare = terrain(ground),
      terrainDb = bare.totalDb,
      around = profile.around || new Map();
    const behindHillDb = meshEngine.groundBehindHillDb(along, ground, startAmsl, endAmsl, f, radiusKm, land, bare, {
      shadowedFromDb: engine.shadowed_from_db,
      givenBack: engine.given_back,
      fullyBlockedNu: engine.fully_blocked_nu,
    });
    const hasBuilding = solid.slice(1, -1).some(Boolean);
    const overRoofsDb = hasBuilding ? Math.max(terrain(roofs).totalDb - terrainDb, 0) : 0;
    /* Each stretch of one building: both its walls, by the part of the Fresnel zone that it fills. */
    let wallsDb = 0,
      filled = 0;
    for (let i = 0; i < n; i++) {
      if (!solid[i]) continue;
      filled = Math.max(filled, meshEngine.filledShare(roofs[i] - ray[i], zoneM[i]));
      if (i < last && solid[i + 1] && number[i + 1] === number[i]) continue;
      wallsDb += 2 * coverOf(i).wall_db * filled;
      filled = 0;
    }
    const buildingDb = Math.min(overRoofsDb, wallsDb);
    const nearShare = (i) =>
      Math.min(Math.max((engine.near_an_antenna_m - Math.min(i, last - i) * stepM) / (stepM > 0 ? stepM : 1) + 0.5, 0), 1);

    /* Loss of one group of plants; each hedge through or around its end, whichever loses less. */
    const throughOrAround = (cover, depth, single, which, season) => {
      const angle = cover.row_azimuth_deg === null ? null : profile.bearingDeg - cover.row_azimuth_deg,
        share = cover.season_share[season],
        full = meshEngine.fullCoverLossDb(cover, depth, angle),
        spreadDb = meshEngine.coverSpreadDb(cover, depth, full, f, engine.most_plant_spread_db) * share,
        lossDb = full * share;
      if (![...single.keys()].some((one) => around.has(one))) return { lossDb, spreadDb };
      let oneByOne = 0;
      for (const [one, depths] of single) {
        oneByOne += Math.min(meshEngine.fullCoverLossDb(cover, depths[which], null) * share, around.get(one) ?? Infinity);
      }
      const least = Math.min(lossDb, oneByOne);
      return { lossDb: least, spreadDb: lossDb > 0 ? (spreadDb * least) / lossDb : spreadDb };
    };

    const seasons = engine.season_antenna_loss_db.map((_, season) => {
      const crown = Float64Array.from(ground, (_, i) => (solid[i] ? 0 : standing(i, (cover) => cover.heights_m[season])));
      const groups = new Map();
      const depthIn = (found, key, one) => found.get(key) || found.set(key, { ...one, depth: 0, near: 0 }).get(key);
      const { pieces } = profile;
      for (let p = 0; p < pieces.sample.length; p++) {
        const i = pieces.sample[p],
          cover = engine.covers[pieces.number[p] - 1];
        if (cover.solid || !cover.form) continue;
        const crownM = heightOf(cover, pieces.canopy ? pieces.canopy[p] : null, (one) => one.heights_m[season]);
        if (!(crownM > 0)) continue;
        const share = pieces.share[p] * meshEngine.filledShare(ground[i] + crownM - ray[i], zoneM[i]);
        if (!(share > 0)) continue;
        const metres = (i === 0 || i === last ? 0.5 : 1) * stepM * share,
          group = depthIn(groups, cover.group, { cover, single: new Map() });
        for (const one of [group, depthIn(group.single, pieces.number[p], {})]) {
          one.depth += metres;
          one.near += metres * nearShare(i);
        }
      }
      let throughDb = 0,
        nearDb = 0,
        throughVariance = 0,
        nearVariance = 0;
      for (const { cover, depth, near: nearDepth, single } of groups.values()) {
        const through = throughOrAround(cover, depth, single, "depth", season),
          close = throughOrAround(cover, nearDepth, single, "near", season);
        throughDb += through.lossDb;
        nearDb += close.lossDb;
        throughVariance += through.spreadDb ** 2;
        nearVariance += close.spreadDb ** 2;
      }
      if (!(throughDb > 0)) return { vegetationDb: 0, spreadDb: 0, way: 0 };
      const on = (base, keep) => Float64Array.from(base, (level, i) => level + keep(i) * crown[i]);
      const always = () => 1,
        farShare = (i) => 1 - nearShare(i),
        ways = [terrainDb + overRoofsDb + throughDb, terrain(on(roofs, always)).totalDb, terrain(on(roofs, farShare)).totalDb + nearDb];
      if (hasBuilding)
        ways.push(
          terrainDb + wallsDb + throughDb,
          terrain(on(ground, always)).totalDb + wallsDb,
          terrain(on(ground, farShare)).totalDb + wallsDb + nearDb,
        );
      const best = ways.indexOf(Math.min(...ways)),
        kind = best % 3;
      const spreadDb =
        kind === 0
          ? Math.sqrt(throughVariance)
          : kind === 1
            ? engine.over_crowns_spread_db
            : Math.hypot(Math.sqrt(nearVariance), engine.over_crowns_spread_db);
      return { vegetationDb: Math.max(ways[best] - terrainDb - buildingDb, 0), spreadDb, way: kind + 1 };
    });

    const freeSpaceDb = meshEngine.freeSpaceLossDb(Math.hypot(total, startAmsl - endAmsl), f);
    const clearance = meshEngine.pathClearance(along, tallest, startAmsl, endAmsl, f, radiusKm);
    const worstPlants = Math.max(...seasons.map((one) => one.vegetationDb));
    return {
      freeSpaceDb,
      terrainDb,
      behindHillDb,
      buildingDb,
      seasons,
      totalDb: seasons.map((one) => freeSpaceDb + terrainDb + behindHillDb + buildingDb + one.vegetationDb),
      clearance,
      startAmsl,
      endAmsl,
      standing: Float64Array.from(tallest, (top, i) => top - ground[i]),
      overRoofs: hasBuilding && overRoofsDb <= wallsDb,
      roofM: Float64Array.from(ground, (_, i) => (solid[i] ? coverOf(i).tallest_m : 0)),
      groundLimited: bare.smoothEarthDb > 0,
      obstructed: terrainDb - Math.max(bare.smoothEarthDb, bare.bareDb) + buildingDb + worstPlants > engine.obstructed_from_db,
    };
  }

  /* explain/obstacles: what the tightest place does to the first Fresnel zone, in words. */
  function clearanceWords(profile, clearance, groundLimited, firstName, engine) {
    const { along, ground, number } = profile,
      { index, fraction, clearanceM } = clearance,
      last = along.length - 1;
    const zoneM = meshEngine.fresnelRadiusM(along[index], along[last] - along[index], engine.frequency_mhz),
      cover = number[index] ? engine.covers[number[index] - 1].words : null;
    const isRidge = ground[index] - Math.max(ground[0], ground[last]) >= engine.ridge_rise_m,
      what = cover ?? (isRidge ? "ridge" : "ground"),
      place = `${what} ${along[index].toFixed()} m from ${firstName}`;
    const low = groundLimited ? " The antennas are low for this distance: the ground itself takes power." : "",
      gap = Math.abs(clearanceM).toFixed(1),
      below = `stays ${gap} m below the straight line`;
    const filled = `${(100 * (1 - fraction)).toFixed()} % of the zone's half-width (${Math.max(zoneM - clearanceM, 0).toFixed(1)} of ${zoneM.toFixed(1)} m)`;
    if (fraction < 0)
      return {
        kind: "blocked",
        sentence: `Blocks the line: ${place} stands ${gap} m above the straight line.${low}`,
        label: `${what}: ${gap} m above the line`,
      };
    if (fraction < engine.clear_share)
      return {
        kind: "in the zone",
        sentence: `Reaches into the first Fresnel zone: ${place} ${below} and fills ${filled}.${low}`,
        label: `${what}: ${gap} m below the line, in the zone`,
      };
    const fine = `up to ${(100 * (1 - engine.clear_share)).toFixed()} % does no harm`,
      named = filled.replace("the zone's", "the first Fresnel zone's");
    return {
      kind: "clear",
      sentence:
        fraction < 1
          ? `Clear enough: ${place} ${below} and fills ${named}; ${fine}.${low}`
          : `Clear: the nearest thing, ${place}, ${below}, outside the first Fresnel zone.${low}`,
      label: `${what}: ${gap} m below the line`,
    };
  }

  /* loss/error_fields: the height errors of a pair of draws at the samples of a path. */
  function heightErrors(errors, pair, samples) {
    const found = new Float64Array(samples);
    for (const { field, ends, spread } of errors) {
      const sum = new Float64Array(samples),
        { waves, numbers } = field,
        [xA, yA, xB, yB] = ends;
      for (let w = 0; w < waves; w++) {
        const at = 3 * (pair * waves + w),
          start = numbers[at] * xA + numbers[at + 1] * yA + numbers[at + 2],
          turn = (numbers[at] * (xB - xA) + numbers[at + 1] * (yB - yA)) / (samples - 1),
          cosTurn = Math.cos(turn),
          sinTurn = Math.sin(turn);
        let cos = Math.cos(start),
          sin = Math.sin(start);
        for (let i = 0; i < samples; i++) {
          sum[i] += cos;
          [cos, sin] = [cos * cosTurn - sin * sinTurn, sin * cosTurn + cos * sinTurn];
        }
      }
      for (let i = 0; i < samples; i++) found[i] += spread[i] * Math.sqrt(2 / waves) * sum[i];
    }
    return found;
  }

  /* loss/elevation_draws: how height errors spread the loss, and what relief that a coarse raster hides adds to its mean. */
  function terrainDraws(profile, ends, losses, engine) {
    const errors = profile.errors.filter(({ spread }) => spread.some((one) => one > 0));
    if (!errors.length) return { spreadDb: 0, hiddenDb: 0 };
    const { along, ground } = profile,
      n = along.length,
      found = [];
    const land = {
      permittivity: engine.relative_permittivity,
      conductivity: engine.conductivity_s_per_m,
      vertical: engine.vertical,
    };
    for (let pair = 0; pair < errors[0].field.pairs; pair++) {
      const error = heightErrors(errors, pair, n);
      for (const sign of [1, -1]) {
        const drawn = Float64Array.from(ground, (height, i) => height + sign * error[i]),
          tops = losses.overRoofs ? Float64Array.from(drawn, (height, i) => height + losses.roofM[i]) : drawn;
        const start = drawn[0] + ends.aAgl,
          end = drawn[n - 1] + ends.bAgl;
        const loss = meshEngine.lowAntennaLossDb(
          along,
          drawn,
          tops,
          start,
          end,
          engine.frequency_mhz,
          engine.effective_earth_radius_km,
          land,
        );
        found.push(loss.totalDb);
      }
    }
    const mean = found.reduce((sum, one) => sum + one, 0) / found.length,
      variance = found.reduce((sum, one) => sum + (one - mean) ** 2, 0) / (found.length - 1);
    const drawn = losses.terrainDb + (losses.overRoofs ? losses.buildingDb : 0);
    return { spreadDb: Math.sqrt(variance), hiddenDb: errors.some(({ field }) => field.hides) ? mean - drawn : 0 };
  }

  /* loss/raised_ends: what clutter of the ends add to the bare path, season by season, and how little is known of it. */
  const LOW = 0,
    MIDDLE = 1,
    HIGH = 2;
  const mean3 = (values) => (values[0] + values[1] + values[2]) / 3;
  const spread3 = (values) => Math.sqrt(mean3(values.map((one) => (one - mean3(values)) ** 2)));
  function clutterOf(profile, a, b, bare, engine) {
    const nothing = { named: false, tops_m: [0, 0, 0], leafless_share: 1, street_width_m: 1 },
      tops = [a.around || nothing, b.around || nothing],
      own = [a, b];
    if (!tops.some((around, end) => around.tops_m[HIGH] > own[end].antenna_agl_m))
      return bare.totalDb.map(() => ({ extraDb: 0, spreadDb: 0 }));
    const endDb = (end, which, season) => {
      const around = tops[end],
        rule = engine.clutter,
        topM = around.tops_m[which],
        lossDb = meshEngine.endLossDb(topM, own[end].antenna_agl_m, engine.frequency_mhz, around.street_width_m, rule);
      const leaves = around.leafless_share + (1 - around.leafless_share) * engine.season_leaf_share[season];
      return lossDb * (around.named ? 1 : meshEngine.chanceBetween(profile.distanceM, rule)) * leaves;
    };
    const alike = tops.map((around) => around.tops_m[LOW] === around.tops_m[HIGH]),
      found = new Map();
    const totals = (topA, topB) => {
      const which = [alike[0] ? MIDDLE : topA, alike[1] ? MIDDLE : topB],
        key = which.join();
      if (!found.has(key)) {
        const [aAgl, bAgl] = own.map((end, i) => Math.max(end.antenna_agl_m, tops[i].tops_m[which[i]]));
        const raised = pathLosses(profile, { aAgl, bAgl, insideA: a.inside, insideB: b.inside }, engine);
        const overTops = (season) => raised.totalDb[season] - raised.freeSpaceDb + endDb(0, which[0], season) + endDb(1, which[1], season);
        found.set(
          key,
          bare.totalDb.map((bareDb, season) => Math.max(bareDb, bare.freeSpaceDb + overTops(season))),
        );
      }
      return found.get(key);
    };
    return bare.totalDb.map((bareDb, season) => {
      const middle = totals(MIDDLE, MIDDLE)[season],
        byA = [totals(LOW, MIDDLE)[season], middle, totals(HIGH, MIDDLE)[season]],
        byB = [totals(MIDDLE, LOW)[season], middle, totals(MIDDLE, HIGH)[season]];
      const named = (end) => (tops[end].named ? Math.min(endDb(end, MIDDLE, season), engine.clutter.named_spread_db) : 0);
      return {
        extraDb: Math.max(mean3(byA) + mean3(byB) - middle - bareDb, 0),
        spreadDb: Math.hypot(spread3(byA), spread3(byB), named(0), named(1)),
      };
    });
  }

  /* links/link_table: errors of the ground act on the path that counts, from the middle tops where clutter raise it. */
  function linkDraws(profile, a, b, bare, around, engine) {
    if (!profile.errors || !profile.errors.length) return { spreadDb: engine.elevation_spread_db, hiddenDb: 0 };
    const height = (end, raised) =>
      raised && end.around ? Math.max(end.antenna_agl_m, end.around.tops_m[MIDDLE]) : end.antenna_agl_m;
    const raised = around.some((one) => one.extraDb > 0),
      ends = { aAgl: height(a, raised), bAgl: height(b, raised), insideA: a.inside, insideB: b.inside };
    return terrainDraws(profile, ends, raised ? pathLosses(profile, ends, engine) : bare, engine);
  }

  /* links/link_table: gain of one end towards the other. */
  function gainTowardsDbi(end, bearingDeg, upDeg) {
    if (end.pattern === "round") return meshEngine.omnidirectionalGainDbi(end.gain_dbi, upDeg, end.tilt_deg);
    if (end.pattern === "sector" && end.azimuth_deg !== null)
      return meshEngine.sectorGainDbi(
        end.gain_dbi,
        ((bearingDeg - end.azimuth_deg + 540) % 360) - 180,
        upDeg,
        end.horizontal_beamwidth_deg,
        end.tilt_deg,
      );
    return end.gain_dbi;
  }

  /* links/link_table: margins both ways, spread and chance of a link between two ends, season by season. */
  function linkBetween(profile, a, b, engine) {
    const losses = pathLosses(
      profile,
      { aAgl: a.antenna_agl_m, bAgl: b.antenna_agl_m, insideA: a.inside, insideB: b.inside },
      engine,
    );
    const upDeg = (Math.atan2(losses.endAmsl - losses.startAmsl, Math.max(profile.distanceM, meshFigures.least_run_m)) * 180) / Math.PI;
    const gainA = gainTowardsDbi(a, profile.bearingDeg, upDeg),
      gainB = gainTowardsDbi(b, (profile.bearingDeg + 180) % 360, -upDeg);
    const around = clutterOf(profile, a, b, losses, engine);
    const drawn = linkDraws(profile, a, b, losses, around, engine);
    const crossedDb = meshEngine.polarisationLossDb(a.polarisation_deg - b.polarisation_deg);
    const between = gainA + gainB - crossedDb - a.local_loss_db - b.local_loss_db - a.entry_loss_db - b.entry_loss_db;
    const fadeDb =
      (a.is_sensor || b.is_sensor) && (!a.is_sensor || a.relaxed) && (!b.is_sensor || b.relaxed)
        ? engine.relaxed_fade_db
        : engine.strict_fade_db;
    const rule = losses.obstructed ? engine.obstructed_spread_db : engine.clear_spread_db,
      onLand = (end) => (end.around ? rule + end.around.share * Math.max(end.around.model_spread_db - rule, 0) : rule),
      model = Math.max(onLand(a), onLand(b)),
      soil = losses.groundLimited ? engine.soil_spread_db : 0;
    const antenna = Math.hypot(a.antenna_spread_db, b.antenna_spread_db, a.entry_spread_db, b.entry_spread_db);
    const seasons = losses.totalDb.map((bareDb, season) => {
      const lossDb = bareDb + around[season].extraDb + drawn.hiddenDb + 2 * engine.season_antenna_loss_db[season];
      const level = between - lossDb;
      const atB =
        a.can_speak && b.can_hear ? a.tx_power_dbm + level - b.sensitivity_dbm : a.can_hear && b.can_speak ? Infinity : -Infinity;
      const atA = b.can_speak && a.can_hear ? b.tx_power_dbm + level - a.sensitivity_dbm : Infinity;
      const otherSpread = Math.hypot(model, soil, antenna, losses.seasons[season].spreadDb, around[season].spreadDb),
        spreadDb = Math.hypot(otherSpread, drawn.spreadDb);
      const marginDb = Math.min(atA, atB);
      const works = meshEngine.normalChance((marginDb - fadeDb) / spreadDb);
      return { lossDb, clutterDb: around[season].extraDb, marginDb, spreadDb, otherSpread, chance: works };
    });
    return { losses, seasons, fadeDb, gainA, gainB, elevationSpreadDb: drawn.spreadDb, hiddenReliefDb: drawn.hiddenDb };
  }

  return { pathLosses, clutterOf, clearanceWords, heightErrors, terrainDraws, gainTowardsDbi, linkBetween };
})();
