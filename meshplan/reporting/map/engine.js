/* The propagation engine of the page. One small function for each formula, named and ordered as in meshplan/propagation, where
   every source, range and accuracy is stated. Numbers in, decibels out: it knows no site, no colour, no page.
   A test runs both engines on the same samples and holds them together. */
"use strict";
const meshEngine = (() => {
  const SPEED_OF_LIGHT_M_PER_S = 299792458;
  const SMALLEST_HEIGHT_M = 1e-3;
  const NEAREST_DISTANCE_M = 1;

  const wavelengthM = (frequencyMhz) => SPEED_OF_LIGHT_M_PER_S / 1e6 / frequencyMhz;

  /* free_space */
  function freeSpaceLossDb(distanceM, frequencyMhz) {
    const wavelength = wavelengthM(frequencyMhz);
    const distance = Math.max(distanceM, wavelength, NEAREST_DISTANCE_M);
    return 20 * Math.log10((4 * Math.PI * distance) / wavelength);
  }

  /* refraction */
  const earthBulgeM = (distanceM, totalM, radiusKm) => (distanceM * (totalM - distanceM)) / (2000 * radiusKm);

  /* fresnel */
  function fresnelRadiusM(startM, endM, frequencyMhz) {
    const total = startM + endM;
    return total > 0 ? Math.sqrt(wavelengthM(frequencyMhz) * Math.max((startM * endM) / total, 0)) : 0;
  }

  /* Tightest place of a path, in first Fresnel radii; `obstacle` is ground or what stands on it. */
  function pathClearance(along, obstacle, startAmsl, endAmsl, frequencyMhz, radiusKm) {
    const total = along[along.length - 1];
    let found = { fraction: Infinity, clearanceM: NaN, index: -1 };
    for (let i = 0; i < along.length; i++) {
      const rest = total - along[i];
      if (!(along[i] > 0 && rest > 0)) continue;
      const line = (startAmsl * rest + endAmsl * along[i]) / total;
      const clearanceM = line - obstacle[i] - earthBulgeM(along[i], total, radiusKm);
      const fraction = clearanceM / fresnelRadiusM(along[i], rest, frequencyMhz);
      if (fraction < found.fraction) found = { fraction, clearanceM, index: i };
    }
    return found;
  }

  /* knife_edge */
  function knifeEdgeLossDb(nu) {
    return nu <= -0.78 ? 0 : 6.9 + (20 / Math.LN10) * Math.asinh(nu - 0.1);
  }

  /* diffraction: Bullington's single edge. Slopes are taken from the line between the antennas. */
  function bullingtonLossDb(along, obstacle, startAmsl, endAmsl, frequencyMhz, radiusKm) {
    const total = along[along.length - 1];
    const wavelength = wavelengthM(frequencyMhz);
    let nuSeen = -Infinity,
      slopeStart = -Infinity,
      slopeEnd = -Infinity;
    for (let i = 0; i < along.length; i++) {
      const distance = along[i],
        rest = total - distance;
      if (!(distance > 0 && rest > 0)) continue;
      const line = (startAmsl * rest + endAmsl * distance) / total;
      const excess = obstacle[i] + earthBulgeM(distance, total, radiusKm) - line;
      nuSeen = Math.max(nuSeen, excess * Math.sqrt((2 * total) / (distance * rest) / wavelength));
      slopeStart = Math.max(slopeStart, excess / distance);
      slopeEnd = Math.max(slopeEnd, excess / rest);
    }
    const nu = slopeStart >= 0 ? Math.sqrt((2 * total * slopeStart * slopeEnd) / wavelength) : nuSeen;
    const edge = knifeEdgeLossDb(nu);
    return edge - Math.expm1(-edge / 6) * (10 + (0.02 * total) / 1000);
  }

  /* diffraction: smooth ground under the path, lowered under obstacles and to the ground at the ends. */
  function smoothSurface(along, ground, startAmsl, endAmsl) {
    const last = along.length - 1,
      total = along[last];
    const middle = 0.5 * (ground[0] + ground[last]);
    const groundStart = ground[0] - middle,
      groundEnd = ground[last] - middle;
    if (!(total > 0)) return { startAmsl: ground[0], endAmsl: ground[last] };
    let aboutStart = 0,
      aboutEnd = 0;
    for (let i = 1; i <= last; i++) {
      const t0 = along[i - 1] / total,
        t1 = along[i] / total,
        u0 = 1 - t0,
        u1 = 1 - t1;
      const near = ground[i - 1] - middle,
        far = ground[i] - middle;
      aboutEnd += (t1 - t0) * (near * (2 * u0 + u1) + far * (u0 + 2 * u1));
      aboutStart += (t1 - t0) * (far * (2 * t1 + t0) + near * (t1 + 2 * t0));
    }
    let fitStart = (2 * aboutEnd - aboutStart) / 3,
      fitEnd = (2 * aboutStart - aboutEnd) / 3;
    const a = startAmsl - middle,
      b = endAmsl - middle;
    let obstruction = -Infinity,
      slopeStart = -Infinity,
      slopeEnd = -Infinity;
    for (let i = 0; i <= last; i++) {
      const t = along[i] / total,
        u = 1 - t;
      if (!(t > 0 && u > 0)) continue;
      const excess = ground[i] - middle - (a * u + b * t);
      obstruction = Math.max(obstruction, excess);
      slopeStart = Math.max(slopeStart, excess / t);
      slopeEnd = Math.max(slopeEnd, excess / u);
    }
    if (obstruction > 0) {
      fitStart -= (obstruction * slopeStart) / (slopeStart + slopeEnd);
      fitEnd -= (obstruction * slopeEnd) / (slopeStart + slopeEnd);
    }
    return { startAmsl: middle + Math.min(fitStart, groundStart), endAmsl: middle + Math.min(fitEnd, groundEnd) };
  }

  function heightGainDb(b, floorDb, perMetre) {
    const height = Math.max(b, perMetre * SMALLEST_HEIGHT_M);
    const gain =
      height > 2 ? 17.6 * Math.sqrt(height - 1.1) - 5 * Math.log10(height - 1.1) - 8 : 20 * Math.log10(height + 0.1 * height ** 3);
    return Math.max(gain, floorDb);
  }

  /* diffraction: first term of the residue series over smooth round ground. `land` = {permittivity, conductivity, vertical}. */
  function firstTermLossDb(distanceM, heightStartM, heightEndM, frequencyMhz, radiusKm, land) {
    const gigahertz = frequencyMhz / 1000,
      kilometres = Math.max(distanceM, 1e-6) / 1000;
    const tangent = (18 * land.conductivity) / gigahertz,
      eps = land.permittivity;
    let admittance = 0.036 * (radiusKm * gigahertz) ** (-1 / 3) * ((eps - 1) ** 2 + tangent ** 2) ** -0.25;
    if (land.vertical) admittance *= Math.sqrt(eps ** 2 + tangent ** 2);
    const k2 = admittance ** 2;
    const beta = (1 + 1.6 * k2 + 0.67 * k2 ** 2) / (1 + 4.5 * k2 + 1.53 * k2 ** 2);
    const x = 21.88 * beta * (gigahertz / radiusKm ** 2) ** (1 / 3) * kilometres;
    const perMetre = beta * 0.9575 * beta * (gigahertz ** 2 / radiusKm) ** (1 / 3);
    const distanceTerm = x >= 1.6 ? 11 + 10 * Math.log10(x) - 17.6 * x : -20 * Math.log10(x) - 5.6488 * x ** 1.425;
    const floorDb = 2 + 20 * Math.log10(admittance);
    return (
      -distanceTerm -
      heightGainDb(perMetre * heightStartM, floorDb, perMetre) -
      heightGainDb(perMetre * heightEndM, floorDb, perMetre)
    );
  }

  /* diffraction: smooth round ground at any distance. */
  function sphericalEarthLossDb(distanceM, heightStartM, heightEndM, frequencyMhz, radiusKm, land) {
    if (!(distanceM > 0)) return 0;
    const h1 = Math.max(heightStartM, SMALLEST_HEIGHT_M),
      h2 = Math.max(heightEndM, SMALLEST_HEIGHT_M);
    const radiusM = 1000 * radiusKm,
      roots = Math.sqrt(h1) + Math.sqrt(h2);
    if (distanceM >= Math.sqrt(2 * radiusM) * roots) {
      return firstTermLossDb(distanceM, h1, h2, frequencyMhz, radiusKm, land);
    }
    const height = h1 + h2,
      c = (h1 - h2) / height,
      m = distanceM ** 2 / (4 * radiusM * height);
    const argument = Math.min(1, Math.max(-1, 1.5 * c * Math.sqrt((3 * m) / (m + 1) ** 3)));
    const b = 2 * Math.sqrt((m + 1) / (3 * m)) * Math.sin(Math.asin(argument) / 3);
    const toStart = 0.5 * distanceM * (1 + b),
      toEnd = 0.5 * distanceM * (1 - b);
    const clearance = ((h1 - toStart ** 2 / (2 * radiusM)) * toEnd + (h2 - toEnd ** 2 / (2 * radiusM)) * toStart) / distanceM;
    const required = 17.456 * Math.sqrt((Math.max(toStart * toEnd, 0) / 1000 / distanceM) * wavelengthM(frequencyMhz));
    const loss = Math.max(firstTermLossDb(distanceM, h1, h2, frequencyMhz, (distanceM / roots) ** 2 / 2000, land), 0);
    return Math.max(1 - clearance / (required > 0 ? required : 1), 0) * loss;
  }

  /* two_ray */
  function minimumEffectiveHeightM(frequencyMhz, land) {
    const imaginary = -60 * land.conductivity * wavelengthM(frequencyMhz);
    let impedance = Math.sqrt(Math.hypot(land.permittivity - 1, imaginary));
    if (land.vertical) impedance /= Math.hypot(land.permittivity, imaginary);
    return wavelengthM(frequencyMhz) / (2 * Math.PI * impedance);
  }

  function planeGroundExcessDb(distanceM, effectiveStartM, effectiveEndM, frequencyMhz) {
    if (!(distanceM > 0)) return 0;
    const x = (2 * Math.PI * effectiveStartM * effectiveEndM) / (wavelengthM(frequencyMhz) * distanceM);
    return x >= Math.PI / 6 ? 0 : Math.max(-20 * Math.log10(2 * Math.sin(Math.max(x, 1e-12))), 0);
  }

  /* low_antenna: terrain, round Earth and plane ground in one loss, in excess of free space. */
  function lowAntennaLossDb(along, ground, obstacle, startAmsl, endAmsl, frequencyMhz, radiusKm, land) {
    const surface = smoothSurface(along, ground, startAmsl, endAmsl);
    const h1 = Math.max(startAmsl - surface.startAmsl, 0),
      h2 = Math.max(endAmsl - surface.endAmsl, 0);
    const floor = minimumEffectiveHeightM(frequencyMhz, land);
    const effective1 = Math.hypot(h1, floor),
      effective2 = Math.hypot(h2, floor);
    const length = along[along.length - 1];
    const spherical = sphericalEarthLossDb(length, effective1, effective2, frequencyMhz, radiusKm, land);
    const plane = planeGroundExcessDb(length, effective1, effective2, frequencyMhz);
    const actual = bullingtonLossDb(along, obstacle, startAmsl, endAmsl, frequencyMhz, radiusKm);
    const bare = new Float64Array(along.length);
    const smooth = bullingtonLossDb(along, bare, h1, h2, frequencyMhz, radiusKm);
    const smoothEarth = Math.max(spherical, plane, 0);
    return { totalDb: actual + Math.max(smoothEarth - smooth, 0), edgeDb: actual, smoothEarthDb: smoothEarth, bareDb: smooth };
  }

  /* vegetation: metres inside one kind of plants, in full leaf. `cover` holds the figures of its kind at the frequency. */
  function fullCoverLossDb(cover, depthM, rowAngleDeg) {
    if (cover.form === "woodland") return -cover.most_db * Math.expm1((-depthM * cover.db_per_m) / cover.most_db);
    if (cover.form === "row") return Math.min(depthM * cover.db_per_m, cover.most_db);
    const crossing = rowAngleDeg === null ? 1 : Math.abs(Math.sin((rowAngleDeg * Math.PI) / 180));
    return Math.min(depthM * (cover.along_db_per_m + (cover.db_per_m - cover.along_db_per_m) * crossing), cover.most_db);
  }

  function exponentialDecayLossDb(depthM, frequencyMhz) {
    const depth = Math.min(Math.max(depthM, 0), 400);
    return (frequencyMhz / 1000) ** 0.284 * Math.min(0.45 * depth, 1.33 * depth ** 0.588);
  }

  function coverSpreadDb(cover, depthM, fullDb, frequencyMhz, mostDb) {
    if (cover.form === "slab") return Math.min(cover.least_spread_db * Math.min(depthM, 1) + cover.spread_share * fullDb, mostDb);
    const woodland = -cover.most_db * Math.expm1((-depthM * cover.db_per_m) / cover.most_db);
    return Math.min(0.5 * Math.abs(exponentialDecayLossDb(depthM, frequencyMhz) - woodland), mostDb);
  }

  /* antenna: gain by direction (ITU-R F.1336), average side lobes. */
  function omnidirectionalGainDbi(gainDbi, elevationDeg, downtiltDeg) {
    const k = 0.7,
      tilted = elevationDeg + downtiltDeg;
    const x = Math.abs((90 * tilted) / (tilted >= 0 ? 90 + downtiltDeg : 90 - downtiltDeg)) / (107.6 * 10 ** (-0.1 * gainDbi));
    if (x < Math.sqrt(1.25 - Math.log10(k + 1) / 1.2)) return gainDbi - 12 * x ** 2;
    return gainDbi - 15 + 10 * Math.log10(x < 1 ? k + 1 : x ** -1.5 + k);
  }

  function sectorGainDbi(gainDbi, azimuthOffDeg, elevationDeg, beamwidthDeg, downtiltDeg) {
    const kP = 0.7,
      kH = 0.7,
      kV = 0.3,
      radians = Math.PI / 180;
    const beamV = Math.min((31000 * 10 ** (-0.1 * gainDbi)) / beamwidthDeg, 179);
    const az = azimuthOffDeg * radians,
      el = elevationDeg * radians,
      tilt = downtiltDeg * radians;
    const forward = Math.cos(el) * Math.cos(az),
      aside = Math.cos(el) * Math.sin(az),
      up = Math.sin(el);
    const seenUp = Math.sin(tilt) * forward + Math.cos(tilt) * up,
      seenForward = Math.cos(tilt) * forward - Math.sin(tilt) * up;
    const elevation = Math.atan2(seenUp, Math.hypot(seenForward, aside)) / radians,
      azimuth = Math.atan2(aside, seenForward) / radians;
    const back = -15 + 10 * Math.log10(1 + 8 * kP) - 15 * Math.log10(180 / beamV),
      lambdaH = 3 * (1 - 0.5 ** -kH);
    const flat = (x) => Math.max(x <= 0.5 ? -12 * x ** 2 : -12 * x ** (2 - kH) - lambdaH, back);
    const horizontal = flat(Math.abs(azimuth) / beamwidthDeg),
      behind = flat(180 / beamwidthDeg);
    const x = Math.abs(elevation) / beamV,
      mainTo = Math.sqrt(1.33 - 0.33 * kV),
      narrow = beamV < 22.5,
      atFour = 4 ** -1.5 + kV;
    let vertical;
    if (x < mainTo) vertical = -12 * x ** 2;
    else if (x < 4 || !narrow) vertical = -15 + 10 * Math.log10(x ** -1.5 + kV);
    else
      vertical =
        -15 +
        10 * Math.log10(atFour) -
        ((10 * Math.log10(((180 / beamV) ** 1.5 * atFour) / (1 + 8 * kP))) / Math.log10(22.5 / beamV)) * Math.log10(x / 4);
    return gainDbi + horizontal + (behind < 0 ? (horizontal - behind) / -behind : 1) * Math.max(vertical, back);
  }

  /* links/path_loss: every loss between two antennas, season by season, nothing counted twice.
     `profile` = {along, ground, number, canopy, bearingDeg}; `ends` = {aAgl, bAgl, insideA, insideB}; `engine` = constants of the plan. */
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
      (d, i) => startAmsl * (1 - i / last) + endAmsl * (i / last) - earthBulgeM(d, total, radiusKm),
    );
    const standing = (i, heightM) => {
      const cover = coverOf(i);
      if (!cover) return 0;
      if (!canopy || !Number.isFinite(canopy[i])) return heightM(cover);
      return cover.tallest_m > 0 ? (canopy[i] * heightM(cover)) / cover.tallest_m : 0;
    };
    const solid = Array.from(ground, (_, i) => Boolean(coverOf(i) && coverOf(i).solid));
    const tallest = Float64Array.from(ground, (g, i) => g + standing(i, (cover) => cover.tallest_m));
    const roofs = Float64Array.from(ground, (g, i) => (solid[i] ? tallest[i] : g));
    const terrain = (obstacle) => lowAntennaLossDb(along, ground, obstacle, startAmsl, endAmsl, f, radiusKm, land);
    const bare = terrain(ground),
      terrainDb = bare.totalDb;
    const hasBuilding = solid.slice(1, -1).some(Boolean);
    const overRoofsDb = hasBuilding ? Math.max(terrain(roofs).totalDb - terrainDb, 0) : 0;
    let wallsDb = 0;
    for (let i = 1; i < n; i++) {
      const now = solid[i] && ray[i] < roofs[i] ? number[i] : 0,
        before = solid[i - 1] && ray[i - 1] < roofs[i - 1] ? number[i - 1] : 0;
      if (now !== before) wallsDb += (now ? coverOf(i).wall_db : 0) + (before ? coverOf(i - 1).wall_db : 0);
    }
    const buildingDb = Math.min(overRoofsDb, wallsDb);
    const stepM = total / last,
      near = (i) => Math.min(along[i], total - along[i]) <= engine.near_an_antenna_m;
    const far = (i) => along[i] > engine.near_an_antenna_m && total - along[i] > engine.near_an_antenna_m;

    const seasons = engine.season_antenna_loss_db.map((_, season) => {
      const crown = Float64Array.from(ground, (_, i) => (solid[i] ? 0 : standing(i, (cover) => cover.heights_m[season])));
      const groups = new Map();
      for (let i = 0; i < n; i++) {
        const cover = coverOf(i);
        if (!cover || !cover.form || !(crown[i] > 0) || !(ray[i] < ground[i] + crown[i])) continue;
        const metres = (i === 0 || i === last ? 0.5 : 1) * stepM,
          group = groups.get(cover.group) || { cover, depth: 0, near: 0 };
        group.depth += metres;
        if (near(i)) group.near += metres;
        groups.set(cover.group, group);
      }
      let throughDb = 0,
        nearDb = 0,
        throughVariance = 0,
        nearVariance = 0;
      for (const { cover, depth, near: nearDepth } of groups.values()) {
        const angle = cover.row_azimuth_deg === null ? null : profile.bearingDeg - cover.row_azimuth_deg,
          share = cover.season_share[season];
        const full = fullCoverLossDb(cover, depth, angle),
          nearFull = fullCoverLossDb(cover, nearDepth, angle);
        throughDb += full * share;
        nearDb += nearFull * share;
        throughVariance += (coverSpreadDb(cover, depth, full, f, engine.most_plant_spread_db) * share) ** 2;
        nearVariance += (coverSpreadDb(cover, nearDepth, nearFull, f, engine.most_plant_spread_db) * share) ** 2;
      }
      if (!(throughDb > 0)) return { vegetationDb: 0, spreadDb: 0, way: 0 };
      const on = (base, keep) => Float64Array.from(base, (level, i) => level + (keep(i) ? crown[i] : 0));
      const always = () => true,
        ways = [terrainDb + overRoofsDb + throughDb, terrain(on(roofs, always)).totalDb, terrain(on(roofs, far)).totalDb + nearDb];
      if (hasBuilding)
        ways.push(
          terrainDb + wallsDb + throughDb,
          terrain(on(ground, always)).totalDb + wallsDb,
          terrain(on(ground, far)).totalDb + wallsDb + nearDb,
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

    const freeSpaceDb = freeSpaceLossDb(Math.hypot(total, startAmsl - endAmsl), f);
    const clearance = pathClearance(along, tallest, startAmsl, endAmsl, f, radiusKm),
      at = Math.max(clearance.index, 0);
    const worstPlants = Math.max(...seasons.map((one) => one.vegetationDb));
    return {
      freeSpaceDb,
      terrainDb,
      buildingDb,
      seasons,
      totalDb: seasons.map((one) => freeSpaceDb + terrainDb + buildingDb + one.vegetationDb),
      clearance,
      obstacle: coverOf(at) && tallest[at] > ground[at] ? coverOf(at) : null,
      startAmsl,
      endAmsl,
      standing: Float64Array.from(tallest, (top, i) => top - ground[i]),
      groundLimited: bare.smoothEarthDb > 0,
      obstructed: terrainDb - Math.max(bare.smoothEarthDb, bare.bareDb) + buildingDb + worstPlants > engine.obstructed_from_db,
    };
  }

  /* links/engine: gain of one end towards the other. */
  function gainTowardsDbi(end, bearingDeg, upDeg) {
    if (end.pattern === "round") return omnidirectionalGainDbi(end.gain_dbi, upDeg, end.tilt_deg);
    if (end.pattern === "sector" && end.azimuth_deg !== null)
      return sectorGainDbi(
        end.gain_dbi,
        ((bearingDeg - end.azimuth_deg + 540) % 360) - 180,
        upDeg,
        end.horizontal_beamwidth_deg,
        end.tilt_deg,
      );
    return end.gain_dbi;
  }

  /* links/engine: margins both ways, spread and chance of a link between two ends, season by season. */
  function linkBetween(profile, a, b, engine, elevationSpreadDb) {
    const losses = pathLosses(
      profile,
      { aAgl: a.antenna_agl_m, bAgl: b.antenna_agl_m, insideA: a.inside, insideB: b.inside },
      engine,
    );
    const upDeg = (Math.atan2(losses.endAmsl - losses.startAmsl, Math.max(profile.distanceM, 0.1)) * 180) / Math.PI;
    const gainA = gainTowardsDbi(a, profile.bearingDeg, upDeg),
      gainB = gainTowardsDbi(b, (profile.bearingDeg + 180) % 360, -upDeg);
    const between = gainA + gainB - a.local_loss_db - b.local_loss_db - a.entry_loss_db - b.entry_loss_db;
    const fadeDb =
      (a.is_sensor || b.is_sensor) && (!a.is_sensor || a.relaxed) && (!b.is_sensor || b.relaxed)
        ? engine.relaxed_fade_db
        : engine.strict_fade_db;
    const model = losses.obstructed ? engine.obstructed_spread_db : engine.clear_spread_db,
      soil = losses.groundLimited ? engine.soil_spread_db : 0;
    const antenna = Math.hypot(a.antenna_spread_db, b.antenna_spread_db, a.entry_spread_db, b.entry_spread_db);
    const seasons = losses.totalDb.map((lossDb, season) => {
      const level = between - lossDb - 2 * engine.season_antenna_loss_db[season];
      const atB =
        a.can_speak && b.can_hear ? a.tx_power_dbm + level - b.sensitivity_dbm : a.can_hear && b.can_speak ? Infinity : -Infinity;
      const atA = b.can_speak && a.can_hear ? b.tx_power_dbm + level - a.sensitivity_dbm : Infinity;
      const otherSpread = Math.hypot(model, soil, antenna, losses.seasons[season].spreadDb),
        spreadDb = Math.hypot(otherSpread, elevationSpreadDb);
      const marginDb = Math.min(atA, atB);
      return { lossDb, marginDb, spreadDb, otherSpread, chance: normalChance((marginDb - fadeDb) / spreadDb) };
    });
    return { losses, seasons, fadeDb, gainA, gainB };
  }

  /* Chance of a normal variable staying below z; Abramowitz and Stegun 7.1.26 on the error function, within 1.5e-7. */
  function normalChance(z) {
    const x = Math.abs(z) / Math.SQRT2,
      t = 1 / (1 + 0.3275911 * x);
    const tail =
      t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429)))) * Math.exp(-x * x);
    return z >= 0 ? 1 - tail / 2 : tail / 2;
  }

  return {
    wavelengthM,
    freeSpaceLossDb,
    earthBulgeM,
    fresnelRadiusM,
    pathClearance,
    knifeEdgeLossDb,
    bullingtonLossDb,
    smoothSurface,
    firstTermLossDb,
    sphericalEarthLossDb,
    minimumEffectiveHeightM,
    planeGroundExcessDb,
    lowAntennaLossDb,
    fullCoverLossDb,
    coverSpreadDb,
    omnidirectionalGainDbi,
    sectorGainDbi,
    pathLosses,
    gainTowardsDbi,
    linkBetween,
    normalChance,
  };
})();
