/* The propagation formulas of the page. One small function for each formula, named and ordered as in meshplan/propagation, where
   every source, range and accuracy is stated. Numbers in, decibels out: it knows no site, no colour, no page. All constants but the
   coefficients of published equations come from Python (`meshFigures`, assembly/page_figures.py); golden vectors hold the equations. */
"use strict";
const meshEngine = (() => {
  const figures = meshFigures;
  const wavelengthM = (frequencyMhz) => figures.speed_of_light_m_per_s / 1e6 / frequencyMhz;

  /* free_space */
  function freeSpaceLossDb(distanceM, frequencyMhz) {
    const wavelength = wavelengthM(frequencyMhz);
    const distance = Math.max(distanceM, wavelength, figures.nearest_distance_m);
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
  function filledShare(overM, radiusM) {
    return Math.min(Math.max(0.5 + (0.5 * overM) / Math.max(figures.inner_zone * radiusM, 1e-6), 0), 1);
  }
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
    return nu <= figures.clear_nu ? 0 : 6.9 + (20 / Math.LN10) * Math.asinh(nu - 0.1);
  }

  /* clutter: what an antenna loses against one at the tops of what stands around it; `rule` holds the figures of the plan. */
  function endLossDb(topM, antennaAgl, frequencyMhz, streetWidthM, rule) {
    const rise = topM - Math.max(antennaAgl, rule.least_antenna_m);
    if (!(rise > 0)) return 0;
    const gigahertz = Math.min(frequencyMhz, rule.most_mhz) / 1000,
      angleDeg = (Math.atan(rise / streetWidthM) * 180) / Math.PI,
      lossDb = knifeEdgeLossDb(0.342 * Math.sqrt(gigahertz * rise * angleDeg)) - 6.03;
    return Math.min(Math.max(lossDb, 0), rule.most_end_loss_db);
  }
  const chanceBetween = (distanceM, rule) => -Math.expm1(-distanceM / rule.chance_length_m);

  /* diffraction: Bullington's single edge. Slopes are taken from the line between the antennas. */
  function bullingtonEdge(along, obstacle, startAmsl, endAmsl, frequencyMhz, radiusKm) {
    const total = along[along.length - 1],
      wavelength = wavelengthM(frequencyMhz);
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
    const blocked = slopeStart >= 0,
      nu = blocked ? Math.sqrt((2 * total * slopeStart * slopeEnd) / wavelength) : nuSeen,
      edge = knifeEdgeLossDb(nu),
      pointM = blocked && slopeStart + slopeEnd > 0 ? (total * slopeEnd) / (slopeStart + slopeEnd) : NaN;
    return { lossDb: edge - Math.expm1(-edge / 6) * (10 + (0.02 * total) / 1000), nu, pointM, pointOverLineM: slopeStart * pointM };
  }
  const bullingtonLossDb = (...path) => bullingtonEdge(...path).lossDb;

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
    const height = Math.max(b, perMetre * figures.smallest_height_m);
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
    const h1 = Math.max(heightStartM, figures.smallest_height_m),
      h2 = Math.max(heightEndM, figures.smallest_height_m);
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

  /* behind_hills: the ground loss that low antennas keep behind a hill. `loss` is what lowAntennaLossDb gave over the same ground. */
  function groundBehindHillDb(along, ground, startAmsl, endAmsl, frequencyMhz, radiusKm, land, loss, rule) {
    if (!(loss.edgeDb > rule.shadowedFromDb)) return 0;
    const last = along.length - 1,
      length = along[last],
      floor = minimumEffectiveHeightM(frequencyMhz, land);
    const mastStart = Math.max(startAmsl - ground[0], 0),
      mastEnd = Math.max(endAmsl - ground[last], 0);
    const effectiveStart = Math.hypot(mastStart, floor),
      effectiveEnd = Math.hypot(mastEnd, floor);
    const smoothDb = Math.max(
      sphericalEarthLossDb(length, effectiveStart, effectiveEnd, frequencyMhz, radiusKm, land),
      planeGroundExcessDb(length, effectiveStart, effectiveEnd, frequencyMhz),
    );
    const level = bullingtonLossDb(along, new Float64Array(along.length), mastStart, mastEnd, frequencyMhz, radiusKm);
    const mastGroundDb = Math.max(smoothDb - level, 0),
      edge = bullingtonEdge(along, ground, startAmsl, endAmsl, frequencyMhz, radiusKm);
    const topM = Number.isNaN(edge.pointM) ? 0.5 * length : edge.pointM;
    const topAmsl =
      startAmsl + ((endAmsl - startAmsl) * topM) / length + (Number.isNaN(edge.pointOverLineM) ? 0 : edge.pointOverLineM);
    const curved = Float64Array.from(ground, (height, i) => height + earthBulgeM(along[i], length, radiusKm)),
      back = Float64Array.from(along, (distance) => length - distance).reverse();
    const legsDb =
      legDb(along, curved, startAmsl, topM, topAmsl, floor, frequencyMhz) +
      legDb(back, curved.slice().reverse(), endAmsl, length - topM, topAmsl, floor, frequencyMhz);
    const hidden = Math.max(Math.min(mastGroundDb, legsDb) - (loss.totalDb - loss.edgeDb), 0);
    return rule.givenBack * hidden * Math.min(Math.max(edge.nu / rule.fullyBlockedNu, 0), 1);
  }

  /* behind_hills: plane-earth loss from an antenna to a hill top over the slope that fits the ground between them. */
  function legDb(along, ground, antennaAmsl, topM, topAmsl, floor, frequencyMhz) {
    const reach = topM > 0 ? topM : 1,
      foot = ground[0];
    let sum = 0;
    for (let i = 1; i < along.length; i++) {
      const near = Math.min(along[i - 1], reach),
        far = Math.min(along[i], reach),
        step = along[i] - along[i - 1],
        rise = ground[i - 1] - foot;
      const gradient = (ground[i] - ground[i - 1]) / (step > 0 ? step : 1);
      const moment = (at) => (1 - at / reach) * at * (rise + gradient * (at - along[i - 1]));
      sum += ((far - near) / 6) * (moment(near) + 4 * moment(0.5 * (near + far)) + moment(far));
    }
    const slope = (12 * sum) / reach ** 3,
      mast = Math.max(antennaAmsl - foot, 0),
      over = Math.max(topAmsl - (foot + slope * topM), 0);
    return planeGroundExcessDb(topM, Math.hypot(mast, floor), Math.hypot(over, floor), frequencyMhz);
  }

  /* loss/bypass_paths: past the end of a row, one edge where the flat tangents meet. `reachM` is how far the row reaches aside at each
     place `alongM` where the path meets it. */
  function aroundRowDb(reachM, alongM, totalM, frequencyMhz) {
    const slopeStart = Math.max(...reachM.map((reach, i) => reach / alongM[i])),
      slopeEnd = Math.max(...reachM.map((reach, i) => reach / (totalM - alongM[i])));
    return knifeEdgeLossDb(Math.sqrt((2 * totalM * slopeStart * slopeEnd) / wavelengthM(frequencyMhz)));
  }

  /* vegetation: metres inside one kind of plants, in full leaf. `cover` holds the figures of its kind at the frequency. */
  function fullCoverLossDb(cover, depthM, rowAngleDeg) {
    if (cover.form === "woodland") return -cover.most_db * Math.expm1((-depthM * cover.db_per_m) / cover.most_db);
    if (cover.form === "row") return Math.min(depthM * cover.db_per_m, cover.most_db);
    const crossing = rowAngleDeg === null ? 1 : Math.abs(Math.sin((rowAngleDeg * Math.PI) / 180));
    return Math.min(depthM * (cover.along_db_per_m + (cover.db_per_m - cover.along_db_per_m) * crossing), cover.most_db);
  }

  function exponentialDecayLossDb(depthM, frequencyMhz) {
    const depth = Math.min(Math.max(depthM, 0), figures.deepest_dense_wood_m);
    return (frequencyMhz / 1000) ** 0.284 * Math.min(0.45 * depth, 1.33 * depth ** 0.588);
  }

  function coverSpreadDb(cover, depthM, fullDb, frequencyMhz, mostDb) {
    if (cover.form === "slab") return Math.min(cover.least_spread_db * Math.min(depthM, 1) + cover.spread_share * fullDb, mostDb);
    const woodland = -cover.most_db * Math.expm1((-depthM * cover.db_per_m) / cover.most_db);
    return Math.min(figures.model_gap_share * Math.abs(exponentialDecayLossDb(depthM, frequencyMhz) - woodland), mostDb);
  }

  /* antenna: gain by direction (ITU-R F.1336), average side lobes. */
  /* Two straight antennas at an angle; crossed ones still hear each other by echoes. */
  function polarisationLossDb(angleDeg) {
    const share = Math.cos((angleDeg * Math.PI) / 180) ** 2,
      least = 10 ** (-figures.deepest_mismatch_db / 10);
    return -10 * Math.log10(share + least * (1 - share));
  }

  function omnidirectionalGainDbi(gainDbi, elevationDeg, downtiltDeg) {
    const k = figures.round_side_lobes_k,
      tilted = elevationDeg + downtiltDeg;
    const x = Math.abs((90 * tilted) / (tilted >= 0 ? 90 + downtiltDeg : 90 - downtiltDeg)) / (107.6 * 10 ** (-0.1 * gainDbi));
    if (x < Math.sqrt(1.25 - Math.log10(k + 1) / 1.2)) return gainDbi - 12 * x ** 2;
    return gainDbi - 15 + 10 * Math.log10(x < 1 ? k + 1 : x ** -1.5 + k);
  }

  function sectorGainDbi(gainDbi, azimuthOffDeg, elevationDeg, beamwidthDeg, downtiltDeg) {
    const kP = figures.sector_k_p,
      kH = figures.sector_k_h,
      kV = figures.sector_k_v,
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
    filledShare,
    pathClearance,
    knifeEdgeLossDb,
    endLossDb,
    chanceBetween,
    bullingtonEdge,
    bullingtonLossDb,
    smoothSurface,
    firstTermLossDb,
    sphericalEarthLossDb,
    minimumEffectiveHeightM,
    planeGroundExcessDb,
    lowAntennaLossDb,
    fullCoverLossDb,
    coverSpreadDb,
    polarisationLossDb,
    omnidirectionalGainDbi,
    sectorGainDbi,
    groundBehindHillDb,
    aroundRowDb,
    normalChance,
  };
})();
