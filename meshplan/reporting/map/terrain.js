/* The land in the page: unpacks the rasters and series that pack.py wrote, and samples profiles as meshplan/terrain does. */
"use strict";
const meshLand = (() => {
  const figures = meshFigures;

  /* terrain/profile: samples by the cell of the elevation raster and the length alone. */
  function chooseSampleCount(distanceM, cellM) {
    const { finest_step_m: finestM, most_samples: most } = figures;
    if (cellM <= finestM) return Math.min(Math.max(Math.ceil(distanceM / cellM) + 1, figures.least_samples), most);
    const groundStepM = Math.max(Math.min(cellM / figures.steps_a_cell, figures.longest_step_m), finestM);
    const fine = Math.min(Math.ceil(distanceM / finestM), figures.most_fine_steps);
    const steps = Math.max(fine, Math.ceil(distanceM / groundStepM));
    return Math.min(Math.max(steps + 1, figures.least_samples_coarse), most);
  }

  /* links/link_table: longer ones come in steps. */
  function sampleCount(distanceM, cellM) {
    const count = chooseSampleCount(distanceM, cellM);
    if (count <= figures.samples_exact_to) return count;
    const step = 2 ** Math.max(32 - Math.clz32(count - 1) - 5, 0);
    return Math.min(Math.ceil(count / step) * step, figures.most_samples);
  }

  const canUnpack = () => typeof DecompressionStream === "function";

  async function inflate(base64) {
    const text = atob(base64),
      bytes = new Uint8Array(text.length);
    for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  /* Unsigned back to signed: 0, 1, 2, 3 become 0, -1, 1, -2. */
  const unfold = (value) => (value >>> 1) ^ -(value & 1);

  async function unpackSteps(packed) {
    const bytes = await inflate(packed.data),
      { rows, columns } = packed,
      cells = rows * columns;
    const steps = new Uint16Array(cells);
    for (let row = 0, at = 0; row < rows; row++) {
      for (let column = 0; column < columns; column++, at++) {
        const left = column ? steps[at - 1] : 0,
          up = row ? steps[at - columns] : 0;
        const guess = !row ? left : !column ? up : (left + up) >> 1;
        steps[at] = guess + unfold(bytes[at] | (bytes[at + cells] << 8));
      }
    }
    return steps;
  }

  async function unpackHeights(packed) {
    const steps = await unpackSteps(packed),
      heights = new Float32Array(steps.length);
    for (let i = 0; i < steps.length; i++) heights[i] = steps[i] === figures.void_step ? NaN : packed.lowest + steps[i] * packed.quantum;
    return heights;
  }

  /* All series of a block, each as an array of whole numbers. */
  async function unpackSeries(base64) {
    const bytes = await inflate(base64),
      found = [];
    let at = 0;
    const next = () => {
      let value = 0,
        weight = 1,
        byte;
      do {
        byte = bytes[at++];
        value += (byte & 127) * weight;
        weight *= 128;
      } while (byte & 128);
      return value % 2 ? -(value + 1) / 2 : value / 2;
    };
    while (at < bytes.length) {
      const series = new Array(next());
      let value = 0;
      for (let i = 0; i < series.length; i++) series[i] = value += next();
      found.push(series);
    }
    return found;
  }

  class Land {
    constructor(record, engine, ground, coverNumber, canopy, coverShare, errors) {
      Object.assign(this, { record, engine, ground, coverNumber, canopy, coverShare, errors });
      this.rows = record.ground.rows;
      this.columns = record.ground.columns;
      this.cellM = record.cell_m;
      /* Where cells are coarse, cover lies on so many parts of each, each way. */
      this.parts = record.cover_parts || 1;
      this.coverRows = this.parts > 1 ? record.cover_number.rows : this.rows;
      this.coverColumns = this.parts > 1 ? record.cover_number.columns : this.columns;
    }

    /* Fractional column and row of a place. */
    cellOf(lat, lng) {
      const { centre, scale, powers, column, row } = this.record.position;
      const u = (lng - centre[0]) / scale[0],
        v = (lat - centre[1]) / scale[1];
      const sum = (weights) => powers.reduce((total, [i, j], n) => total + weights[n] * u ** i * v ** j, 0);
      return { column: sum(column), row: sum(row) };
    }

    isInside({ column, row }) {
      return column >= -0.5 && row >= -0.5 && column <= this.columns - 0.5 && row <= this.rows - 0.5;
    }

    groundAt(cell) {
      if (!this.isInside(cell)) return NaN;
      const c = Math.min(Math.max(cell.column, 0), this.columns - 1),
        r = Math.min(Math.max(cell.row, 0), this.rows - 1);
      const c0 = Math.min(Math.floor(c), Math.max(this.columns - 2, 0)),
        r0 = Math.min(Math.floor(r), Math.max(this.rows - 2, 0));
      const c1 = Math.min(c0 + 1, this.columns - 1),
        r1 = Math.min(r0 + 1, this.rows - 1);
      const mix = (a, b, share) => (share === 0 ? a : share === 1 ? b : a * (1 - share) + b * share);
      const value = (row, column) => this.ground[row * this.columns + column];
      const u = c - c0,
        v = r - r0;
      return mix(mix(value(r0, c0), value(r0, c1), u), mix(value(r1, c0), value(r1, c1), u), v);
    }

    nearest(cell) {
      const whole = (value, most) => Math.min(Math.max(Math.round(value), 0), most - 1);
      return whole(cell.row, this.rows) * this.columns + whole(cell.column, this.columns);
    }

    /* Fractional column and row among the parts on which cover lies. */
    coverCell(cell) {
      if (this.parts === 1) return cell;
      return { column: (cell.column + 0.5) * this.parts - 0.5, row: (cell.row + 0.5) * this.parts - 0.5 };
    }

    /* Number of the cover at a cell. */
    coverAt(cell) {
      const whole = (value, most) => Math.min(Math.max(Math.round(value), 0), most - 1),
        { column, row } = this.coverCell(cell);
      return this.coverNumber[whole(row, this.coverRows) * this.coverColumns + whole(column, this.coverColumns)];
    }

    /* Ground and cover along the straight line between two places {lat, lng}. */
    profile(a, b) {
      const from = this.cellOf(a.lat, a.lng),
        to = this.cellOf(b.lat, b.lng);
      const distanceM = Math.hypot(to.column - from.column, to.row - from.row) * this.cellM;
      const samples = sampleCount(distanceM, this.record.sampled_as_m);
      const ground = new Float64Array(samples),
        number = new Uint16Array(samples),
        along = new Float64Array(samples);
      const canopy = this.canopy ? new Float64Array(samples) : null;
      for (let i = 0; i < samples; i++) {
        const share = i / (samples - 1),
          cell = { column: from.column * (1 - share) + to.column * share, row: from.row * (1 - share) + to.row * share };
        along[i] = distanceM * share;
        ground[i] = this.groundAt(cell);
        number[i] = this.coverAt(cell);
        if (canopy) canopy[i] = this.canopy[this.nearest(cell)];
      }
      const pieces = { sample: [], number: [], share: [], canopy: this.canopy ? [] : null };
      for (let i = 0; i < samples; i++) {
        const share = i / (samples - 1);
        this.addPieces(pieces, i, {
          column: from.column * (1 - share) + to.column * share,
          row: from.row * (1 - share) + to.row * share,
        });
      }
      const bearingDeg = ((Math.atan2(to.column - from.column, from.row - to.row) * 180) / Math.PI + 360) % 360;
      const around = this.bypassPaths(from, to, number, along);
      return { distanceM, along, ground, number, canopy, pieces, bearingDeg, around, errors: this.errorsAlong(from, to, samples) };
    }

    /* loss/error_fields: the height errors of a path: where its ends lie, metres east and north of the middle of the first cell, and
       the standard deviation of each field at its samples. */
    errorsAlong(from, to, samples) {
      const full = this.record.full_cell_m,
        metres = (cell) => (cell + 0.5) * this.cellM - 0.5 * full;
      const ends = [metres(from.column), -metres(from.row), metres(to.column), -metres(to.row)];
      return this.errors.map((field) => {
        const { rows, columns } = field,
          size = field.every * full,
          spread = new Float64Array(samples);
        for (let i = 0; i < samples; i++) {
          const share = i / (samples - 1);
          const c = Math.min(Math.max((ends[0] * (1 - share) + ends[2] * share) / size, 0), columns - 1),
            r = Math.min(Math.max(-(ends[1] * (1 - share) + ends[3] * share) / size, 0), rows - 1);
          const c0 = Math.min(Math.floor(c), Math.max(columns - 2, 0)),
            r0 = Math.min(Math.floor(r), Math.max(rows - 2, 0));
          const at = (row, column) => field.spread[Math.min(row, rows - 1) * columns + Math.min(column, columns - 1)];
          const mix = (row) => at(row, c0) * (1 - (c - c0)) + at(row, c0 + 1) * (c - c0);
          spread[i] = mix(r0) * (1 - (r - r0)) + mix(r0 + 1) * (r - r0);
        }
        return { field, ends, spread };
      });
    }

    /* terrain/profile: cover of the four cells around a sample, by the weights that its ground has. */
    addPieces(pieces, sample, cell) {
      const { column, row } = this.coverCell(cell),
        columns = this.coverColumns;
      const c = Math.min(Math.max(column, 0), columns - 1),
        r = Math.min(Math.max(row, 0), this.coverRows - 1);
      const c0 = Math.min(Math.floor(c), Math.max(columns - 2, 0)),
        r0 = Math.min(Math.floor(r), Math.max(this.coverRows - 2, 0));
      for (const [down, right] of [
        [0, 0],
        [0, 1],
        [1, 0],
        [1, 1],
      ]) {
        const share = (down ? r - r0 : 1 - (r - r0)) * (right ? c - c0 : 1 - (c - c0));
        if (!(share > 0)) continue;
        const at = (r0 + down) * columns + c0 + right;
        if (!this.coverNumber[at]) continue;
        pieces.sample.push(sample);
        pieces.number.push(this.coverNumber[at]);
        pieces.share.push(this.coverShare ? share * this.coverShare[at] : share);
        if (pieces.canopy) {
          const whole = (part, most) => Math.min(Math.floor(part / this.parts), most - 1);
          pieces.canopy.push(this.canopy[whole(r0 + down, this.rows) * this.columns + whole(c0 + right, this.columns)]);
        }
      }
    }

    /* loss/bypass_paths: what the way around the nearer end of each hedge on the path costs, by cover number. */
    bypassPaths(from, to, number, along) {
      const found = new Map(),
        last = along.length - 1,
        total = along[last],
        { covers, frequency_mhz, furthest_aside_m } = this.engine;
      const ahead = { column: (to.column - from.column) / (total / this.cellM), row: (to.row - from.row) / (total / this.cellM) };
      for (const one of new Set(number.slice(1, -1))) {
        if (!one || covers[one - 1].form !== "row" || number[0] === one || number[last] === one) continue;
        const places = [...along.keys()].filter((i) => i > 0 && i < last && number[i] === one);
        const losses = [1, -1].map((turn) => {
          const reach = places.map((i) => this.reachAside(from, to, i / last, ahead, turn, furthest_aside_m));
          return reach.some(Number.isNaN)
            ? Infinity
            : meshEngine.aroundRowDb(
                reach,
                places.map((i) => along[i]),
                total,
                frequency_mhz,
              );
        });
        found.set(one, Math.min(...losses));
      }
      return found;
    }

    /* Metres beside the path until nothing bars the way, NaN if something always does. */
    reachAside(from, to, share, ahead, turn, furthestM) {
      const at = { column: from.column * (1 - share) + to.column * share, row: from.row * (1 - share) + to.row * share };
      const partM = this.cellM / this.parts;
      for (let n = 1; n <= Math.ceil(furthestM / partM); n++) {
        /* A quarter turn of a step forward; rows count downwards. */
        const step = n / this.parts,
          cell = this.coverCell({ column: at.column + turn * ahead.row * step, row: at.row - turn * ahead.column * step });
        const column = Math.round(cell.column),
          row = Math.round(cell.row);
        if (column < 0 || row < 0 || column >= this.coverColumns || row >= this.coverRows) continue;
        const cover = this.coverNumber[row * this.coverColumns + column];
        if (!cover || this.engine.covers[cover - 1].tallest_m <= this.engine.clear_below_m) return (n - 0.5) * partM;
      }
      return NaN;
    }
  }

  /* loss/error_fields: waves as (east, north, phase) for each wave of each pair of draws. */
  async function openErrors(record) {
    const bytes = await inflate(record.numbers),
      { rows, columns } = record.spread;
    const spread = await unpackHeights(record.spread);
    return { ...record, rows, columns, spread, numbers: new Float32Array(bytes.buffer, bytes.byteOffset, bytes.length / 4) };
  }

  async function openLand(record, engine) {
    const [ground, coverNumber, canopy, coverShare] = await Promise.all([
      unpackHeights(record.ground),
      unpackSteps(record.cover_number),
      record.canopy ? unpackHeights(record.canopy) : null,
      record.cover_share ? unpackSteps(record.cover_share) : null,
    ]);
    const share = coverShare && Float64Array.from(coverShare, (step) => step / record.cover_share_steps);
    const errors = await Promise.all((record.errors || []).map(openErrors));
    return new Land(record, engine, ground, coverNumber, canopy, share, errors);
  }

  /* Link profiles as the planner saw them, by link key; each is made when somebody looks at it. */
  async function openProfiles(record) {
    const series = await unpackSeries(record.data),
      row = new Map(record.rows.map(([key], i) => [key, i])),
      made = new Map();
    const heights = (steps) => Float64Array.from(steps, (step) => (step === record.unknown ? NaN : step * record.step_m));
    function get(key) {
      if (!row.has(key)) return undefined;
      if (!made.has(key)) {
        const i = row.get(key),
          [, stepM, radiusKm] = record.rows[i],
          [ground, cover, kind] = series.slice(3 * i, 3 * i + 3);
        const along = Float64Array.from(ground, (_, n) => n * stepM);
        made.set(key, { along, ground: heights(ground), cover: heights(cover), kind, radiusKm, distanceM: along[along.length - 1] });
      }
      return made.get(key);
    }
    return { get, keys: () => row.keys() };
  }

  async function openContours(record) {
    const series = await unpackSeries(record.data);
    return record.heights_m.map((heightM, i) => ({
      heightM,
      heavy: Boolean(record.heavy[i]),
      places: series[2 * i].map((lng, n) => [series[2 * i + 1][n] / record.degree_steps, lng / record.degree_steps]),
    }));
  }

  return { Land, canUnpack, openLand, openProfiles, openContours, openErrors, unpackSeries, unpackSteps };
})();
