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
    return 20 * Math.log10(4 * Math.PI * distance / wavelength);
  }

  /* refraction */
  const earthBulgeM = (distanceM, totalM, radiusKm) => distanceM * (totalM - distanceM) / (2000 * radiusKm);

  /* fresnel */
  function fresnelRadiusM(startM, endM, frequencyMhz) {
    const total = startM + endM;
    return total > 0 ? Math.sqrt(wavelengthM(frequencyMhz) * Math.max(startM * endM / total, 0)) : 0;
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
    return nu <= -0.78 ? 0 : 6.9 + 20 / Math.LN10 * Math.asinh(nu - 0.1);
  }

  /* diffraction: Bullington's single edge. Slopes are taken from the line between the antennas. */
  function bullingtonLossDb(along, obstacle, startAmsl, endAmsl, frequencyMhz, radiusKm) {
    const total = along[along.length - 1];
    const wavelength = wavelengthM(frequencyMhz);
    let nuSeen = -Infinity, slopeStart = -Infinity, slopeEnd = -Infinity;
    for (let i = 0; i < along.length; i++) {
      const distance = along[i], rest = total - distance;
      if (!(distance > 0 && rest > 0)) continue;
      const line = (startAmsl * rest + endAmsl * distance) / total;
      const excess = obstacle[i] + earthBulgeM(distance, total, radiusKm) - line;
      nuSeen = Math.max(nuSeen, excess * Math.sqrt(2 * total / (distance * rest) / wavelength));
      slopeStart = Math.max(slopeStart, excess / distance);
      slopeEnd = Math.max(slopeEnd, excess / rest);
    }
    const nu = slopeStart >= 0 ? Math.sqrt(2 * total * slopeStart * slopeEnd / wavelength) : nuSeen;
    const edge = knifeEdgeLossDb(nu);
    return edge - Math.expm1(-edge / 6) * (10 + 0.02 * total / 1000);
  }

  /* diffraction: smooth ground under the path, lowered under obstacles and to the ground at the ends. */
  function smoothSurface(along, ground, startAmsl, endAmsl) {
    const last = along.length - 1, total = along[last];
    const middle = 0.5 * (ground[0] + ground[last]);
    const groundStart = ground[0] - middle, groundEnd = ground[last] - middle;
    if (!(total > 0)) return { startAmsl: ground[0], endAmsl: ground[last] };
    let aboutStart = 0, aboutEnd = 0;
    for (let i = 1; i <= last; i++) {
      const t0 = along[i - 1] / total, t1 = along[i] / total, u0 = 1 - t0, u1 = 1 - t1;
      const near = ground[i - 1] - middle, far = ground[i] - middle;
      aboutEnd += (t1 - t0) * (near * (2 * u0 + u1) + far * (u0 + 2 * u1));
      aboutStart += (t1 - t0) * (far * (2 * t1 + t0) + near * (t1 + 2 * t0));
    }
    let fitStart = (2 * aboutEnd - aboutStart) / 3, fitEnd = (2 * aboutStart - aboutEnd) / 3;
    const a = startAmsl - middle, b = endAmsl - middle;
    let obstruction = -Infinity, slopeStart = -Infinity, slopeEnd = -Infinity;
    for (let i = 0; i <= last; i++) {
      const t = along[i] / total, u = 1 - t;
      if (!(t > 0 && u > 0)) continue;
      const excess = ground[i] - middle - (a * u + b * t);
      obstruction = Math.max(obstruction, excess);
      slopeStart = Math.max(slopeStart, excess / t);
      slopeEnd = Math.max(slopeEnd, excess / u);
    }
    if (obstruction > 0) {
      fitStart -= obstruction * slopeStart / (slopeStart + slopeEnd);
      fitEnd -= obstruction * slopeEnd / (slopeStart + slopeEnd);
    }
    return { startAmsl: middle + Math.min(fitStart, groundStart), endAmsl: middle + Math.min(fitEnd, groundEnd) };
  }

  function heightGainDb(b, floorDb, perMetre) {
    const height = Math.max(b, perMetre * SMALLEST_HEIGHT_M);
    const gain = height > 2
      ? 17.6 * Math.sqrt(height - 1.1) - 5 * Math.log10(height - 1.1) - 8
      : 20 * Math.log10(height + 0.1 * height ** 3);
    return Math.max(gain, floorDb);
  }

  /* diffraction: first term of the residue series over smooth round ground. `land` = {permittivity, conductivity, vertical}. */
  function firstTermLossDb(distanceM, heightStartM, heightEndM, frequencyMhz, radiusKm, land) {
    const gigahertz = frequencyMhz / 1000, kilometres = Math.max(distanceM, 1e-6) / 1000;
    const tangent = 18 * land.conductivity / gigahertz, eps = land.permittivity;
    let admittance = 0.036 * (radiusKm * gigahertz) ** (-1 / 3) * ((eps - 1) ** 2 + tangent ** 2) ** -0.25;
    if (land.vertical) admittance *= Math.sqrt(eps ** 2 + tangent ** 2);
    const k2 = admittance ** 2;
    const beta = (1 + 1.6 * k2 + 0.67 * k2 ** 2) / (1 + 4.5 * k2 + 1.53 * k2 ** 2);
    const x = 21.88 * beta * (gigahertz / radiusKm ** 2) ** (1 / 3) * kilometres;
    const perMetre = beta * 0.9575 * beta * (gigahertz ** 2 / radiusKm) ** (1 / 3);
    const distanceTerm = x >= 1.6 ? 11 + 10 * Math.log10(x) - 17.6 * x : -20 * Math.log10(x) - 5.6488 * x ** 1.425;
    const floorDb = 2 + 20 * Math.log10(admittance);
    return -distanceTerm - heightGainDb(perMetre * heightStartM, floorDb, perMetre)
      - heightGainDb(perMetre * heightEndM, floorDb, perMetre);
  }

  /* diffraction: smooth round ground at any distance. */
  function sphericalEarthLossDb(distanceM, heightStartM, heightEndM, frequencyMhz, radiusKm, land) {
    if (!(distanceM > 0)) return 0;
    const h1 = Math.max(heightStartM, SMALLEST_HEIGHT_M), h2 = Math.max(heightEndM, SMALLEST_HEIGHT_M);
    const radiusM = 1000 * radiusKm, roots = Math.sqrt(h1) + Math.sqrt(h2);
    if (distanceM >= Math.sqrt(2 * radiusM) * roots) {
      return firstTermLossDb(distanceM, h1, h2, frequencyMhz, radiusKm, land);
    }
    const height = h1 + h2, c = (h1 - h2) / height, m = distanceM ** 2 / (4 * radiusM * height);
    const argument = Math.min(1, Math.max(-1, 1.5 * c * Math.sqrt(3 * m / (m + 1) ** 3)));
    const b = 2 * Math.sqrt((m + 1) / (3 * m)) * Math.sin(Math.asin(argument) / 3);
    const toStart = 0.5 * distanceM * (1 + b), toEnd = 0.5 * distanceM * (1 - b);
    const clearance = ((h1 - toStart ** 2 / (2 * radiusM)) * toEnd + (h2 - toEnd ** 2 / (2 * radiusM)) * toStart) / distanceM;
    const required = 17.456 * Math.sqrt(Math.max(toStart * toEnd, 0) / 1000 / distanceM * wavelengthM(frequencyMhz));
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
    const x = 2 * Math.PI * effectiveStartM * effectiveEndM / (wavelengthM(frequencyMhz) * distanceM);
    return Math.max(-20 * Math.log10(2 * Math.sin(Math.min(Math.max(x, 1e-12), Math.PI / 6))), 0);
  }

  /* low_antenna: terrain, round Earth and plane ground in one loss, in excess of free space. */
  function lowAntennaLossDb(along, ground, obstacle, startAmsl, endAmsl, frequencyMhz, radiusKm, land) {
    const surface = smoothSurface(along, ground, startAmsl, endAmsl);
    const h1 = startAmsl - surface.startAmsl, h2 = endAmsl - surface.endAmsl;
    const floor = minimumEffectiveHeightM(frequencyMhz, land);
    const effective1 = Math.hypot(h1, floor), effective2 = Math.hypot(h2, floor);
    const length = along[along.length - 1];
    const spherical = sphericalEarthLossDb(length, effective1, effective2, frequencyMhz, radiusKm, land);
    const plane = planeGroundExcessDb(length, effective1, effective2, frequencyMhz);
    const actual = bullingtonLossDb(along, obstacle, startAmsl, endAmsl, frequencyMhz, radiusKm);
    const bare = new Float64Array(along.length);
    const smooth = bullingtonLossDb(along, bare, h1, h2, frequencyMhz, radiusKm);
    const smoothEarth = Math.max(spherical, plane, 0);
    return { totalDb: actual + Math.max(smoothEarth - smooth, 0), edgeDb: actual, smoothEarthDb: smoothEarth, bareDb: smooth };
  }

  /* foliage: woodland with one end in it or both outside (ITU-R P.833 §2.1). */
  function woodlandLossDb(depthM, lossDbPerM, mostLossDb) {
    return mostLossDb > 0 ? -mostLossDb * Math.expm1(-depthM * lossDbPerM / mostLossDb) : 0;
  }

  /* Chance of a normal variable staying below z; Abramowitz and Stegun 7.1.26 on the error function, within 1.5e-7. */
  function normalChance(z) {
    const x = Math.abs(z) / Math.SQRT2, t = 1 / (1 + 0.3275911 * x);
    const tail = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429)))) * Math.exp(-x * x);
    return z >= 0 ? 1 - tail / 2 : tail / 2;
  }

  return {
    wavelengthM, freeSpaceLossDb, earthBulgeM, fresnelRadiusM, pathClearance, knifeEdgeLossDb, bullingtonLossDb, smoothSurface,
    firstTermLossDb, sphericalEarthLossDb, minimumEffectiveHeightM, planeGroundExcessDb, lowAntennaLossDb, woodlandLossDb, normalChance,
  };
})();
