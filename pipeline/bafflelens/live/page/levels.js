// SPDX-License-Identifier: GPL-3.0-or-later
// Level maps over frequency and angle, and curves against the target.

const STEP_DB = 3;
// Light is loud; each step is darker than the one before, so that no colour needs to be told apart.
const STEPS = ["#fdf3c4", "#f2dc8a", "#dbc26f", "#b8aa74", "#93937a", "#74807f", "#56707f", "#375b78", "#1b3c63"];
// A colour as a pixel's four bytes, the first of them red.
const pixel = (bytes) => new Uint32Array(Uint8Array.from([...bytes, 255]).buffer)[0];
const PALETTE = STEPS.map((one) => pixel([1, 3, 5].map((i) => parseInt(one.slice(i, i + 2), 16))));
const HATCH = pixel([120, 125, 130]), WHITE = pixel([255, 255, 255]);
const ANGLE = 90;
const LEFT = 36, BOTTOM = 22, TOP = 4, RIGHT = 6;
const TICKS = [500, 1000, 2000, 5000, 10000, 20000], MORE_TICKS = [700, 1400, 3000, 4000, 7000, 14000];
const said = (hz) => (hz >= 1000 ? `${hz / 1000}k` : `${hz}`);

export function scale(place) {
  place.replaceChildren(
    ...STEPS.map((colour, i) => {
      const one = document.createElement("span");
      one.style.background = colour;
      one.style.color = i > 4 ? "#fff" : "#1d2227";
      one.textContent = i === STEPS.length - 1 ? `≤ −${STEP_DB * i}` : `${i === 0 ? "" : "−"}${STEP_DB * i} dB`;
      return one;
    }),
  );
}

function prepared(canvas) {
  const width = canvas.clientWidth, height = canvas.clientHeight, ratio = devicePixelRatio;
  canvas.width = width * ratio;
  canvas.height = height * ratio;
  const pen = canvas.getContext("2d");
  pen.scale(ratio, ratio);
  pen.font = "11px sans-serif";
  return { pen, width, height };
}

function between(axis, value) {
  let i = 0;
  while (i < axis.length - 2 && axis[i + 1] < value) i++;
  const share = (value - axis[i]) / (axis[i + 1] - axis[i]);
  return [i, Math.min(Math.max(share, 0), 1)];
}

// Levels of a plane on a grid of pixels, NaN where nothing is known; kept, since what is held is
// drawn again beside each shape.
const grids = new WeakMap();
function grid(frame, plane, columns, rows, range) {
  const name = `${plane} ${columns} ${rows} ${range}`;
  const known = grids.get(frame.arrays) ?? {};
  if (known[plane]?.name !== name) known[plane] = { name, levels: gridded(frame, plane, columns, rows, range) };
  grids.set(frame.arrays, known);
  return known[plane].levels;
}

function gridded(frame, plane, columns, rows, range) {
  const frequency = [...frame.arrays.frequency.data].map(Math.log);
  const angle = frame.arrays.angle.data, levels = frame.arrays[plane].data, wide = angle.length;
  const found = new Float32Array(columns * rows).fill(NaN);
  const of = Array.from({ length: columns }, (_, c) => range[0] + ((c + 0.5) / columns) * (range[1] - range[0]));
  const along = of.map((f) => (f < frequency[0] - 1e-6 || f > frequency.at(-1) + 1e-6 ? null : between(frequency, f)));
  for (let r = 0; r < rows; r++) {
    const [a, t] = between(angle, ANGLE - ((r + 0.5) / rows) * 2 * ANGLE);
    for (let c = 0; c < columns; c++) {
      if (!along[c]) continue;
      const [f, s] = along[c];
      const at = f * wide + a;
      found[r * columns + c] =
        (1 - s) * ((1 - t) * levels[at] + t * levels[at + 1]) + s * ((1 - t) * levels[at + wide] + t * levels[at + wide + 1]);
    }
  }
  return found;
}

export function rangeOf(frames) {
  const known = frames.filter((one) => one?.arrays.frequency).map((one) => one.arrays.frequency.data);
  if (!known.length) return [Math.log(1000), Math.log(16000)];
  return [Math.log(Math.min(...known.map((f) => f[0]))), Math.log(Math.max(...known.map((f) => f.at(-1))))];
}

// The median of an estimate's bands within 60 degrees, as it is said.
export function widest(frame, plane) {
  const band = frame?.arrays[`${plane}_band`]?.data, angle = frame?.arrays.angle?.data;
  if (!band) return "";
  const found = [];
  band.forEach((value, i) => {
    if (Math.abs(angle[i % angle.length]) <= 60) found.push(value);
  });
  found.sort((a, b) => a - b);
  const half = Math.max(found[Math.floor(found.length / 2)], 0.1); // no band is of no width
  return ` ±${half.toFixed(1)}\u00a0dB`;
}

export function drawMap(canvas, frame, plane, range, other) {
  const { pen, width, height } = prepared(canvas);
  const columns = Math.floor(width - LEFT - RIGHT), rows = Math.floor(height - TOP - BOTTOM);
  const x = (hz) => LEFT + ((Math.log(hz) - range[0]) / (range[1] - range[0])) * columns;
  if (frame?.arrays[plane]) {
    const levels = grid(frame, plane, columns, rows, range);
    const image = new ImageData(columns, rows);
    const pixels = new Uint32Array(image.data.buffer);
    for (let r = 0, i = 0; r < rows; r++)
      for (let c = 0; c < columns; c++, i++) {
        const level = levels[i];
        const step = Math.min(Math.max(Math.ceil(-level / STEP_DB - 0.5), 0), STEPS.length - 1);
        pixels[i] = Number.isNaN(level) ? ((r + c) % 7 === 0 ? HATCH : WHITE) : PALETTE[step];
      }
    const small = new OffscreenCanvas(columns, rows);
    small.getContext("2d").putImageData(image, 0, 0);
    pen.drawImage(small, LEFT, TOP);
    const dashes = frame.mark === "estimated" ? [4, 3] : [];
    contour(pen, levels, columns, rows, -6, "#000", 1.9, dashes);
    contour(pen, levels, columns, rows, -12, "#fff", 1, dashes);
    if (other?.arrays[plane]) contour(pen, grid(other, plane, columns, rows, range), columns, rows, -6, "#a1460a", 1.3, [2, 2]);
  }
  pen.strokeStyle = "#1d2227";
  pen.lineWidth = 1;
  pen.setLineDash(frame?.mark === "estimated" ? [5, 3] : []);
  pen.strokeRect(LEFT, TOP, columns, rows);
  pen.setLineDash([]);
  pen.fillStyle = "#1d2227";
  pen.textAlign = "right";
  for (const angle of [-60, 0, 60]) {
    const y = TOP + ((ANGLE - angle) / (2 * ANGLE)) * rows;
    pen.fillText(`${angle > 0 ? "+" : angle < 0 ? "−" : ""}${Math.abs(angle)}°`, LEFT - 4, y + 4);
    pen.fillRect(LEFT, y, 4, 1);
  }
  ticks(pen, x, range, height);
}

function ticks(pen, x, range, height) {
  pen.textAlign = "center";
  const octaves = (range[1] - range[0]) / Math.LN2;
  for (const hz of octaves < 2 ? [...TICKS, ...MORE_TICKS] : TICKS) {
    if (Math.log(hz) < range[0] - 0.01 || Math.log(hz) > range[1] + 0.01) continue;
    pen.fillText(said(hz), x(hz), height - 7);
    pen.fillRect(x(hz), height - BOTTOM - 4, 1, 4);
  }
}

function contour(pen, levels, columns, rows, level, colour, width, dashes) {
  pen.strokeStyle = colour;
  pen.lineWidth = width;
  pen.setLineDash(dashes);
  pen.beginPath();
  const step = 4;
  for (let r = 0; r + step < rows; r += step)
    for (let c = 0; c + step < columns; c += step) {
      const at = r * columns + c, below = at + step * columns;
      const values = [levels[at] - level, levels[at + step] - level, levels[below + step] - level, levels[below] - level];
      // Most cells are crossed by nothing: NaN never is.
      if (!(Math.min(...values) < 0 && Math.max(...values) > 0)) continue;
      const corners = [[r, c], [r, c + step], [r + step, c + step], [r + step, c]];
      const points = [];
      for (let k = 0; k < 4; k++) {
        const a = values[k], b = values[(k + 1) % 4];
        if (a * b >= 0 || Number.isNaN(a * b)) continue;
        const t = a / (a - b), [i, j] = corners[k], [m, n] = corners[(k + 1) % 4];
        points.push([LEFT + j + t * (n - j), TOP + i + t * (m - i)]);
      }
      if (points.length >= 2) {
        pen.moveTo(...points[0]);
        pen.lineTo(...points[1]);
      }
    }
  pen.stroke();
  pen.setLineDash([]);
}

// A curve against the target: this one solid with its band, the held one dashed.
export function drawCurve(canvas, wanted, frame, held, range) {
  const { pen, width, height } = prepared(canvas);
  const high = 3, low = -27;
  const columns = width - LEFT - RIGHT, rows = height - TOP - BOTTOM;
  const x = (hz) => LEFT + ((Math.log(hz) - range[0]) / (range[1] - range[0])) * columns;
  const y = (db) => TOP + ((high - Math.min(Math.max(db, low), high)) / (high - low)) * rows;
  pen.fillStyle = "#1d2227";
  pen.textAlign = "right";
  for (const db of [0, -6, -12, -18, -24]) {
    pen.fillText(db ? `−${-db}` : "0", LEFT - 4, y(db) + 4);
    pen.fillStyle = "#e1e0da";
    pen.fillRect(LEFT, y(db), columns, 1);
    pen.fillStyle = "#1d2227";
  }
  // What is not wanted is hatched: above an upper limit, below a lower one.
  pen.save();
  pen.beginPath();
  const limit = wanted.frequency_hz.map((hz, i) => [x(hz), wanted.level_db[i]]).filter(([, db]) => db !== null);
  if (limit.length) {
    limit.forEach(([px, db], i) => (i ? pen.lineTo(px, y(db)) : pen.moveTo(px, y(db))));
    const edge = wanted.upper ? TOP : TOP + rows;
    pen.lineTo(limit.at(-1)[0], edge);
    pen.lineTo(limit[0][0], edge);
    pen.closePath();
    pen.clip();
    pen.strokeStyle = "#c3c6c9";
    pen.lineWidth = 1;
    pen.beginPath();
    for (let i = -height; i < width; i += 6) {
      pen.moveTo(i, height);
      pen.lineTo(i + height, 0);
    }
    pen.stroke();
  }
  pen.restore();
  pen.strokeStyle = "#59626b";
  pen.lineWidth = 1.2;
  pen.beginPath();
  limit.forEach(([px, db], i) => (i ? pen.lineTo(px, y(db)) : pen.moveTo(px, y(db))));
  pen.stroke();
  const line = (one, colour, thick, dashes) => {
    const levels = one?.arrays[wanted.key]?.data;
    if (!levels) return;
    const frequency = one.arrays.frequency.data, band = one.arrays[`${wanted.key}_band`]?.data;
    if (band) {
      pen.fillStyle = `${colour}33`;
      for (let i = 0; i + 1 < levels.length; i++) {
        if (Number.isNaN(levels[i] + levels[i + 1])) continue;
        pen.beginPath();
        pen.moveTo(x(frequency[i]), y(levels[i] + band[i]));
        pen.lineTo(x(frequency[i + 1]), y(levels[i + 1] + band[i + 1]));
        pen.lineTo(x(frequency[i + 1]), y(levels[i + 1] - band[i + 1]));
        pen.lineTo(x(frequency[i]), y(levels[i] - band[i]));
        pen.fill();
      }
    }
    pen.strokeStyle = colour;
    pen.lineWidth = thick;
    pen.setLineDash(dashes);
    pen.beginPath();
    let open = false;
    levels.forEach((db, i) => {
      if (Number.isNaN(db)) open = false;
      else if (open) pen.lineTo(x(frequency[i]), y(db));
      else {
        pen.moveTo(x(frequency[i]), y(db));
        open = true;
      }
    });
    pen.stroke();
    pen.setLineDash([]);
  };
  line(held, "#a1460a", 1.4, [5, 3]);
  line(frame, "#0b4a8f", 2.2, frame?.mark === "estimated" ? [9, 2] : []);
  pen.strokeStyle = "#1d2227";
  pen.lineWidth = 1;
  pen.strokeRect(LEFT, TOP, columns, rows);
  pen.fillStyle = "#1d2227";
  ticks(pen, x, range, height);
}
